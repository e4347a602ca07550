"""Measurement uncertainty: the linear bound of the bring-up limits, and the full budget of a reading.

    linear_u(x, a, n_counts, count, turns=1) -> float       the bound, cheap enough for every reading
    budget(x, accuracy, ...) -> Budget                      the full budget with a 95 % interval
    combine(components, share) -> Combined                  root sum of squares, Welch-Satterthwaite, k
    combine_correlated(c, u, r) -> float                    u of Σcᵢxᵢ with correlations
    scatter(x) -> Scatter                                   standard uncertainty of a mean, its dof
    coverage_half_width(half_widths, sigma) -> float        95 % half-width of rectangles and a normal
    accuracy_for(sheet, quantity, ...) -> Stated            the line of a sheet that holds for a reading

Sources: JCGM 100:2008 (clauses 4, 5, annex G); for the shape of dominant rectangular contributions EA-4/02
M:2022, supplement 2 (k = 1.65 for one, the trapezoid for two), computed here exactly.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from benchlog.measure.settling import Floats, lag1
from benchlog.measure.student import normal_cdf, student_quantile, t95
from benchlog.model.errors import UsageError
from benchlog.model.instrument import Accuracy, MeterSheet, Response
from benchlog.model.quantity import Quantity

_BOUND = 2.0 / math.sqrt(3.0)
_SQRT3 = math.sqrt(3.0)
_SINE_CREST = math.sqrt(2.0)


def linear_u(x: float, a: float, n_counts: float, count: float, turns: int = 1) -> float:
    """Expanded uncertainty bound (2/√3)·(a·|x| + n·d/turns), in the unit of ``x``.

    ``a`` fraction of reading, ``n_counts`` counts of size ``count``. The two parts of the accuracy are
    added, not combined, so it covers at least what the full budget covers. Source: ours; a rectangular
    ±(a·x + n·d) has a standard uncertainty of half-width ÷ √3 (JCGM 100:2008, 4.3.7), taken twice.
    """
    return _BOUND * (a * abs(x) + n_counts * count / turns)


@dataclass(frozen=True, slots=True)
class Component:
    """One line of a budget: standard uncertainty in the unit of the result, and its degrees of freedom."""

    name: str
    u: float
    dof: float = math.inf
    half_width: float | None = None
    """Half-width of a rectangular distribution; None for a normal one."""


@dataclass(frozen=True, slots=True)
class Combined:
    """Combined standard uncertainty, effective degrees of freedom, k, and expanded uncertainty."""

    u: float
    dof: float
    k: float
    expanded: float


@dataclass(frozen=True, slots=True)
class Scatter:
    """Mean of repeated readings, its standard uncertainty, and how many independent ones they are worth."""

    mean: float
    s: float
    u: float
    dof: float
    r1: float


@dataclass(frozen=True, slots=True)
class Budget:
    """A corrected value with its uncertainty; all in the unit of the reading."""

    value: float
    components: tuple[Component, ...]
    u: float
    dof: float
    k: float
    expanded: float
    """Half-width of the 95 % interval."""

    @property
    def widest(self) -> Component:
        """The component that contributes most."""
        return max(self.components, key=lambda c: c.u)


def combine(components: Sequence[Component], share: float = 0.95) -> Combined:
    """Root sum of squares of independent components, k from Student's t at the Welch-Satterthwaite dof.

    The effective degrees of freedom are truncated to a whole number (JCGM 100:2008, G.4.1 and G.6.4).
    """
    u = math.sqrt(sum(c.u**2 for c in components))
    if u == 0.0:
        return Combined(0.0, math.inf, student_quantile(0.5 + share / 2.0, math.inf), 0.0)
    spread = sum((c.u / u) ** 4 / c.dof for c in components)
    dof = 1.0 / spread if spread > 0.0 else math.inf
    whole = max(math.floor(dof + 1e-9), 1) if math.isfinite(dof) else math.inf
    k = student_quantile(0.5 + share / 2.0, float(whole))
    return Combined(u, dof, k, k * u)


def combine_correlated(c: Sequence[float], u: Sequence[float], r: Sequence[Sequence[float]]) -> float:
    """Standard uncertainty of Σcᵢxᵢ with correlation coefficients rᵢⱼ (JCGM 100:2008, eq. 16)."""
    cu = np.asarray(c, dtype=np.float64) * np.asarray(u, dtype=np.float64)
    return math.sqrt(max(float(cu @ np.asarray(r, dtype=np.float64) @ cu), 0.0))


def scatter(x: Floats, fitted: int = 1) -> Scatter:
    """Mean of at least two readings and its standard uncertainty, serial correlation allowed for.

    u = s·√((1 + r1)/((1 − r1)·n)), r1 (lag 1) held to 0…0.9; the effective number of readings less the
    ``fitted`` parameters (1: the mean; 2: a straight line that was taken off) gives the degrees of freedom,
    at least one. `UsageError` with too few readings for that.
    """
    n = len(x)
    if n <= fitted:
        raise UsageError(f"Scatter needs at least {fitted + 1} readings, not {n}.")
    mean = float(x.sum()) / n
    d = x - mean
    r1 = min(max(lag1(d), 0.0), 0.9)
    effective = n * (1.0 - r1) / (1.0 + r1)
    s = math.sqrt(float(d.dot(d)) / (n - fitted))
    return Scatter(mean, s, s / math.sqrt(effective), max(effective - fitted, 1.0), r1)


def _psi2(z: float) -> float:
    """Second integral of the normal distribution function."""
    density = math.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi)
    return 0.5 * ((z * z + 1.0) * normal_cdf(z) + z * density)


def _psi1(z: float) -> float:
    """First integral of the normal distribution function."""
    return z * normal_cdf(z) + math.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi)


def _cover(x: float, h1: float, h2: float, sigma: float) -> float:
    """P(|R1 + R2 + N| ≤ x) for rectangles of half-width h1 ≥ h2 (h2 may be 0) and a normal."""
    if h1 == 0.0:
        below = normal_cdf(x / sigma)
    elif h2 == 0.0:
        below = sigma * (_psi1((x + h1) / sigma) - _psi1((x - h1) / sigma)) / (2.0 * h1)
    else:
        corners = ((h1 + h2, 1.0), (h1 - h2, -1.0), (h2 - h1, -1.0), (-h1 - h2, 1.0))
        total = sum(sign * _psi2((x + shift) / sigma) for shift, sign in corners)
        below = sigma * sigma * total / (4.0 * h1 * h2)
    return 2.0 * below - 1.0


def coverage_half_width(half_widths: Sequence[float], sigma: float, share: float = 0.95) -> float:
    """Half-width that holds a share of the sum of independent rectangular errors and a normal one.

    The two widest rectangles are taken as they are; narrower ones, and any below a third of ``sigma``,
    count as normal. One rectangle alone gives k = 1.645, a normal alone 1.960.
    """
    widest = sorted((h for h in half_widths if h > 0.0), reverse=True)
    rest = sum(h * h / 3.0 for h in widest[2:])
    normal = math.sqrt(sigma * sigma + rest)
    shaped = [h for h in widest[:2] if h > normal / 3.0]
    normal = math.sqrt(normal**2 + sum(h * h / 3.0 for h in widest[:2] if h <= normal / 3.0))
    if not shaped and normal == 0.0:
        return 0.0
    h1, h2 = ([*shaped, 0.0, 0.0])[:2]
    normal = max(normal, 0.004 * h1)
    h2 = h2 if h2 > 0.02 * h1 else 0.0
    low, high = 0.0, h1 + h2 + 8.0 * normal
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if _cover(middle, h1, h2, normal) < share else (low, middle)
    return 0.5 * (low + high)


def _accuracy_components(x: float, accuracy: Accuracy, turns: int) -> list[Component]:
    halves = (
        ("gain, % of reading", accuracy.reading_fraction * max(abs(x), accuracy.least / turns)),
        ("% of range", accuracy.range_fraction * (accuracy.range or 0.0) / turns),
        ("counts", accuracy.counts * accuracy.count / turns),
        ("resolution", 0.5 * accuracy.count / turns),
    )
    return [Component(name, h / _SQRT3, half_width=h) for name, h in halves if h > 0.0]


def budget(
    x: float,
    accuracy: Accuracy,
    readings: Floats | None = None,
    turns: int = 1,
    zero: float = 0.0,
    zero_u: float = 0.0,
    extra_fraction: float = 0.0,
    averaged: int | None = None,
    fitted: int = 1,
) -> Budget:
    """The full budget of an indication ``x`` (or of the mean of ``readings``), corrected for ``zero``.

    The parts of a stated accuracy are independent rectangular contributions: gain (taken at the least
    specified value where the reading is below it), % of range, counts, and half a count for the
    resolution. ``readings`` (two or more) add the scatter of their mean, or of the mean of only
    ``averaged`` like them, ``fitted`` as in `scatter`; ``zero`` is a lead or zero correction that is taken
    off, ``zero_u`` its standard uncertainty; ``extra_fraction`` the sheet's extra error for crest factor or
    frequency, of reading. Counts and range are divided by the clamp's ``turns``.

    The 95 % half-width is that of the actual shapes: k from 1.65 (one rectangle dominates) to 1.96, more
    where few readings scatter (Student's t at the Welch-Satterthwaite degrees of freedom of the normal
    contributions).
    """
    components = _accuracy_components(x, accuracy, turns)
    if extra_fraction > 0.0:
        half = extra_fraction * abs(x)
        components.append(Component("crest factor or frequency", half / _SQRT3, half_width=half))
    if readings is not None and len(readings) > fitted:
        found = scatter(readings, fitted)
        fewer = math.sqrt(len(readings) / averaged) if averaged else 1.0
        components.append(Component("scatter", fewer * found.u, found.dof))
    if zero_u > 0.0:
        components.append(Component("lead or zero correction", zero_u))
    whole = combine(components)
    normal = combine([c for c in components if c.half_width is None])
    sigma = normal.u * normal.k / t95(math.inf)
    expanded = coverage_half_width([c.half_width for c in components if c.half_width is not None], sigma)
    k = expanded / whole.u if whole.u > 0.0 else 0.0
    return Budget(x - zero, tuple(components), whole.u, whole.dof, k, expanded)


@dataclass(frozen=True, slots=True)
class Stated:
    """The line of a meter sheet that holds for a reading, with what else to allow for."""

    accuracy: Accuracy | None
    extra_fraction: float
    reason: str
    """Why nothing is stated, or what limits it; empty otherwise."""


def _same(stated: float | None, asked: float | None) -> bool:
    """Whether two ranges are the same; one may have been divided by turns and multiplied again."""
    if stated is None or asked is None:
        return stated is asked
    return math.isclose(stated, asked, rel_tol=1e-9)


def accuracy_for(
    sheet: MeterSheet,
    quantity: Quantity,
    range_: float | None = None,
    frequency_hz: float | None = None,
    crest_factor: float | None = None,
) -> Stated:
    """The accuracy a sheet states for a quantity on a range, at a frequency and crest factor.

    The line of that range, or of all ranges; where the range is not known the widest that holds. None with
    the reason where the sheet states nothing for these conditions, or the waveform is peakier than it allows.
    An average-responding meter is right for a sine only.
    """
    of_quantity = [a for a in sheet.accuracy if a.quantity is quantity]
    on_range = [a for a in of_quantity if range_ is None or a.range is None or _same(a.range, range_)]
    at_frequency = [a for a in on_range if frequency_hz is None or a.low_hz <= frequency_hz <= a.high_hz]
    if not at_frequency:
        missing = "this frequency" if on_range else ("this range" if of_quantity else quantity.label)
        return Stated(None, 0.0, f"the meter sheet states no accuracy for {missing}")
    exact = [a for a in at_frequency if _same(a.range, range_)] or at_frequency
    line = max(exact, key=lambda a: a.reading_fraction) if range_ is None else exact[0]
    if crest_factor is None:
        return Stated(line, 0.0, "")
    if sheet.response is Response.AVERAGE and abs(crest_factor - _SINE_CREST) > 0.1:
        return Stated(
            None, 0.0, f"an average-responding meter reads wrong at crest factor {crest_factor:.1f}"
        )
    if sheet.crest_factor is not None and crest_factor > sheet.crest_factor:
        return Stated(
            None, 0.0, f"the crest factor {crest_factor:.1f} is above the meter's {sheet.crest_factor:.1f}"
        )
    return Stated(line, line.crest_extra if crest_factor > line.crest_from else 0.0, "")
