"""A cut-off contactor ahead of the isolating transformer: held in by beats, drops on silence, armed by hand.

A re-triggerable timer in the box holds it for a set time after each beat. Once dropped it stays out, beats or
not, until somebody presses the button on the box.
"""

import threading

HOLD_S = 0.5
"""Real seconds that a beat holds it in."""


class SimulatedContactor:
    """The box. Beats come from a server's thread, everything else from the bench's own."""

    def __init__(self, hold_s: float = HOLD_S) -> None:
        """Armed and open, waiting for the first beat. ``hold_s`` in bench seconds."""
        self.hold_s = hold_s
        self.beats = 0
        self._until_s = 0.0
        self._armed = True
        self._lock = threading.Lock()

    def beat(self, at_s: float) -> None:
        """A beat: holds it in for ``hold_s`` more, if it is armed and has not dropped meanwhile."""
        with self._lock:
            self.beats += 1
            if self._armed and self._has_dropped(at_s):
                self._armed = False
            if self._armed:
                self._until_s = at_s + self.hold_s

    def drop(self, at_s: float) -> None:
        """Let it drop at once."""
        with self._lock:
            self._armed = False
            self._until_s = min(self._until_s, at_s)

    def rearm(self, at_s: float) -> None:
        """The button on the box: the next beat pulls it in."""
        with self._lock:
            self._armed, self._until_s = True, 0.0

    def is_closed(self, at_s: float) -> bool:
        """Whether the source reaches the bench."""
        return at_s < self._until_s

    @property
    def drops_at_s(self) -> float:
        """The instant at which it drops if no beat comes; in the past when it is open."""
        return self._until_s

    def _has_dropped(self, at_s: float) -> bool:
        return 0.0 < self._until_s <= at_s
