"""What the next step may draw if nothing new wakes up: a range, never a promise."""

import math
from collections.abc import Callable, Sequence
from statistics import median

from benchlog.limits import curve
from benchlog.limits.bringup import StepLimits, u_a
from benchlog.measure.interpolate import value

Forecast = tuple[float, float, float]
"""Low, middle and high current in A."""

_REFERENCE_BAND = 1.10
"""Least factor up and down from a reference unit's curve."""
_MAKER_BAND = 1.30
_OWN_BAND = 1.35
"""Factors for the curve of the kind, scaled by the maker's idle figure or by the unit's own earlier steps.

Ours: median errors of 0.8, 7 and 7-9 % and coverages of 84-95 % on simulated units, widened for units unlike
those; no coverage is claimed.
"""


def _reference(limits: StepLimits) -> tuple[Callable[[float], float | None], float] | None:
    line, upper = limits.reference_curve, limits.reference_upper
    if line is None or upper is None:
        return None

    def current_a(v: float) -> float | None:
        return math.exp(value(line, v)) if line.x[0] <= v <= line.x[-1] else None

    band = max(math.exp(value(upper, float(x)) - value(line, float(x))) for x in line.x)
    return current_a, max(band, _REFERENCE_BAND)


def _kind(limits: StepLimits) -> tuple[Callable[[float], float | None], float]:
    expectation = limits.expectation
    maker = expectation.maker_a is not None

    def current_a(v: float) -> float | None:
        scaled = curve.maker_a(expectation, v) if maker else curve.expected_a(expectation, v)
        return None if scaled is None or scaled <= 0.0 else (scaled / 1.15 if maker else scaled)

    return current_a, _MAKER_BAND if maker else _OWN_BAND


def forecast_a(limits: StepLimits, seen: Sequence[tuple[float, float]], v: float) -> Forecast | None:
    """Range at the fraction v, from ``seen``: (v, settled A) of this run's earlier steps that stood above U.

    ln Î(v) = ln I_base(v) + median of the last three (ln I − ln I_base); the base is a reference unit, else
    the curve of the kind scaled to the maker's idle figure, else that curve scaled by the earlier steps.
    None where there is no basis. Source: ours, tried on simulated units.
    """
    reference = _reference(limits)
    if reference is not None and reference[0](v) is not None:
        base, band = reference
    elif limits.expectation.maker_a is not None or seen:
        base, band = _kind(limits)
    else:
        return None
    at_v = base(v)
    if at_v is None:
        return None
    shifts = [math.log(x / b) for b, x in ((base(s), x) for s, x in seen[-3:]) if b is not None and x > 0.0]
    if not shifts and base is not None and limits.expectation.maker_a is None and reference is None:
        return None
    middle = at_v * math.exp(median(shifts) if shifts else 0.0)
    error_a = u_a(limits, middle)
    return max(middle / band - error_a, 0.0), middle, middle * band + error_a
