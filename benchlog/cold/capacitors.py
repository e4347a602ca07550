"""Electrolytic capacitors: ESR and capacitance, in circuit and out of it, used and new.

In circuit ESR can fail a part and never pass it: what lies in parallel only lowers the reading.
"""

import msgspec

from benchlog.cold.known import Judgement, Seen, none
from benchlog.cold.zones import Zones, graded
from benchlog.limits.parts import ESR_FLOOR_OHM, esr_doubtful, esr_outside, esr_spec, esr_usual, rail_short
from benchlog.model.known import Known
from benchlog.model.limit import Confidence, Limit
from benchlog.model.point import PointKind
from benchlog.model.reading import Status
from benchlog.model.step import PointVerdict

LEAST_FULL_SCALE_OHM = 10.0
"""Full scale that any ESR meter has at least (common practice, no source)."""

_LIFT = "low ESR and low ohms: shorted, or something low in parallel; lift a leg"


def judge_capacitor(seen: Seen, known: Known) -> Judgement:
    """ESR or capacitance of an electrolytic capacitor."""
    return _esr(seen, known) if seen.kind is PointKind.ESR else _capacitance(seen, known)


def esr_zones(known: Known) -> Zones:
    """Limits of ESR in Ω; `known` has capacitance and rated voltage.

    Used: doubtful above twice the usual new part, outside from ten times that (common practice) or from
    twice the series' own limit, the end of life that makers state, where that is less. New: within up to the
    usual, outside above the series' own limit.
    """
    c_f, rated_v = known.farad or 0.0, known.rated_v or 0.0
    usual = esr_usual(c_f, rated_v, known.family, known.celsius)
    spec = esr_spec(c_f, rated_v, known.family)
    twice = esr_doubtful(c_f, rated_v, known.family, known.celsius)
    if not known.used:
        return Zones(high=usual, bad_high=spec if spec.value > usual.value else twice)
    ten = esr_outside(c_f, rated_v, known.family, known.celsius)
    end = Limit(
        "esr-end-of-life", 2.0 * spec.value, "Ω", f"end of life: twice {spec.source}", Confidence.MAKER
    )
    return Zones(high=twice, bad_high=end if twice.value < end.value < ten.value else ten)


def _esr(seen: Seen, known: Known) -> Judgement:
    if known.farad is None or known.rated_v is None:
        return none("ESR is judged by capacitance and rated voltage: give both")
    zones = esr_zones(known)
    if seen.is_open:
        return _open(seen, zones)
    if seen.value is None:
        return none("no usable reading")
    y = seen.value - (known.lead_zero_ohm or 0.0)
    found = graded(y, seen.u, zones)
    if found.verdict is PointVerdict.NONE or found.verdict is PointVerdict.OUTSIDE:
        return found
    if known.across_ohm is not None and known.across_ohm < rail_short().value:
        return _low_ohms(seen, found)
    if y < ESR_FLOOR_OHM:
        return none(f"at the floor of leads and meter ({ESR_FLOOR_OHM:g} Ω)", found.limit)
    if found.verdict is PointVerdict.WITHIN and seen.in_circuit is not False:
        where = "in circuit" if seen.in_circuit else "not said to be out of circuit"
        return msgspec.structs.replace(
            found, verdict=PointVerdict.NONE, reason=f"{where}: ESR can fail a part there, never pass it"
        )
    return found


def _low_ohms(seen: Seen, found: Judgement) -> Judgement:
    """A shorted capacitor reads a low ESR."""
    if seen.in_circuit is False:
        reason = "low ohms across the part, out of circuit: shorted or leaky"
        return msgspec.structs.replace(found, verdict=PointVerdict.OUTSIDE, reason=reason, limit=rail_short())
    return msgspec.structs.replace(found, verdict=PointVerdict.DOUBTFUL, reason=_LIFT)


def _open(seen: Seen, zones: Zones) -> Judgement:
    bad = zones.bad_high
    if bad is None or bad.confidence is Confidence.UNVERIFIED:
        return none("no limit on file")
    full_scale = seen.range or LEAST_FULL_SCALE_OHM
    if seen.status is Status.OVERLOAD and full_scale < bad.value:
        return none("beyond the meter's range, which ends below the limit", bad)
    return Judgement(PointVerdict.OUTSIDE, "reads open", bad)


def _capacitance(seen: Seen, known: Known) -> Judgement:
    """±20 % of the marking: the usual tolerance of a new part, and the end of life that makers state."""
    if known.farad is None:
        return none("capacitance is judged by the marking: give it")
    if seen.in_circuit is not False:
        return none("in circuit other capacitors add to it: read it out of circuit")
    if seen.value is None:
        return none("no usable reading")
    source = "±20 % of the marking, makers' tolerance and end of life"
    low = Limit("capacitance-low", 0.8 * known.farad, "F", source, Confidence.MAKER)
    high = Limit("capacitance-high", 1.2 * known.farad, "F", source, Confidence.MAKER)
    return graded(seen.value, seen.u, Zones(low=low, high=high, bad_low=low, bad_high=high))
