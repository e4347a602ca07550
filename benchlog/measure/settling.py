"""Settled or not, and rising or not, of a slow meter's readings at one voltage.

    slope(t_s, x) -> Slope(b, se, r1, n)             least squares, serial correlation allowed for
    drift_bound(t_s, x) -> float                     (|b| + t95·SE)·30, in the unit of x
    is_settled(t_s, x, tolerance) -> bool            drift_bound < tolerance; give it the last WINDOW_S
    tolerance(x, least, count) -> float              max(5 % of x, least, 4 counts)
    settled_value(t_s, x) -> float | None            mean of the last second, at least two readings
    rise_by_means(t_s, x, count, end_s) -> Rise | None     1 s mean against the mean 30 s earlier
    rise_by_slope(t_s, x, count, end_s) -> Rise | None     (b − 2·SE)·30 on a 12 s window
    rise_alarm(t_s, x, count) -> Rise | None         either rule, twice 1 s apart, on RISE_SPAN_S
    settled_since(t_s, x, least, count) -> float | None    when a whole record settled (held HELD_S)

``t_s`` (seconds, increasing) and ``x`` (amperes or watts) are one-dimensional float arrays of equal length,
without NaN: unusable readings are left out by the caller, never filled in.
Source of the rules: ours, tried on simulated units (settling: median 14-17 s at ten readings a second, false
calls at most 1 %; rise: 98 % of runaways, median 7.8 s after onset).
"""

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from benchlog.measure.student import t95

Floats = npt.NDArray[np.float64]

WINDOW_S = 8.0
"""Window of the settling test."""
HELD_S = 2.0
"""How long the settling test has to hold in a record judged as a whole."""
HORIZON_S = 30.0
"""Over how long a slope is carried forward before it is compared."""
RISE_WINDOW_S = 12.0
"""Window of the rise-by-slope rule."""
RISE_LAG_S = 30.0
"""How far back the rise-by-means rule looks."""
RISE_SPAN_S = 32.0
"""History that both rise rules need at most: 30 s back, 1 s means, twice 1 s apart."""
LEAST_A = 0.003
"""Least tolerance of the settling test on a current, in A."""


class Slope(NamedTuple):
    """A least-squares slope: ``b`` per second, ``se`` its standard error, ``r1`` lag-1 of the residuals."""

    b: float
    se: float
    r1: float
    n: int


class Rise(NamedTuple):
    """A rise that counts as an alarm: which rule, and from which value to which over how many seconds."""

    rule: str
    before: float
    after: float
    over_s: float


def lag1(d: Floats) -> float:
    """Lag-1 autocorrelation Σdₖdₖ₊₁ ÷ Σdₖ² of deviations from their mean, or of residuals."""
    squares = float(d.dot(d))
    return float(d[1:].dot(d[:-1])) / squares if squares > 0.0 else 0.0


def slope(t_s: Floats, x: Floats) -> Slope:
    """Least-squares slope of ``x`` on ``t_s`` with its standard error inflated for serial correlation.

    se is multiplied by √((1 + r1)/(1 − r1)); r1, the lag-1 autocorrelation of residuals, is held to 0…0.9.
    Fewer than three readings, no spread in time, or anything not finite: ``b`` and ``se`` are NaN.
    """
    n = len(x)
    if n < 3:
        return Slope(math.nan, math.nan, 0.0, n)
    dt = t_s - t_s.sum() / n
    sxx = float(dt.dot(dt))
    if not sxx > 0.0:
        return Slope(math.nan, math.nan, 0.0, n)
    dx = x - x.sum() / n
    b = float(dt.dot(dx)) / sxx
    residual = dx - b * dt
    ssr = float(residual.dot(residual))
    r1 = min(max(lag1(residual), 0.0), 0.9)
    se = math.sqrt(ssr / ((n - 2) * sxx) * (1.0 + r1) / (1.0 - r1))
    return Slope(b, se, r1, n)


def drift_bound(t_s: Floats, x: Floats) -> float:
    """What the readings may still move in 30 s: (|b| + t95·SE)·30, unit of ``x``; infinite if unknown."""
    found = slope(t_s, x)
    bound = (abs(found.b) + t95(float(found.n - 2)) * found.se) * HORIZON_S if found.n >= 3 else math.inf
    return bound if math.isfinite(bound) else math.inf


