"""Final checks with their limits: what is set by a trimmer, rails, ripple, output, and the safety figures.

    judge_adjusted(adjusted) -> Adjusted             bias and offset, at declared warmth
    judge_final(check, facts) -> FinalChecked        one check of one channel
    judge_safety(measured, today_iso) -> SafetyMeasured   a record; never a certificate

What was only seen or heard is recorded and not judged.
"""

import math

import msgspec

from benchlog.cold.known import Judgement, Seen, none
from benchlog.cold.voltages import judge_bias, judge_offset
from benchlog.cold.zones import Zones, graded
from benchlog.limits.powered import rail_asymmetry, ripple_pp
from benchlog.limits.safety import safety
from benchlog.model.errors import UsageError
from benchlog.model.known import Known
from benchlog.model.limit import Confidence, Limit
from benchlog.model.point import PointKind
from benchlog.model.quantity import Quantity
from benchlog.model.step import PointVerdict
from benchlog.model.work import (
    Adjusted,
    Adjustment,
    FinalCheck,
    FinalChecked,
    SafetyMeasured,
)

RIPPLE_TIMES = 2.0
"""Measured ÷ estimated ripple above which a reservoir is suspect (common practice, no source)."""
RAILS_APART = 0.10
"""Fraction between the rails from which they are outside (the rule of a bring-up; ours)."""
LOWEST = frozenset({"insulation-ohms"})
"""Safety tests whose limit is a least value; of the others it is a greatest one."""

AMPLIFIER, LOUDSPEAKER, NO_RELAY = "amplifier", "loudspeaker", "no relay"
RELAY_SIDES = (AMPLIFIER, LOUDSPEAKER, NO_RELAY)


def judge_adjusted(adjusted: Adjusted) -> Adjusted:
    """The adjustment with its verdict; ``after`` is judged, warm."""
    if not adjusted.channel.strip():
        raise UsageError("An adjustment is of one channel: name it.")
    if adjusted.before is None and adjusted.after is None:
        raise UsageError("An adjustment needs a reading: before, after, or both.")
    found = _warm(adjusted, _set(adjusted))
    return msgspec.structs.replace(adjusted, verdict=found.verdict, reason=found.reason, limit=found.limit)


def _set(adjusted: Adjusted) -> Judgement:
    seen = Seen(PointKind.DC_VOLTS, adjusted.after, adjusted.u)
    if adjusted.after is None:
        return none("no reading after it")
    if adjusted.target_v is not None:
        return _by_maker(adjusted)
    if adjusted.what is Adjustment.OFFSET:
        return judge_offset(seen, Known(topology=adjusted.topology))
    return judge_bias(seen, Known())


def _by_maker(adjusted: Adjusted) -> Judgement:
    target, within = adjusted.target_v or 0.0, adjusted.target_within_v
    source = f"the unit's manual, {1e3 * target:g} mV"
    if within is None:
        limit = Limit("adjustment", target, "V", source, Confidence.MAKER)
        return none("the manual's figure has no tolerance: say it to have it judged", limit)
    source += f" ± {1e3 * within:g} mV"
    low, high = (
        Limit("adjustment", edge, "V", source, Confidence.MAKER)
        for edge in (target - within, target + within)
    )
    return graded(adjusted.after or 0.0, adjusted.u, Zones(low, high, low, high))


def _warm(adjusted: Adjusted, found: Judgement) -> Judgement:
    """Nothing is passed at a warmth that nobody declared; what is outside is outside."""
    if adjusted.warm_min is not None or found.verdict in (PointVerdict.OUTSIDE, PointVerdict.NONE):
        return found
    reason = "how long the unit had been on is not declared"
    return msgspec.structs.replace(found, verdict=PointVerdict.NONE, reason=reason)


def bias_current_a(adjusted: Adjusted) -> float | None:
    """Quiescent current of one device in A, V ÷ R of its emitter resistor; None where not known."""
    if adjusted.what is not Adjustment.BIAS or adjusted.after is None or not adjusted.emitter_ohm:
        return None
    return adjusted.after / adjusted.emitter_ohm


def rails(plus: float, minus: float, u: float | None) -> Judgement:
    """How far |V+| and |V−| are apart, as a fraction of their mean; u of each in V."""
    mean = 0.5 * (abs(plus) + abs(minus))
    if not mean > 0.0 or plus * minus > 0.0:
        raise UsageError("Rails are one above and one below zero, e.g. 41.2 and -41.0.")
    apart = abs(abs(plus) - abs(minus)) / mean
    bad = Limit("rails-apart", RAILS_APART, "", "rails unequal by more than 10 %; ours", Confidence.OURS)
    spread = None if u is None else math.sqrt(2.0) * u / mean
    return graded(apart, spread, Zones(high=rail_asymmetry(), bad_high=bad))


