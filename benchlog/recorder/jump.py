"""Jumps of the wall clock against the monotonic clock: sleep, or a clock that was set."""

from benchlog.model.clock import Clock
from benchlog.recorder.realtime import real_s

LEAST_S = 1.0
"""Smallest jump that counts; slewing of a clock stays far below it."""


class JumpDetector:
    """Compares the two clocks each time it is asked."""

    def __init__(self, clock: Clock) -> None:
        """Take the present difference as the one that holds."""
        self._clock = clock
        self._difference_s = self._now()

    def _now(self) -> float:
        return self._clock.wall().timestamp() - real_s(self._clock)

    def look(self) -> float | None:
        """The jump in seconds since the last look, positive when the wall clock went ahead; None for none."""
        now = self._now()
        jump_s = now - self._difference_s
        self._difference_s = now
        return jump_s if abs(jump_s) >= LEAST_S else None
