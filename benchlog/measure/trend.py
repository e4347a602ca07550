"""Trends over a long time: Mann-Kendall, Theil-Sen, and the drift of a soak with its time to a limit.

    mann_kendall(x) -> MannKendall                 is there a monotonic trend at all
    theil_sen(t, x) -> TheilSen                    how steep, with a 95 % interval
    block_means(t_s, x, block_s) -> (t, x)         thins a long record and takes the correlation out of it
    soak_drift(t_s, x, limit) -> Drift | None      drift an hour and when it would reach a limit

Both tests assume independent values: readings a second apart are not, so a soak is judged on block means.
"""

import math
from dataclasses import dataclass

import numpy as np

from benchlog.measure.settling import Floats
from benchlog.measure.student import normal_cdf, normal_quantile
from benchlog.model.errors import UsageError

MOST = 2000
"""Values above which the pairwise tests would cost more than they tell; thin the record first."""
BLOCK_S = 60.0
"""Length of the means that a soak is judged on."""


@dataclass(frozen=True, slots=True)
class MannKendall:
    """Mann-Kendall S, its variance with ties, z with continuity correction, two-sided p."""

    s: int
    var_s: float
    z: float
    p: float
    tau: float
    """Kendall's tau-b against time; 0 where nothing varies."""


@dataclass(frozen=True, slots=True)
class TheilSen:
    """Median slope per unit of time with its 95 % interval, and the line's value at t = 0."""

    slope: float
    low: float
    high: float
    intercept: float


@dataclass(frozen=True, slots=True)
class Drift:
    """Drift of a soak. Slopes in the unit of the reading per hour."""

    per_hour: float
    low_per_hour: float
    high_per_hour: float
    p: float
    level: float
    """The line's value at the end."""
    to_limit_s: float | None
    """Seconds from the end until the line reaches the limit; None where it does not go there, or p ≥ 0.05."""
    soonest_s: float | None
    """The same with the steep edge of the slope's interval."""
    blocks: int


def _few(x: Floats) -> None:
    if len(x) > MOST:
        raise UsageError(f"{len(x)} values are too many for a pairwise test. Take block means first.")


def _tie_sizes(x: Floats) -> Floats:
    return np.unique(x, return_counts=True)[1].astype(np.float64)


def _var_s(x: Floats) -> float:
    """Variance of S with the tie correction (Gilbert 1987, 16.4.2)."""
    n, ties = float(len(x)), _tie_sizes(x)
    corrected = n * (n - 1.0) * (2.0 * n + 5.0) - float((ties * (ties - 1.0) * (2.0 * ties + 5.0)).sum())
    return corrected / 18.0


def mann_kendall(x: Floats) -> MannKendall:
    """Mann-Kendall test of values in time order, at least three.

    Source: Gilbert, Statistical Methods for Environmental Pollution Monitoring (1987), 16.4; normal
    approximation with continuity correction (exact tables differ for fewer than ten values). `UsageError`
    below three values.
    """
    if len(x) < 3:
        raise UsageError(f"A trend needs at least three values, not {len(x)}.")
    _few(x)
    s = sum(int(np.sign(x[k + 1 :] - x[k]).sum()) for k in range(len(x) - 1))
    var = _var_s(x)
    z = (s - math.copysign(1.0, s)) / math.sqrt(var) if s != 0 and var > 0.0 else 0.0
    pairs = len(x) * (len(x) - 1) / 2.0
    tied = float((_tie_sizes(x) * (_tie_sizes(x) - 1.0) / 2.0).sum())
    tau = s / math.sqrt(pairs * (pairs - tied)) if pairs > tied else 0.0
    return MannKendall(s, var, z, 2.0 * normal_cdf(-abs(z)), tau)


def theil_sen(t: Floats, x: Floats) -> TheilSen:
    """Theil-Sen slope of ``x`` on ``t`` (at least three values, not all at one instant).

    Interval by ranks after Sen, J. Am. Stat. Assoc. 63 (1968) 1379; the line passes the medians. `UsageError`
    where there is no slope to be had.
    """
    if len(x) < 3:
        raise UsageError(f"A slope needs at least three values, not {len(x)}.")
    _few(x)
    a, b = np.triu_indices(len(x), 1)
    dt = t[b] - t[a]
    slopes = np.sort((x[b] - x[a])[dt != 0.0] / dt[dt != 0.0])
    if len(slopes) == 0:
        raise UsageError("All values stand at one instant; there is no slope.")
    middle = float(np.median(slopes))
    ties_t, ties_x = _tie_sizes(t), _tie_sizes(x)
    n = float(len(x))
    variance = n * (n - 1.0) * (2.0 * n + 5.0)
    variance -= sum(float((k * (k - 1.0) * (2.0 * k + 5.0)).sum()) for k in (ties_t, ties_x))
    reach = normal_quantile(0.975) * math.sqrt(max(variance / 18.0, 0.0))
    upper = min(round((len(slopes) + reach) / 2.0), len(slopes) - 1)
    lower = max(round((len(slopes) - reach) / 2.0) - 1, 0)
    intercept = float(np.median(x)) - middle * float(np.median(t))
    return TheilSen(middle, float(slopes[lower]), float(slopes[upper]), intercept)


def block_means(t_s: Floats, x: Floats, block_s: float = BLOCK_S) -> tuple[Floats, Floats]:
    """Means of successive blocks of ``block_s`` seconds; a last block less than half full is left out."""
    if len(t_s) == 0:
        return t_s, x
    block = np.floor((t_s - t_s[0]) / block_s).astype(np.int64)
    present, first, counts = np.unique(block, return_index=True, return_counts=True)
    t, y = np.add.reduceat(t_s, first) / counts, np.add.reduceat(x, first) / counts
    whole = len(present) < 2 or counts[-1] >= 0.5 * np.median(counts)
    return (t, y) if whole else (t[:-1], y[:-1])


def soak_drift(
    t_s: Floats, x: Floats, limit: float | None = None, block_s: float = BLOCK_S, lower: bool = False
) -> Drift | None:
    """Drift of a soak by Theil-Sen on block means, and when it would reach ``limit`` (unit of ``x``).

    The limit is an upper one unless ``lower``. A time to it is given only where Mann-Kendall calls the
    trend real (p < 0.05). None with fewer than four blocks. ``t_s`` in seconds, without unusable readings.
    """
    t, y = block_means(t_s, x, block_s)
    if len(t) > MOST:
        t, y = block_means(t, y, float(t[-1] - t[0]) / (0.5 * MOST))
    if len(t) < 4:
        return None
    line, test = theil_sen(t, y), mann_kendall(y)
    level = line.intercept + line.slope * float(t_s[-1])
    real = test.p < 0.05
    return Drift(
        per_hour=3600.0 * line.slope,
        low_per_hour=3600.0 * line.low,
        high_per_hour=3600.0 * line.high,
        p=test.p,
        level=level,
        to_limit_s=_time_to(limit, level, line.slope, lower) if real else None,
        soonest_s=_time_to(limit, level, line.low if lower else line.high, lower) if real else None,
        blocks=len(t),
    )


def _time_to(limit: float | None, level: float, slope: float, lower: bool) -> float | None:
    """Seconds until a line reaches a limit; 0 where it is beyond it, None where it goes the other way."""
    if limit is None:
        return None
    if level <= limit if lower else level >= limit:
        return 0.0
    return (limit - level) / slope if slope != 0.0 and (slope < 0.0) == lower else None
