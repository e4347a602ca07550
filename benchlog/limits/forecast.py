"""What the next step may draw if nothing new wakes up: a range with what it assumes, never a promise.

    forecast_current(limits, seen, v, typical) -> Forecast | None              amperes
    forecast_power(limits, seen, v, typical, accuracy) -> Forecast | None      watts, where they are measured

The basis is a reference unit of the model (moved to the unit's own steps), else the unit's own last step on
the usual curve of its kind, else the maker's idle figure on that curve. Bands are split-conformal on
simulated units set aside; on units unlike those they hold less often. Source: ours; no share is attached to a
range.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from benchlog.limits import curve
from benchlog.limits.bringup import StepLimits, u_a
from benchlog.measure.forecast import LEAST_BAND, shifted
from benchlog.measure.interpolate import Pchip, pchip, value
from benchlog.measure.uncertainty import linear_u
from benchlog.model.instrument import Accuracy
from benchlog.model.reference import Reference
from benchlog.model.typical import Bands, TypicalCurve

ENOUGH_UNITS = 3
"""Reference units from which the spread between them is known."""
OLDER_MAKER_BAND = 1.30
OLDER_OWN_BAND = 1.35
"""Factors up and down where no usual curve is recorded: switch-mode supplies, and records of older runs."""
BEYOND = 0.03
"""Fraction by which a step may lie beyond the ends of a reference and still be forecast by it. Ours."""
_OWN = "it goes on along the usual curve of its kind from its own earlier steps"
_MAKER = "the maker's idle figure and the usual curve of its kind hold"


@dataclass(frozen=True, slots=True)
class Forecast:
    """Range of the next settled reading, in A or W, and what it rests on."""

    low: float
    middle: float
    high: float
    assumes: str


@dataclass(frozen=True, slots=True)
class _Basis:
    at: Callable[[float], float | None]
    band: float
    stands_alone: bool
    """Whether it predicts without any reading of this unit."""
    assumes: str
    steps: int = 3
    """How many of the unit's last steps move it; none at all where 0."""


def forecast_current(
    limits: StepLimits, seen: Sequence[tuple[float, float]], v: float, typical: TypicalCurve | None = None
) -> Forecast | None:
    """Range of the settled current at the fraction v, in A, widened by the meter's U.

    ``seen``: (fraction, settled A) of this run's earlier steps that stood above U, oldest first. None where
    there is no basis: no reference at this voltage, no maker's figure, and no earlier step.
    """
    line = limits.reference_curve
    bands = typical.current if typical else None
    bases = [_of_reference(limits.reference, line, bands, typical, v)] if limits.reference and line else []
    bases += _currents(limits, typical, v) if typical else [_older(limits, per_volt=False)]
    return _first(bases, seen, v, lambda middle: u_a(limits, middle))


def forecast_power(
    limits: StepLimits,
    seen: Sequence[tuple[float, float]],
    v: float,
    typical: TypicalCurve | None = None,
    accuracy: Accuracy | None = None,
) -> Forecast | None:
    """Range of the settled watts at the fraction v, widened by U of the wattmeter of that ``accuracy``.

    ``seen``: (fraction, settled W) of earlier steps that stood above U. None where there is no basis.
    """
    line = _power_curve(limits.reference)
    bands = typical.power if typical else None
    bases = [_of_reference(limits.reference, line, bands, typical, v)] if limits.reference and line else []
    bases += _powers(limits, typical, v) if typical else [_older(limits, per_volt=True)]
    return _first(bases, seen, v, lambda middle: power_u_w(middle, accuracy))


def power_u_w(watts: float, accuracy: Accuracy | None) -> float:
    """U of a reading in W by the linear bound; 0 where nothing is stated."""
    if accuracy is None:
        return 0.0
    of_range = linear_u(0.0, 0.0, 1.0, accuracy.range_fraction * (accuracy.range or 0.0))
    return linear_u(watts, accuracy.reading_fraction, accuracy.counts, accuracy.count) + of_range


def _first(
    bases: Sequence[_Basis], seen: Sequence[tuple[float, float]], v: float, u: Callable[[float], float]
) -> Forecast | None:
    for basis in bases:
        found = _forecast(basis, seen, v)
        if found is not None:
            error = u(found.middle)
            return Forecast(max(found.low - error, 0.0), found.middle, found.high + error, found.assumes)
    return None


