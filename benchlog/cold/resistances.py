"""Ohms: voice coils, output pins, rails, fuses, emitter resistors, windings. Leads are taken off first."""

import msgspec

from benchlog.cold.known import Judgement, Seen, none
from benchlog.cold.zones import Zones, graded
from benchlog.limits.fuse import cold_ohms
from benchlog.limits.mains import winding_ohms
from benchlog.limits.parts import (
    emitter_resistor_high,
    emitter_resistor_low,
    output_short,
    rail_short,
    voice_coil_fail,
    voice_coil_high,
    voice_coil_low,
)
from benchlog.model.known import Known
from benchlog.model.limit import Confidence, Limit
from benchlog.model.reading import Status
from benchlog.model.step import PointVerdict

_TRADE = Confidence.COMMON_PRACTICE


def without_leads(seen: Seen, known: Known) -> float | None:
    """The reading less what the leads read together, in Ω; never below zero."""
    if seen.value is None:
        return None
    return max(seen.value - (known.lead_zero_ohm or 0.0), 0.0)


def judge_voice_coil(seen: Seen, known: Known) -> Judgement:
    """DC resistance of a voice coil against its rated impedance; it tells nothing of free travel or rub."""
    if known.rated_ohm is None:
        return none("a voice coil is judged by its rated impedance: give it")
    ohms = known.rated_ohm
    high = voice_coil_high(ohms)
    bad_high = Limit(
        "voice-coil-open", 1.2 * ohms, "Ω", "1.20 × rated impedance: open, or another impedance", _TRADE
    )
    zones = Zones(voice_coil_low(ohms), high, voice_coil_fail(ohms), bad_high)
    if seen.is_open:
        return Judgement(
            PointVerdict.OUTSIDE, "open, or a crossover's series capacitor in the path", bad_high
        )
    found = _held(seen, known, zones)
    if found.verdict is PointVerdict.WITHIN:
        return msgspec.structs.replace(found, reason="says nothing of free travel, rub or leads")
    return found


def judge_output_to_rail(seen: Seen, known: Known) -> Judgement:
    """Output pin to a rail or to common, nothing connected: below 5 Ω a device is shorted."""
    return _no_short(seen, known, output_short(), 1000.0, "no short seen at this pin")


def judge_rail(seen: Seen, known: Known) -> Judgement:
    """Rail to common or rail to rail, steady: below 20 Ω there is a short."""
    return _no_short(seen, known, rail_short(), 100.0, "no short seen on this rail")


def _no_short(seen: Seen, known: Known, short: Limit, from_ohm: float, words: str) -> Judgement:
    usual = Limit("no-short", from_ohm, "Ω", f"usual from {from_ohm:g} Ω, nothing connected", _TRADE)
    if seen.is_open:
        return Judgement(PointVerdict.WITHIN, words, usual)
    found = _held(seen, known, Zones(low=usual, bad_low=short))
    return msgspec.structs.replace(found, reason=words) if found.verdict is PointVerdict.WITHIN else found


def judge_fuse(seen: Seen, known: Known) -> Judgement:
    """Cold resistance by the marking: doubtful above twice the usual, outside from ten times or open."""
    if known.fuse is None:
        return none("a fuse is judged by its marking: give it")
    usual = cold_ohms(known.fuse)
    twice = msgspec.structs.replace(usual, value=2.0 * usual.value, source=f"twice a {usual.source}")
    ten = msgspec.structs.replace(usual, value=10.0 * usual.value, source=f"ten times a {usual.source}")
    if seen.is_open:
        return Judgement(PointVerdict.OUTSIDE, "open: reads like a blown fuse", ten)
    return _held(seen, known, Zones(high=twice, bad_high=ten))


def judge_emitter_resistor(seen: Seen, known: Known) -> Judgement:
    """±10 % of the marking; open means a blown channel. Paths in parallel lower it in circuit."""
    if known.rated_ohm is None:
        return none("an emitter resistor is judged by its marking: give it")
    low, high = emitter_resistor_low(known.rated_ohm), emitter_resistor_high(known.rated_ohm)
    if seen.is_open:
        return Judgement(PointVerdict.OUTSIDE, "open: look at the whole channel", high)
    return _in_parallel(seen, _held(seen, known, Zones(low, high, low, high)), low)


def judge_resistor(seen: Seen, known: Known) -> Judgement:
    """Within the tolerance of the marking (IEC 60062). Paths in parallel lower it in circuit."""
    if known.rated_ohm is None:
        return none("a resistor is judged by its marking: give it")
    source = f"±{100.0 * known.tolerance:g} % of the marking (IEC 60062)"
    edges = ((1.0 - known.tolerance), (1.0 + known.tolerance))
    low, high = (Limit("resistor", e * known.rated_ohm, "Ω", source, Confidence.STANDARD) for e in edges)
    if seen.is_open:
        return Judgement(PointVerdict.OUTSIDE, "open", high)
    return _in_parallel(seen, _held(seen, known, Zones(low, high, low, high)), low)


def _in_parallel(seen: Seen, found: Judgement, low: Limit) -> Judgement:
    if found.verdict is PointVerdict.OUTSIDE and found.limit == low and seen.in_circuit is not False:
        reason = "low in circuit, where paths in parallel lower it: lift a leg to tell"
        return msgspec.structs.replace(found, verdict=PointVerdict.DOUBTFUL, reason=reason)
    return found


def judge_winding(seen: Seen, known: Known) -> Judgement:
    """A winding that reads open is broken; its ohms are only shown beside an order of size from memory."""
    ends = Limit("winding-open", 1e6, "Ω", "a winding reads open: broken, or its thermal link", _TRADE)
    if seen.is_open:
        reads = "open" if seen.status is Status.OPEN_LEADS else "beyond the range"
        return Judgement(PointVerdict.OUTSIDE, f"reads {reads}", ends)
    if known.transformer_va is None or known.winding_v is None:
        return none("ohms of a winding are shown, not judged: compare with the other half")
    return _held(seen, known, Zones(high=winding_ohms(known.transformer_va, known.winding_v)))


def _held(seen: Seen, known: Known, zones: Zones) -> Judgement:
    y = without_leads(seen, known)
    return none("no usable reading") if y is None else graded(y, seen.u, zones)
