"""The last readings of one channel, as arrays, in constant memory."""

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

_LEAST_CAPACITY = 512


class Trace:
    """Readings no older than ``span_s`` before the newest one.

    Times are seconds of the session's axis. The arrays that `times` and `values` give are views, valid until
    the next `append`.
    """

    def __init__(self, span_s: float) -> None:
        """Begin empty."""
        self._span_s = span_s
        self._t: Floats = np.empty(_LEAST_CAPACITY)
        self._x: Floats = np.empty(_LEAST_CAPACITY)
        self._first = 0
        self._end = 0

    def __len__(self) -> int:
        """How many readings are held."""
        return self._end - self._first

    def clear(self) -> None:
        """Forget all readings."""
        self._first = self._end = 0

    def append(self, t_s: float, x: float) -> None:
        """Add the newest reading; what is older than the span is forgotten."""
        if self._end == len(self._t):
            self._compact()
        self._t[self._end] = t_s
        self._x[self._end] = x
        self._end += 1
        oldest_s = t_s - self._span_s
        while self._t[self._first] <= oldest_s:
            self._first += 1

    @property
    def times(self) -> Floats:
        """Instants in s, rising."""
        return self._t[self._first : self._end]

    @property
    def values(self) -> Floats:
        """Values beside `times`."""
        return self._x[self._first : self._end]

    def _compact(self) -> None:
        held = len(self)
        capacity = max(_LEAST_CAPACITY, 4 * held)
        t, x = np.empty(capacity), np.empty(capacity)
        t[:held], x[:held] = self.times, self.values
        self._t, self._x, self._first, self._end = t, x, 0, held