def is_settled(t_s: Floats, x: Floats, tolerance: float) -> bool:
    """Whether the window can move by less than ``tolerance`` (unit of ``x``) in the next 30 s.

    The caller gives the readings of the last `WINDOW_S`, and only once the window has been filled.
    """
    return drift_bound(t_s, x) < tolerance


def tolerance(x: float, least: float = LEAST_A, count: float = 0.0) -> float:
    """Tolerance of the settling test: max(5 % of x, ``least``, 4 counts), in the unit of ``x``."""
    return max(0.05 * abs(x), least, 4.0 * count)


def _between(t_s: Floats, x: Floats, start_s: float, end_s: float) -> tuple[Floats, Floats]:
    """Readings with start < t ≤ end, as views."""
    low, high = t_s.searchsorted(start_s, "right"), t_s.searchsorted(end_s, "right")
    return t_s[low:high], x[low:high]


def settled_value(t_s: Floats, x: Floats, end_s: float | None = None) -> float | None:
    """Mean of the last second up to ``end_s`` (default: the last reading), at least the last two readings.

    None where there are fewer than two readings.
    """
    end_s = float(t_s[-1]) if end_s is None and len(t_s) else end_s
    if end_s is None:
        return None
    high = int(t_s.searchsorted(end_s, "right"))
    low = min(int(t_s.searchsorted(end_s - 1.0, "right")), high - 2)
    return float(x[low:high].sum()) / (high - low) if low >= 0 else None


def rise_by_means(t_s: Floats, x: Floats, count: float, end_s: float) -> Rise | None:
    """Rise of the last second's mean by more than 10 % + 2 counts against the second 30 s earlier; once."""
    earlier = _between(t_s, x, end_s - RISE_LAG_S - 1.0, end_s - RISE_LAG_S)[1]
    latest = _between(t_s, x, end_s - 1.0, end_s)[1]
    if len(earlier) == 0 or len(latest) == 0:
        return None
    before, after = float(earlier.sum()) / len(earlier), float(latest.sum()) / len(latest)
    return Rise("means", before, after, RISE_LAG_S) if after - before > 0.10 * before + 2.0 * count else None


def rise_by_slope(t_s: Floats, x: Floats, count: float, end_s: float) -> Rise | None:
    """Rise whose slope is beyond doubt: (b − 2·SE)·30 > 0.35·x + 2 counts on a full 12 s window; once.

    x is the mean of the last second. A window that the readings do not fill to within one second and one
    spacing is no window: None.
    """
    if end_s - RISE_WINDOW_S + 1.0 < t_s[0]:
        return None
    t_window, x_window = _between(t_s, x, end_s - RISE_WINDOW_S, end_s)
    found = slope(t_window, x_window)
    level = settled_value(t_window, x_window)
    if level is None or not (found.b - 2.0 * found.se) * HORIZON_S > 0.35 * level + 2.0 * count:
        return None
    return Rise("slope", level - found.b * RISE_WINDOW_S, level, RISE_WINDOW_S)


def rise_alarm(t_s: Floats, x: Floats, count: float) -> Rise | None:
    """The rise, if either rule holds at the last reading and held 1 s before it; None otherwise.

    Give readings at one voltage only, begun 10 s or more after its arrival, up to the last `RISE_SPAN_S`
    (more does no harm). ``count`` is one count of the meter in the unit of ``x``, divided by the clamp's
    turns.
    """
    if len(t_s) < 3:
        return None
    end_s = float(t_s[-1])
    for rule in (rise_by_means, rise_by_slope):
        found = rule(t_s, x, count, end_s)
        if found and rule(t_s, x, count, end_s - 1.0):
            return found
    return None


def settled_since(t_s: Floats, x: Floats, least: float = LEAST_A, count: float = 0.0) -> float | None:
    """Instant in seconds at which a record of readings at one voltage was settled; None if it never was.

    The slope test on the trailing `WINDOW_S`, each reading, held for `HELD_S` (a single reading that fails
    begins it anew); the instant is the one at which it had held that long. For records judged as a whole.
    """
    held_from: float | None = None
    for k in range(len(t_s)):
        end_s = float(t_s[k])
        if end_s - float(t_s[0]) < WINDOW_S:
            continue
        t_window, x_window = _between(t_s, x, end_s - WINDOW_S, end_s)
        level = settled_value(t_window, x_window)
        if level is None or not is_settled(t_window, x_window, tolerance(level, least, count)):
            held_from = None
            continue
        held_from = end_s if held_from is None else held_from
        if end_s - held_from >= HELD_S:
            return end_s
    return None