def _forecast(basis: _Basis, seen: Sequence[tuple[float, float]], v: float) -> Forecast | None:
    base = basis.at(v)
    pairs = [(x, at) for x, at in ((x, basis.at(f)) for f, x in seen) if at is not None and x > 0.0]
    if base is None or not (pairs or basis.stands_alone):
        return None
    middle = shifted(base, pairs[-basis.steps :] if basis.steps else [])
    return Forecast(middle / basis.band, middle, middle * basis.band, basis.assumes)


def _within(line: Pchip, v: float) -> float | None:
    """The curve at v; a little beyond its ends, as two voltmeters may read the same step, its end's value."""
    near = line.x[0] / (1.0 + BEYOND) <= v <= line.x[-1] * (1.0 + BEYOND)
    return math.exp(value(line, v)) if near else None


def _units(reference: Reference) -> str:
    many = f" ({reference.units} units)" if reference.units > 1 else ""
    return f"draws like the reference {reference.name}{many}, if nothing new wakes up"


def _of_reference(
    reference: Reference, line: Pchip, bands: Bands | None, typical: TypicalCurve | None, v: float
) -> _Basis:
    if bands is None or typical is None:
        band = max((p.upper_a / p.current_a for p in reference.points if p.current_a > 0.0), default=1.0)
        band = max(band, LEAST_BAND)
    else:
        band = _band(typical, bands.references if reference.units >= ENOUGH_UNITS else bands.one_reference, v)
    return _Basis(lambda fraction: _within(line, fraction), band, True, _units(reference))


def _band(typical: TypicalCurve, bands: Sequence[float], v: float) -> float:
    """The factor at v, straight in its logarithm between the fractions."""
    return math.exp(float(np.interp(v, typical.fractions, np.log(bands))))


def _line(typical: TypicalCurve, shares: Sequence[float], full: float) -> Callable[[float], float]:
    """The usual curve in A or W, for ``full`` of it at full mains."""
    line = pchip(typical.fractions, shares)
    return lambda v: full * math.exp(value(line, v))


def _currents(limits: StepLimits, typical: TypicalCurve, v: float) -> list[_Basis]:
    unit, bands = limits.unit, typical.current
    found = [_Basis(_line(typical, typical.ln_current, 1.0), _band(typical, bands.own, v), False, _OWN, 1)]
    maker_a = unit.idle_a
    if maker_a is None and unit.idle_w is not None:
        maker_a = unit.idle_w / (unit.mains_v * typical.power_factor)
    if maker_a is not None:
        at = _line(typical, typical.ln_current, maker_a)
        found.append(_Basis(at, _band(typical, bands.maker, v), True, _MAKER, 0))
    return found


def _powers(limits: StepLimits, typical: TypicalCurve, v: float) -> list[_Basis]:
    unit, bands = limits.unit, typical.power
    found = [_Basis(_line(typical, typical.ln_power, 1.0), _band(typical, bands.own, v), False, _OWN, 1)]
    if unit.idle_w is not None:
        at = _line(typical, typical.ln_power, unit.idle_w)
        found.append(_Basis(at, _band(typical, bands.maker, v), True, _MAKER, 0))
    return found


def _older(limits: StepLimits, per_volt: bool) -> _Basis:
    """The curve that limits go by; for watts times the voltage and the usual power factor at idle."""
    e = limits.expectation
    known = limits.unit.idle_w is not None if per_volt else e.maker_a is not None

    def at(v: float) -> float | None:
        amperes = curve.load_a(e, v) if per_volt else curve.expected_a(e, v)
        scale = 1.0
        if per_volt:
            full = curve.load_a(e, 1.0) * limits.unit.mains_v
            scale = v * limits.unit.mains_v * (limits.unit.idle_w / full if limits.unit.idle_w else 0.6)
        elif e.maker_a is not None:
            scale = e.maker_a / curve.expected_a(e, 1.0)
        return amperes * scale or None

    if known:
        return _Basis(at, OLDER_MAKER_BAND, True, _MAKER)
    return _Basis(at, OLDER_OWN_BAND, False, _OWN)


def _power_curve(reference: Reference | None) -> Pchip | None:
    if reference is None:
        return None
    points = [(p.fraction, p.power_w) for p in reference.points if p.power_w is not None and p.power_w > 0.0]
    return pchip([v for v, _ in points], [math.log(w) for _, w in points]) if len(points) >= 2 else None
