"""What the next step may draw if nothing new wakes up: a range with what it assumes, never a promise.

    forecast_current(limits, seen, v) -> Forecast | None       amperes
    forecast_power(limits, seen, v) -> Forecast | None         watts, where they are measured

The basis is a reference unit of the model, else the maker's idle figure, else the curve of the kind moved
to the unit's own steps. Source: ours, tried on simulated units; no share is attached to it for models not
on file.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from benchlog.limits import curve
from benchlog.limits.bringup import StepLimits, u_a
from benchlog.measure.forecast import LEAST_BAND, shifted
from benchlog.measure.interpolate import Pchip, pchip, value
from benchlog.model.reference import Reference

MAKER_BAND = 1.30
OWN_BAND = 1.35
"""Factors up and down where no reference unit is on file: median errors of 7-9 % on simulated units, widened
for units unlike those. No coverage is claimed."""


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


def _within(line: Pchip, v: float) -> float | None:
    return math.exp(value(line, v)) if line.x[0] <= v <= line.x[-1] else None


def _units(reference: Reference) -> str:
    many = f" ({reference.units} units)" if reference.units > 1 else ""
    return f"draws like the reference {reference.name}{many}, if nothing new wakes up"


def _of_reference(limits: StepLimits, line: Pchip) -> _Basis | None:
    reference = limits.reference
    if reference is None:
        return None
    band = max(p.upper_a / p.current_a for p in reference.points if p.current_a > 0.0)
    return _Basis(lambda v: _within(line, v), max(band, LEAST_BAND), True, _units(reference))


def _of_kind(limits: StepLimits, per_volt: bool) -> _Basis:
    """The curve of the kind; for watts times the voltage and the usual power factor at idle."""
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
        return _Basis(at, MAKER_BAND, True, "the maker's idle figure and the usual curve of its kind hold")
    return _Basis(
        at, OWN_BAND, False, "it goes on along the usual curve of its kind from its own earlier steps"
    )


def _forecast(basis: _Basis, seen: Sequence[tuple[float, float]], v: float) -> Forecast | None:
    base = basis.at(v)
    pairs = [(x, at) for x, at in ((x, basis.at(f)) for f, x in seen) if at is not None and x > 0.0]
    if base is None or not (pairs or basis.stands_alone):
        return None
    middle = shifted(base, pairs)
    return Forecast(middle / basis.band, middle, middle * basis.band, basis.assumes)


def forecast_current(limits: StepLimits, seen: Sequence[tuple[float, float]], v: float) -> Forecast | None:
    """Range of the settled current at the fraction v, in A, widened by the meter's U.

    ``seen``: (fraction, settled A) of this run's earlier steps that stood above U, oldest first. None
    where there is no basis: no reference at this voltage, no maker's figure, and no earlier step.
    """
    bases = [_of_reference(limits, limits.reference_curve)] if limits.reference_curve else []
    for basis in (*bases, _of_kind(limits, per_volt=False)):
        found = _forecast(basis, seen, v) if basis else None
        if found is not None:
            error = u_a(limits, found.middle)
            return Forecast(max(found.low - error, 0.0), found.middle, found.high + error, found.assumes)
    return None


def forecast_power(limits: StepLimits, seen: Sequence[tuple[float, float]], v: float) -> Forecast | None:
    """Range of the settled watts at the fraction v. ``seen``: (fraction, settled W) of earlier steps."""
    line = _power_curve(limits.reference)
    bases = [_of_reference(limits, line)] if line else []
    for basis in (*bases, _of_kind(limits, per_volt=True)):
        found = _forecast(basis, seen, v) if basis else None
        if found is not None:
            return found
    return None


def _power_curve(reference: Reference | None) -> Pchip | None:
    if reference is None:
        return None
    points = [(p.fraction, p.power_w) for p in reference.points if p.power_w is not None and p.power_w > 0.0]
    return pchip([v for v, _ in points], [math.log(w) for _, w in points]) if len(points) >= 2 else None
