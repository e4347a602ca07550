"""Judged on the spot: one reading at a test point, or two of the same kind against each other.

    judge(seen, known) -> Judgement              verdict, limit with source, U, reason
    compare(seen, other) -> Judgement            channel against channel

Every verdict allows for the uncertainty of the reading; without one there is no judgement. In circuit, parts
are failed or doubted and not passed where paths in parallel could flatter them.
"""

import math
from collections.abc import Callable

import msgspec

from benchlog.cold.capacitors import judge_capacitor
from benchlog.cold.junctions import judge_junction
from benchlog.cold.known import Judgement, Seen, check_of, none
from benchlog.cold.resistances import (
    judge_emitter_resistor,
    judge_fuse,
    judge_output_to_rail,
    judge_rail,
    judge_resistor,
    judge_voice_coil,
    judge_winding,
)
from benchlog.cold.voltages import judge_bias, judge_offset
from benchlog.model.known import Check, Known
from benchlog.model.limit import Confidence, Limit
from benchlog.model.point import PointKind
from benchlog.model.printed import plain
from benchlog.model.step import PointVerdict

_JUDGES: dict[Check, Callable[[Seen, Known], Judgement]] = {
    Check.CAPACITOR: judge_capacitor,
    Check.VOICE_COIL: judge_voice_coil,
    Check.JUNCTION: judge_junction,
    Check.OUTPUT_TO_RAIL: judge_output_to_rail,
    Check.RAIL: judge_rail,
    Check.FUSE: judge_fuse,
    Check.EMITTER_RESISTOR: judge_emitter_resistor,
    Check.RESISTOR: judge_resistor,
    Check.WINDING: judge_winding,
    Check.OFFSET: judge_offset,
    Check.BIAS: judge_bias,
}

_RATIO: dict[PointKind, tuple[float, str]] = {
    PointKind.OHMS: (2.0, "the two channels within 2:1"),
    PointKind.ESR: (2.0, "within twice the same part in the other channel"),
    PointKind.CAPACITANCE: (1.5, "two parts of ±20 % differ by at most 1.5:1"),
}


def judge(seen: Seen, known: Known) -> Judgement:
    """What is said of one reading. `UsageError` where kind, check, device or polarity don't go together."""
    check = check_of(seen.kind, known)
    if check is None:
        return none("nothing is on file for such a point; compare it with the other channel")
    found = _JUDGES[check](seen, known)
    if found.limit is not None and found.limit.confidence is Confidence.UNVERIFIED:
        return msgspec.structs.replace(found, verdict=PointVerdict.NONE)
    return found


def compare(seen: Seen, other: Seen) -> Judgement:
    """The same point in two channels. Within, or doubtful: which of the two is at fault it can't tell.

    The ratio's uncertainty is that of a quotient of independent values (JCGM 100:2008, 5.1.6).
    """
    ratio = _RATIO.get(seen.kind)
    if ratio is None or seen.kind is not other.kind:
        return none("no limit on file for a comparison of this kind")
    limit = Limit("channel-ratio", ratio[0], "", ratio[1], Confidence.COMMON_PRACTICE)
    if seen.value is None or other.value is None:
        if seen.is_open != other.is_open:
            return Judgement(PointVerdict.DOUBTFUL, "one reads open and the other does not", limit)
        return none("no two values to compare", limit)
    if seen.u is None or other.u is None or not (seen.value > 0.0 and other.value > 0.0):
        return none("the comparison needs two values above zero, each with its uncertainty", limit)
    high, low = max(seen.value, other.value), min(seen.value, other.value)
    spread = math.hypot(seen.u / seen.value, other.u / other.value)
    if high / low * (1.0 + spread) <= limit.value:
        return Judgement(PointVerdict.WITHIN, "the channels agree", limit, high / low, high / low * spread)
    if high / low * (1.0 - spread) >= limit.value:
        reason = f"the channels differ by {plain(high / low, 2)}:1"
        return Judgement(PointVerdict.DOUBTFUL, reason, limit, high / low, high / low * spread)
    return none("the uncertainty is too wide to tell whether the channels differ", limit)
