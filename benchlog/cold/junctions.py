"""Junctions on a meter's diode test, each polarity for itself.

A junction that reads well has not had its breakdown tested. Source of the values: meter makers' notes on the
diode test; those from memory decide nothing.
"""

import msgspec

from benchlog.cold.known import Judgement, Seen, none
from benchlog.cold.zones import Zones, graded
from benchlog.limits.parts import junction_high, junction_low, junction_short
from benchlog.model.errors import UsageError
from benchlog.model.known import Known
from benchlog.model.limit import Confidence, Limit
from benchlog.model.step import PointVerdict

POLARITIES = ("", "forward", "reverse")
COLLECTOR_EMITTER = "collector-emitter"
"""A pair of pins with no junction between them: open both ways in a sound bipolar transistor."""
MAY_READ_OPEN = frozenset({"led"})
"""Devices whose forward voltage a meter may not reach."""

UNTESTED = "breakdown is not tested by it"


def judge_junction(seen: Seen, known: Known) -> Judgement:
    """One reading of a junction. `UsageError` for an unknown polarity or device."""
    if seen.polarity not in POLARITIES:
        raise UsageError(f"Polarity {seen.polarity!r} is not known. Use forward or reverse.")
    short = junction_short()
    if seen.value is not None and seen.u is not None and abs(seen.value) + seen.u <= short.value:
        where = "" if seen.in_circuit is False else ", or a low path in parallel: lift a leg to tell"
        return Judgement(PointVerdict.OUTSIDE, f"shorted{where}", short, seen.value, seen.u)
    if seen.polarity == "reverse" or known.device == COLLECTOR_EMITTER:
        return _blocking(seen, known, short)
    if not known.device:
        return none("a junction is judged by its device: say which it is", short)
    return _conducting(seen, known, short)


def _blocking(seen: Seen, known: Known, short: Limit) -> Judgement:
    if seen.is_open:
        return Judgement(PointVerdict.WITHIN, f"blocks; {UNTESTED}", short)
    if seen.value is None:
        return none("no usable reading", short)
    if seen.in_circuit is not False:
        return none("conducts by a path in parallel, as it may in circuit: lift a leg to tell", short)
    what = "collector to emitter" if known.device == COLLECTOR_EMITTER else "the wrong way"
    return Judgement(PointVerdict.DOUBTFUL, f"conducts {what}", short, seen.value, seen.u)


def _conducting(seen: Seen, known: Known, short: Limit) -> Judgement:
    low, high = junction_low(known.device), junction_high(known.device)
    if seen.is_open:
        return _open(seen, known, high)
    if seen.value is None:
        return none("no usable reading", high)
    found = graded(seen.value, seen.u, Zones(low=low, high=high, bad_low=short))
    if found.verdict is PointVerdict.WITHIN:
        return msgspec.structs.replace(found, reason=UNTESTED)
    if found.verdict is PointVerdict.DOUBTFUL and seen.in_circuit is not False:
        return msgspec.structs.replace(found, reason="paths in parallel lower it: lift a leg to tell")
    return found


def _open(seen: Seen, known: Known, high: Limit) -> Judgement:
    if high.confidence is Confidence.UNVERIFIED:
        return none("the limit is from memory and decides nothing", high)
    if known.device in MAY_READ_OPEN:
        return none("blue and white ones read open on many meters", high)
    if seen.polarity != "forward":
        return none("open one way is right: say the polarity", high)
    return Judgement(PointVerdict.OUTSIDE, "open in the forward direction", high)


def judge_both(forward: Seen, reverse: Seen, known: Known) -> Judgement:
    """Both polarities of one junction together: it has to conduct one way and block the other.

    Outside where either is; within only where both are; the same volts both ways are no junction.
    """
    one, other = judge_junction(forward, known), judge_junction(reverse, known)
    for found in (one, other):
        if found.verdict is PointVerdict.OUTSIDE:
            return found
    if known.device != COLLECTOR_EMITTER and _alike(forward, reverse):
        reason = "reads the same both ways: a path in parallel, not the junction; lift a leg"
        return Judgement(PointVerdict.DOUBTFUL, reason, one.limit, forward.value, forward.u)
    if one.verdict is PointVerdict.WITHIN and other.verdict is PointVerdict.WITHIN:
        return msgspec.structs.replace(one, reason=f"conducts one way and blocks the other; {UNTESTED}")
    doubted = next((f for f in (one, other) if f.verdict is PointVerdict.DOUBTFUL), None)
    if doubted is not None:
        return doubted
    open_one = next(f for f in (one, other) if f.verdict is PointVerdict.NONE)
    return none(open_one.reason, open_one.limit)


def _alike(forward: Seen, reverse: Seen) -> bool:
    if forward.value is None or reverse.value is None:
        return False
    return abs(forward.value - reverse.value) <= (forward.u or 0.0) + (reverse.u or 0.0)
