"""The ticker: fifty times a second time goes to the watch, so that silence is an event."""

import threading
from collections.abc import Callable

from benchlog.model.clock import Clock
from benchlog.recorder.realtime import real_s
from benchlog.recorder.threads import OnFailure, Thread

TICK_S = 0.02
"""Real seconds between two ticks."""
SLOW_S = 0.1
"""Real seconds between two rounds of what need not be looked at in every tick."""


class Ticker:
    """Calls ``each`` in every tick and ``slow`` ten times a second, on one thread."""

    def __init__(
        self,
        clock: Clock,
        each: Callable[[], None],
        slow: Callable[[], None],
        on_failure: OnFailure,
    ) -> None:
        """Not yet started."""
        self._clock = clock
        self._each = each
        self._slow = slow
        self.last_s = 0.0
        """Real seconds of the last tick."""
        self.longest_s = 0.0
        """Longest gap between two ticks so far, real seconds: how far the machine was behind."""
        self._thread = Thread("ticker", self._work, on_failure)

    def start(self) -> None:
        """Begin to tick."""
        self.last_s = real_s(self._clock)
        self._thread.start()

    def count_from_now(self) -> None:
        """Forget the longest gap so far: what was slow before power does not matter."""
        self.longest_s = 0.0

    def stop(self) -> None:
        """Tick no more."""
        self._thread.stop()

    def _work(self, stopping: threading.Event) -> None:
        next_slow_s = 0.0
        while not stopping.wait(TICK_S):
            now_s = real_s(self._clock)
            self.longest_s = max(self.longest_s, now_s - self.last_s)
            self.last_s = now_s
            self._each()
            if now_s >= next_slow_s:
                next_slow_s = now_s + SLOW_S
                self._slow()
