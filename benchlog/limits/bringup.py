"""The limits of a bring-up step, at any inlet voltage v = volts ÷ nominal.

    step_limits(unit, meter, source_rating_a=None, reference=None) -> StepLimits     once a run
    stop_a(l, v) -> float                I_stop: each reading is held against it (a few microseconds)
    acceptance_a(l, v) -> float          I_acc
    stop(l, v), acceptance(l, v) -> Limit            the same with source and confidence
    floor_a(l), ceiling_a(l, v), hard_bound_a(l) -> float      (the last two may be infinite)
    hard_bound(l) -> Limit | None
    u_a(l, x) -> float                   U(x), for I_stop, floor and cannot judge
    go_up_u_a(l, x) -> float             U at max(x, least specified current ÷ turns), for go up
    cannot_judge(l, v) -> bool           U > I_acc/2
    cannot_watch(l, v) -> bool           I_acc + 2U above the hard bound
    turns_needed(l, v) -> int            turns of the conductor that would make the step judgeable
    remedy(l, v) -> str                  what would help; empty where the step can be judged and watched

Currents in A r.m.s. Source of all rules: ours, tried on simulated units; common practice, no source.
"""

import math
from dataclasses import dataclass, replace
from typing import NamedTuple

import msgspec

from benchlog.bench.sheet import CurrentMeter
from benchlog.limits import curve
from benchlog.measure.interpolate import Pchip, continued, pchip
from benchlog.measure.uncertainty import linear_u
from benchlog.model.limit import Confidence, Limit
from benchlog.model.reference import Reference
from benchlog.model.unit import Amplifier, Supply, Unit

_LEAST_FLOOR_A = 0.025
_MOST_TURNS = 20

STOP_FACTOR = 1.5
"""I_stop ÷ I_acc."""
STOP_FACTOR_PLATE_AB = 1.7
"""The same for class AB on a linear supply where the nameplate is all that is known: good units idle at 0.13
to more than 0.5 of their plate's current. With 1.5, 3 to 5 of 1218 good ones had a step at or above their
stop limit, by 10 % at most, and 17 % of the toroidal ones would have had with a plate 25 % too low (ours)."""
REFERENCE_REACH = 0.03
"""Fraction of nominal by which a reference serves beyond its first and last voltage, its curve continued: two
dials set to one mark differ by that, and without it the last step fell back on the nameplate (ours)."""


class _Bound(NamedTuple):
    value_a: float
    source: str
    confidence: Confidence


@dataclass(frozen=True, slots=True)
class StepLimits:
    """Everything about a run that its limits depend on, worked out once."""

    unit: Unit
    meter: CurrentMeter
    expectation: curve.Expectation
    floor: _Bound
    hard: _Bound
    cap: _Bound
    """The least of fuse and source rating: I_acc never exceeds it."""
    plate_ceiling: bool
    """Class AB on a linear supply."""
    reference: Reference | None
    reference_curve: Pchip | None
    reference_upper: Pchip | None


_UNBOUNDED = _Bound(math.inf, "no bound", Confidence.OURS)


def u_a(limits: StepLimits, x: float) -> float:
    """U(x) in A by the linear bound of the meter sheet."""
    m = limits.meter
    return linear_u(x, m.a, m.counts, m.count_a, m.turns)


def go_up_u_a(limits: StepLimits, x: float) -> float:
    """U in A for *go up*: taken at the least specified current where the reading is below it."""
    m = limits.meter
    return u_a(limits, max(abs(x), m.least_a / m.turns))


def _current_of_two_u(meter: CurrentMeter) -> float:
    """The current that equals 2U of itself; infinite for a meter whose 2U always exceeds the reading."""
    rest = 1.0 - 2.0 * linear_u(1.0, meter.a, 0.0, 0.0)
    fixed = 2.0 * linear_u(0.0, 0.0, meter.counts, meter.count_a, meter.turns)
    return fixed / rest if rest > 0.0 else math.inf


def _floor(rated_a: float, meter: CurrentMeter) -> _Bound:
    two_u = _current_of_two_u(meter)
    by_meter = (
        _Bound(two_u, "floor: twice the meter's uncertainty", Confidence.OURS)
        if two_u < 0.08 * rated_a
        else _Bound(0.08 * rated_a, "floor: 8 % of the rated current", Confidence.OURS)
    )
    return max(
        _Bound(0.05 * rated_a, "floor: 5 % of the rated current", Confidence.OURS),
        _Bound(_LEAST_FLOOR_A, "floor: 25 mA", Confidence.OURS),
        by_meter,
        key=lambda bound: bound.value_a,
    )