def ripple(measured_v: float, u: float | None, current_a: float, farad: float, mains_hz: float) -> Judgement:
    """Peak-to-peak ripple in V against I/(2fC): above twice that C is low or its ESR high."""
    expected = ripple_pp(current_a, farad, mains_hz)
    limit = Limit(
        "ripple", RIPPLE_TIMES * expected.value, "V", f"twice {expected.source}", Confidence.COMMON_PRACTICE
    )
    return graded(measured_v, u, Zones(high=limit))


def offset(value: float, u: float | None, known: Known, relay_side: str) -> Judgement:
    """DC at an output; behind an open relay everything reads zero, so that side can fail and never pass."""
    found = judge_offset(Seen(PointKind.DC_VOLTS, value, u), known)
    if found.verdict in (PointVerdict.WITHIN, PointVerdict.DOUBTFUL) and relay_side not in (
        AMPLIFIER,
        NO_RELAY,
    ):
        reason = "behind an open relay everything reads 0: read it on the amplifier's side and say so"
        return msgspec.structs.replace(found, verdict=PointVerdict.NONE, reason=reason)
    return found


class Circumstances(msgspec.Struct, frozen=True):
    """What a final check needs besides its readings."""

    supply_a: float | None = None
    """DC current that the reservoir gives, for ripple."""
    farad: float | None = None
    mains_hz: float = 60.0
    target_v: float | None = None
    target_within_v: float | None = None


def judge_final(checked: FinalChecked, around: Circumstances = Circumstances()) -> FinalChecked:  # noqa: B008
    """The check with its verdict, and power worked out where volts and load are known."""
    if checked.relay_side not in ("", *RELAY_SIDES):
        raise UsageError(f"Side '{checked.relay_side}' of the relay: say {', '.join(RELAY_SIDES)}.")
    if checked.value is None and not checked.seen.strip():
        raise UsageError(f"A check of {checked.check.value} needs a reading, or what was seen or heard.")
    found = _judged(checked, around)
    return msgspec.structs.replace(
        checked, verdict=found.verdict, reason=found.reason, limit=found.limit, power_w=_power(checked)
    )


def _judged(checked: FinalChecked, around: Circumstances) -> Judgement:
    if checked.value is None:
        return none("seen or heard, not measured")
    match checked.check:
        case FinalCheck.OFFSET:
            return offset(checked.value, checked.u, Known(topology=checked.topology), checked.relay_side)
        case FinalCheck.RAILS:
            if checked.second is None:
                return none("one rail alone is not judged: give the other")
            return rails(checked.value, checked.second, checked.u)
        case FinalCheck.BIAS if around.target_v is not None:
            set_ = Adjusted(
                Adjustment.BIAS, "-", None, checked.value, u=checked.u, target_v=around.target_v,
                target_within_v=around.target_within_v,
            )  # fmt: skip
            return _by_maker(set_)
        case FinalCheck.BIAS:
            return judge_bias(Seen(PointKind.DC_VOLTS, checked.value, checked.u), Known())
        case FinalCheck.RIPPLE:
            if around.supply_a is None or around.farad is None:
                return none("ripple is judged by the current drawn and the capacitance: give both")
            return ripple(checked.value, checked.u, around.supply_a, around.farad, around.mains_hz)
        case _:
            return none("shown, not judged: no limit on file; compare it with the unit's manual")


def _power(checked: FinalChecked) -> float | None:
    """Power into the load in W from volts r.m.s., V² ÷ R."""
    if checked.check is not FinalCheck.OUTPUT or checked.value is None or checked.load_ohm is None:
        return checked.power_w
    if checked.quantity is not Quantity.AC_VOLTAGE or not checked.load_ohm > 0.0:
        raise UsageError("Power is worked out of volts AC (r.m.s.) over a load above zero ohms.")
    return checked.value * checked.value / checked.load_ohm


def judge_safety(measured: SafetyMeasured, today_iso: str) -> SafetyMeasured:
    """The figure beside the limit of the scheme that was chosen. `UsageError` where none is on file.

    No verdict where the limit is from memory, the calibration is overdue or its date not given, or the
    uncertainty not known. ``today_iso``: date of the measurement.
    """
    if not measured.tester.strip():
        raise UsageError("Safety figures are measured by a person licensed for it where you are: name them.")
    limit = safety(measured.test, measured.scheme, measured.protection)
    found = _safety(measured, limit, today_iso)
    return msgspec.structs.replace(measured, verdict=found.verdict, reason=found.reason, limit=limit)


def _safety(measured: SafetyMeasured, limit: Limit, today_iso: str) -> Judgement:
    if measured.value is None:
        return none("no usable reading", limit)
    if not measured.instrument.strip() or not measured.calibration_due:
        return none("recorded only: the instrument and the date its calibration is due are not given", limit)
    if measured.calibration_due < today_iso:
        return none(f"recorded only: the calibration was due {measured.calibration_due}", limit)
    least = measured.test in LOWEST
    if measured.over_range and not least:
        return none("beyond the tester's range", limit)
    if least:
        return graded(measured.value, measured.u, Zones(low=limit, bad_low=limit))
    return graded(measured.value, measured.u, Zones(high=limit, bad_high=limit))
