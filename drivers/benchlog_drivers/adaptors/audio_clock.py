"""A stream's sampling clock against the machine's: when a sample was taken, how far the clocks drift apart.

A block is handed over late, never early: of many the least late one tells. Each second's least lateness is
kept; the line through them is the drift.
"""

import math
from collections import deque

import numpy as np

SPAN_S = 60
"""Seconds that the drift is worked out from."""
LEAST_S = 10
"""Seconds before it is told."""
JUMP_S = 0.05
"""A second whose least lateness is so much more than that of the one before has lost samples (ours)."""


class SampleClock:
    """Follows one stream; instants are session microseconds, positions samples since it began."""

    def __init__(self, rate_hz: float) -> None:
        """Nothing heard yet."""
        self._rate_hz = rate_hz
        self._least: deque[tuple[float, float]] = deque(maxlen=SPAN_S)
        self._second: tuple[int, float, float] | None = None
        self._offset_s: float | None = None

    def hear(self, end: int, at_us: int) -> int:
        """A block whose last sample is number ``end`` − 1 was handed over at ``at_us``.

        Returns how many samples must have been lost unsaid by then; mostly 0.
        """
        at_s = at_us * 1e-6
        late_s = at_s - end / self._rate_hz
        if self._offset_s is None or late_s < self._offset_s:
            self._offset_s = late_s
        if self._second is None:
            self._second = (int(at_s), late_s, at_s)
        elif int(at_s) == self._second[0]:
            if late_s < self._second[1]:
                self._second = (self._second[0], late_s, at_s)
        else:
            return self._close_second(int(at_s), late_s, at_s)
        return 0

    def _close_second(self, second: int, late_s: float, at_s: float) -> int:
        assert self._second is not None
        _, least_s, least_at_s = self._second
        before = self._least[-1] if self._least else None
        self._second = (second, late_s, at_s)
        if before is not None and least_s - before[1] > JUMP_S:
            missing = round((least_s - before[1]) * self._rate_hz)
            self.restart()
            return missing
        self._least.append((least_at_s, least_s))
        self._offset_s = least_s
        return 0

    def restart(self) -> None:
        """Samples are missing: begin anew."""
        self._least.clear()
        self._second = None
        self._offset_s = None

    def instant_us(self, end: int) -> int:
        """Session instant of the sample before position ``end``; `ValueError` before anything was heard."""
        if self._offset_s is None:
            raise ValueError("nothing was heard yet")
        return round((self._offset_s + end / self._rate_hz) * 1e6)

    def drift(self) -> tuple[float, float] | None:
        """By how many millionths the stream's clock runs slow, and the expanded uncertainty; None too early.

        Least squares on each second's least lateness, of which a few that are late do no harm: the half
        that lies lowest is used.
        """
        if len(self._least) < LEAST_S:
            return None
        t, late = np.array(self._least).T
        t = t - t.mean()
        for _ in range(2):
            slope, level = np.polyfit(t, late, 1)
            left = late - level - slope * t
            keep = left <= np.quantile(left, 0.7)
            t, late = t[keep], late[keep]
        spread = float(np.std(late - np.polyval(np.polyfit(t, late, 1), t)))
        u = 2.0 * spread / math.sqrt(float(np.dot(t - t.mean(), t - t.mean())) or 1.0)
        return float(np.polyfit(t, late, 1)[0]) * 1e6, u * 1e6 + 0.1
