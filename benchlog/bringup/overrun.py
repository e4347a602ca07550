"""The stop limit after the inrush window: two consecutive readings."""

from benchlog.bringup.inrush import GROSS


class Overrun:
    """Counts consecutive readings at or above I_stop.

    While the voltage may be moving unread (a hand on the dial, a source that has not answered), a pair is
    held until the next voltage reading and then against I_stop there; a gross pair is not held.
    """

    def __init__(self) -> None:
        """Begin with nothing counted."""
        self._before: float | None = None
        self._gross = False
        self._held_a = 0.0
        self._held_end_us: int | None = None

    def clear(self) -> None:
        """A window opened: what came before no longer counts."""
        self._before, self._gross, self._held_a, self._held_end_us = None, False, 0.0, None

    @property
    def holding(self) -> bool:
        """Whether a pair waits for a voltage reading."""
        return self._held_end_us is not None

    @property
    def held_a(self) -> float:
        """Current of the held pair, in A; 0 without one."""
        return self._held_a

    def take(self, end_us: int, amperes: float, stop_a: float, held: bool) -> bool:
        """A reading after the window; True where it is to be cut off."""
        before, gross = self._before, self._gross
        self._gross = amperes >= GROSS * stop_a
        self._before = amperes if amperes >= stop_a else None
        if before is None or self._before is None:
            return False
        if not held or (gross and self._gross):
            return True
        self._held_a = max(self._held_a, min(before, amperes))
        self._held_end_us = end_us if self._held_end_us is None else self._held_end_us
        return False

    def voltage(self, end_us: int, stop_a: float) -> float | None:
        """A voltage reading, with I_stop there; the current of a held pair at or above it, else None."""
        if self._held_end_us is None or end_us <= self._held_end_us:
            return None
        held_a = self._held_a
        self._held_a, self._held_end_us = 0.0, None
        return held_a if held_a >= stop_a else None