def _cap(unit: Unit, source_rating_a: float | None) -> _Bound:
    bounds = [_UNBOUNDED]
    if unit.fuse is not None:
        bounds.append(
            _Bound(unit.fuse.rated_a, f"rated current of the fuse {unit.fuse.marking}", Confidence.OURS)
        )
    if source_rating_a is not None:
        bounds.append(_Bound(source_rating_a, "rated current of the source", Confidence.MAKER))
    return min(bounds, key=lambda bound: bound.value_a)


def _log_curve(reference: Reference | None, upper: bool) -> Pchip | None:
    if reference is None or len(reference.points) < 2:
        return None
    currents = [p.upper_a if upper else p.current_a for p in reference.points]
    return pchip([p.fraction for p in reference.points], [math.log(max(a, 1e-6)) for a in currents])


def step_limits(
    unit: Unit,
    meter: CurrentMeter,
    source_rating_a: float | None = None,
    reference: Reference | None = None,
) -> StepLimits:
    """Work out what the limits of a run depend on.

    ``source_rating_a`` None where the source's rating is not known. `UsageError` where the unit has no
    nameplate figure, or the reference has steps that do not rise.
    """
    cap = _cap(unit, source_rating_a)
    plate = unit.amplifier is Amplifier.CLASS_AB and unit.supply is Supply.LINEAR
    of_plate = (
        _Bound(1.1 * unit.rated_a, "110 % of the rated current", Confidence.OURS) if plate else _UNBOUNDED
    )
    return StepLimits(
        unit=unit,
        meter=meter,
        expectation=curve.expect(unit),
        floor=_floor(unit.rated_a, meter),
        hard=min(cap, of_plate, key=lambda bound: bound.value_a),
        cap=cap,
        plate_ceiling=plate,
        reference=reference,
        reference_curve=_log_curve(reference, upper=False),
        reference_upper=_log_curve(reference, upper=True),
    )


def floor_a(limits: StepLimits) -> float:
    """max(0.05·Ir, 25 mA, min(I that equals 2U, 0.08·Ir))."""
    return limits.floor.value_a


def ceiling_a(limits: StepLimits, v: float) -> float:
    """Class AB, linear supply: 0.5·Ir up to v = 0.90, linear to 1.1·Ir at 0.93; infinite elsewhere."""
    if not limits.plate_ceiling:
        return math.inf
    return limits.expectation.rated_a * (0.5 + 0.6 * min(max((v - 0.90) / 0.03, 0.0), 1.0))


def hard_bound_a(limits: StepLimits) -> float:
    """The least of fuse 1.0·In, source rating and (class AB, linear) 1.1·Ir; infinite where none is known."""
    return limits.hard.value_a


def hard_bound(limits: StepLimits) -> Limit | None:
    """The hard bound with its source; None where none is known."""
    return None if math.isinf(limits.hard.value_a) else _limit("hard-bound", limits.hard)


def _reference_a(limits: StepLimits, v: float) -> float | None:
    line, upper = limits.reference_curve, limits.reference_upper
    if line is None or upper is None:
        return None
    if not line.x[0] - REFERENCE_REACH <= v <= line.x[-1] + REFERENCE_REACH:
        return None
    return max(math.exp(continued(upper, v)), 1.10 * math.exp(continued(line, v)))


def _acceptance(limits: StepLimits, v: float) -> tuple[float, str]:
    """I_acc in A and the rule that decided it."""
    e = limits.expectation
    rule, expected = "reference", _reference_a(limits, v)
    if expected is None:
        rule, expected = "maker", curve.maker_a(e, v)
    if expected is None or (rule == "maker" and limits.reference_curve is not None):
        rule, expected = "plate", curve.nameplate_a(e, v)
    if expected < limits.floor.value_a:
        rule, expected = "floor", limits.floor.value_a
    if rule != "maker":
        ceiling = ceiling_a(limits, v)
        if expected > ceiling:
            rule, expected = "ceiling", ceiling
    if expected > limits.cap.value_a:
        rule, expected = "cap", limits.cap.value_a
    return expected, rule


def acceptance_a(limits: StepLimits, v: float) -> float:
    """I_acc at v: reference, maker's idle figure or nameplate; then floor, ceiling, fuse and source rating.

    Outside a reference's voltages the nameplate row serves, also where the maker's figure is known. The
    ceiling does not hold for the maker's figure.
    """
    return _acceptance(limits, v)[0]


def stop_factor(limits: StepLimits) -> float:
    """I_stop ÷ I_acc: 1.5; 1.7 for class AB on a linear supply of which only the nameplate is known."""
    by_plate = limits.reference is None and limits.expectation.maker_a is None
    return STOP_FACTOR_PLATE_AB if by_plate and limits.plate_ceiling else STOP_FACTOR


