"""The inrush window: nothing is stopped for its first readings, but something that does not decay is."""

from benchlog.model.clock import US

WINDOW_US = 3 * US
VALVE_WINDOW_US = 30 * US
SETTLING_IN_US = US // 2
"""After this long even an inrush has no right to three times the stop limit."""
GROSS = 3.0
"""Multiple of the stop limit that counts as gross."""


class Inrush:
    """One window at a time: opened by an arrival, extended by further rises, closed by its deadline."""

    def __init__(self, span_us: int) -> None:
        """``span_us``: length of a window, 3 s, valve 30 s."""
        self._span_us = span_us
        self.first_us = 0
        self.end_us = 0
        self.is_open = False
        self.peak_a: float | None = None
        """Largest reading in the window: a lower bound of the inrush."""
        self._gross = 0
        self._last: tuple[float, ...] = ()

    def open(self, t_us: int) -> None:
        """An arrival at ``t_us``."""
        self.first_us, self.end_us, self.is_open = t_us, t_us + self._span_us, True
        self._gross, self._last, self.peak_a = 0, (), None

    def extend(self, t_us: int) -> None:
        """A further rise: at most to twice the window after its first arrival; a closed one opens again."""
        self.end_us = max(self.end_us, min(t_us + self._span_us, self.first_us + 2 * self._span_us))
        self.is_open = True

    def close(self) -> None:
        """The window is over."""
        self.is_open = False

    def holds(self, end_us: int) -> bool:
        """Whether a reading that ended then is in the window."""
        return self.first_us < end_us <= self.end_us

    def take(self, start_us: int, amperes: float, stop_a: float) -> bool:
        """A reading in the window; True where two in a row, begun late enough, are three times I_stop."""
        self._last = (*self._last[-1:], amperes)
        self.peak_a = amperes if self.peak_a is None else max(self.peak_a, amperes)
        if start_us - self.first_us < SETTLING_IN_US:
            return False
        self._gross = self._gross + 1 if amperes >= GROSS * stop_a else 0
        return self._gross >= 2

    def undecayed(self, stop_a: float) -> bool:
        """Whether the last two readings so far are at or above I_stop."""
        return len(self._last) == 2 and min(self._last) >= stop_a

    @property
    def last_a(self) -> float:
        """The last reading in the window, in A."""
        return self._last[-1] if self._last else 0.0
