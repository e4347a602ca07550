"""Schedules by deadline: what comes too late is dropped and counted, never queued."""

import time


class Pace:
    """Tells when the next reading is due, in real seconds."""

    def __init__(self, period_s: float) -> None:
        """Due at once."""
        self.period_s = period_s
        self.dropped = 0
        self._due = time.monotonic()

    def wait_s(self) -> float:
        """Seconds until due; 0 when due."""
        return max(0.0, self._due - time.monotonic())

    def taken(self) -> None:
        """The reading that was due is being taken: the next is due a period after this one was."""
        late = time.monotonic() - self._due
        missed = int(late / self.period_s)
        self.dropped += missed
        self._due += self.period_s * (missed + 1)

    def restart(self) -> None:
        """Due at once again, after a stall that is accounted for elsewhere."""
        self._due = time.monotonic()
