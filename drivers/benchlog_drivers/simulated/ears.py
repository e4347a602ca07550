"""What half cycles of an AC-coupled stream read of a current, in virtual time.

The means of one half cycle are no direct current: the sensor only loses what stays for longer. As the stream
puts low frequencies back, the direct part runs free after a change and is let go of once the current repeats
itself (`benchlog.measure.coupling`; the same times, stated there).
"""

import math

from benchlog_drivers.simulated.aperture import Truth

FREE_S, LONGEST_FREE_S = 0.5, 3.0
LET_GO_S = 0.3
_CHANGE = 0.02


class PutBack:
    """Follows one current half cycle by half cycle."""

    def __init__(self) -> None:
        """Nothing heard yet."""
        self._slow_a = 0.0
        self._before: tuple[float, float] | None = None
        """Mean square and mean of the half cycle before."""
        self._cycle_a = 0.0
        self._free_s = self._running_s = 0.0

    def take(self, truth: Truth, seconds: float) -> float:
        """R.m.s. in A of the next half cycle, of ``seconds``, as the stream reads it."""
        square, mean = truth.current_rms_a**2, truth.current_dc_a
        read_a = math.sqrt(max(square - 2.0 * mean * self._slow_a + self._slow_a**2, 0.0))
        before, self._before = self._before, (square, mean)
        if before is not None:
            self._end_cycle(0.5 * (square + before[0]), 0.5 * (mean + before[1]), seconds)
        return read_a

    def _end_cycle(self, square: float, mean: float, seconds: float) -> None:
        rms_a, last_a = math.sqrt(square), self._cycle_a
        self._cycle_a = rms_a
        if abs(rms_a - last_a) > _CHANGE * max(rms_a, last_a):
            self._free_s = FREE_S
        else:
            self._free_s = max(self._free_s - seconds, 0.0)
        self._running_s = self._running_s + seconds if self._free_s > 0.0 else 0.0
        if self._free_s == 0.0 or self._running_s > LONGEST_FREE_S:
            self._slow_a += (mean - self._slow_a) * (1.0 - math.exp(-seconds / LET_GO_S))