def stop_a(limits: StepLimits, v: float) -> float:
    """I_stop at v: max(factor·I_acc, I_acc + 2U), capped at the hard bound but never below I_acc + 2U.

    The factor is that of `stop_factor`.
    """
    acceptance = _acceptance(limits, v)[0]
    least = acceptance + 2.0 * u_a(limits, acceptance)
    return max(min(max(stop_factor(limits) * acceptance, least), limits.hard.value_a), least)


def _limit(name: str, bound: _Bound) -> Limit:
    return Limit(name, bound.value_a, "A", bound.source, bound.confidence)


def _acceptance_bound(limits: StepLimits, v: float) -> _Bound:
    amperes, rule = _acceptance(limits, v)
    if rule == "floor":
        return limits.floor
    if rule == "cap":
        return limits.cap
    if rule == "reference" and limits.reference is not None:
        return _Bound(
            amperes, f"reference unit {limits.reference.name}: upper edge of its band", Confidence.OURS
        )
    if rule == "maker":
        return _Bound(amperes, "maker's idle figure, × 1.15", Confidence.MAKER)
    if rule == "ceiling":
        share = amperes / limits.expectation.rated_a
        return _Bound(amperes, f"nameplate ceiling: {share:.0%} of the rated current", Confidence.OURS)
    return _Bound(amperes, "nameplate: idle current expected from it, × 1.25", Confidence.OURS)


def acceptance(limits: StepLimits, v: float) -> Limit:
    """I_acc at v in A, with the rule that decided it."""
    return _limit("acceptance", _acceptance_bound(limits, v))


def stop(limits: StepLimits, v: float) -> Limit:
    """I_stop at v in A, with the rule that decided it."""
    bound = _acceptance_bound(limits, v)
    least = bound.value_a + 2.0 * u_a(limits, bound.value_a)
    amperes = stop_a(limits, v)
    if amperes == limits.hard.value_a:
        return _limit("stop", limits.hard._replace(source=f"hard bound: {limits.hard.source}"))
    factor = (
        "acceptance limit + twice the meter's uncertainty"
        if amperes == least
        else f"{stop_factor(limits):g} × acceptance limit"
    )
    return Limit("stop", amperes, "A", f"{factor} ({bound.source})", bound.confidence)


def cannot_judge(limits: StepLimits, v: float) -> bool:
    """Whether the meter is too coarse for the acceptance limit at v: U > I_acc/2."""
    amperes = acceptance_a(limits, v)
    return u_a(limits, amperes) > amperes / 2.0


def cannot_watch(limits: StepLimits, v: float) -> bool:
    """Whether this meter can't watch this unit at v: I_acc + 2U above the hard bound."""
    amperes = acceptance_a(limits, v)
    return amperes + 2.0 * u_a(limits, amperes) > limits.hard.value_a


def turns_needed(limits: StepLimits, v: float) -> int:
    """Turns of the conductor through the clamp that make U small enough for the step.

    U₁ ÷ max(12.5 mA, 0.04·Ir), rounded up; U₁ is U at I_acc with one turn. Where that leaves U a little above
    I_acc/2 all the same (the part in % of reading does not fall with the turns), the turns that do not.
    """
    m = limits.meter
    one_turn = linear_u(acceptance_a(limits, v), m.a, m.counts, m.count_a)
    turns = max(math.ceil(one_turn / max(0.0125, 0.04 * limits.expectation.rated_a) - 1e-9), 1)
    while turns < _MOST_TURNS and _coarse_with(limits, v, turns):
        turns += 1
    return turns


def _coarse_with(limits: StepLimits, v: float, turns: int) -> bool:
    """Whether the step can't be judged with that many turns, its floor worked out anew."""
    meter = msgspec.structs.replace(limits.meter, turns=turns)
    return cannot_judge(replace(limits, meter=meter, floor=_floor(limits.expectation.rated_a, meter)), v)


def remedy(limits: StepLimits, v: float) -> str:
    """What would help where this meter can't judge or can't watch the step; empty otherwise."""
    watch = cannot_watch(limits, v)
    if not watch and not cannot_judge(limits, v):
        return ""
    lead = "This meter can't watch this unit: " if watch else "This meter can't judge this step: "
    turns = turns_needed(limits, v)
    more = f"pass the conductor through a clamp {turns} times, " if turns > limits.meter.turns else ""
    return f"{lead}{more}use a finer meter, or bring the unit up behind a series lamp first."
