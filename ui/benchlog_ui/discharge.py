"""How long a rail still needs until it may be touched, estimated from how it falls."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

TOUCH_V = 10.0
"""Below this before touching. Common practice, no source."""
PROBE_V = 1.0
"""Below this before ohms, junction or ESR. Common practice, no source."""
_LEAST_SPAN_S = 1.0
_WINDOW_S = 8.0


@dataclass(frozen=True, slots=True)
class Discharge:
    """The last voltage read, and the seconds from then until `TOUCH_V` and `PROBE_V`."""

    volts: float
    to_touch_s: float | None
    """None where no estimate can be made: too few readings, or the voltage does not fall."""
    to_probe_s: float | None


def estimate(readings: Sequence[tuple[float, float]]) -> Discharge | None:
    """Discharge of a rail from its readings (seconds, volts), newest last; None without readings.

    A straight line through ln |V| over the last 8 s (least squares), as of a reservoir over a resistor:
    V(t) = V0·exp(-t/RC). It is an estimate for waiting, never a licence to touch: the meter decides that.
    """
    if not readings:
        return None
    last_s, last_v = readings[-1]
    kept = [(t - last_s, math.log(abs(v))) for t, v in readings if t >= last_s - _WINDOW_S and abs(v) > 0.05]
    slope = _slope(kept)
    volts = abs(last_v)
    if slope is None:
        return Discharge(last_v, 0.0 if volts < TOUCH_V else None, 0.0 if volts < PROBE_V else None)
    return Discharge(last_v, _until(volts, TOUCH_V, slope), _until(volts, PROBE_V, slope))


def _until(volts: float, target: float, slope: float) -> float:
    return 0.0 if volts <= target else math.log(target / volts) / slope


def _slope(points: Sequence[tuple[float, float]]) -> float | None:
    """Least-squares slope per second; None where it is not clearly falling."""
    if len(points) < 4 or points[-1][0] - points[0][0] < _LEAST_SPAN_S:
        return None
    mean_t = sum(t for t, _ in points) / len(points)
    mean_y = sum(y for _, y in points) / len(points)
    spread = sum((t - mean_t) ** 2 for t, _ in points)
    slope = sum((t - mean_t) * (y - mean_y) for t, y in points) / spread
    return slope if slope < -1e-4 else None
