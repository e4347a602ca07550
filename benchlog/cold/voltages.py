"""Volts with power on: DC at an output by its topology, bias across an emitter resistor."""

import msgspec

from benchlog.cold.known import Judgement, Seen, none
from benchlog.cold.zones import Zones, graded
from benchlog.limits.powered import (
    bias_high,
    bias_low,
    offset_doubtful,
    offset_outside,
    ohms_gate,
    touch_gate,
)
from benchlog.model.known import Known
from benchlog.model.printed import with_prefix
from benchlog.model.reading import Status
from benchlog.model.step import PointVerdict
from benchlog.model.unit import OutputTopology


def judge_offset(seen: Seen, known: Known) -> Judgement:
    """|DC| at the output, on the amplifier's side of the relay; unknown topology is shown, not judged."""
    if known.topology is OutputTopology.UNKNOWN:
        return none("DC offset is judged by the output's topology, which is not known")
    bad = offset_outside(known.topology)
    if seen.value is None:
        return none("no usable reading", bad)
    return graded(abs(seen.value), seen.u, Zones(high=offset_doubtful(known.topology), bad_high=bad))


def judge_bias(seen: Seen, known: Known) -> Judgement:
    """Millivolts that makers ask for across an emitter resistor, warm; the unit's own figure comes first."""
    if seen.value is None:
        return none("no usable reading")
    found = graded(abs(seen.value), seen.u, Zones(low=bias_low(), high=bias_high()))
    if found.verdict is PointVerdict.DOUBTFUL:
        return msgspec.structs.replace(found, reason="beyond what most makers ask for: see the unit's manual")
    return found


def judge_reservoir(seen: Seen, meter_proved: bool) -> Judgement:
    """|DC| at a reservoir's own terminals: proved empty below 1 V by a proved meter, charged from 10 V."""
    if seen.status is Status.OVERLOAD:
        reason = "CHARGED beyond the meter's range: do not touch; read it on a higher one"
        return Judgement(PointVerdict.OUTSIDE, reason, touch_gate())
    if seen.value is None:
        return none("no usable reading", ohms_gate())
    found = graded(abs(seen.value), seen.u, Zones(high=ohms_gate(), bad_high=touch_gate()))
    reason = _charge(abs(seen.value))
    if reason:
        return msgspec.structs.replace(found, reason=reason)
    if found.verdict is PointVerdict.WITHIN and not meter_proved:
        reason = "the meter was not shown to read a known source before and after: not proved"
        return msgspec.structs.replace(found, verdict=PointVerdict.NONE, reason=reason)
    return found


def _charge(volts: float) -> str:
    """What is said of volts at a reservoir; empty below the gate for ohms."""
    if volts >= touch_gate().value:
        return f"CHARGED to {with_prefix(volts, 'V')}: do not touch; discharge it, then read it again"
    if volts >= ohms_gate().value:
        return f"still charged to {with_prefix(volts, 'V')}: discharge it and read it again"
    return ""
