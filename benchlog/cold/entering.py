"""A reading on its way into the history: understood, held back while a charge may be there, judged.

    entry_of(given, entries) -> Taken, Judgement      typed or from a meter, judged on the spot
    both_ways(taken, entries) -> Judgement | None     a junction together with its other polarity
    sheet_of(instrument, entries) -> MeterSheet | None

Command line and window use the same way in.
"""

from collections.abc import Sequence

import msgspec

from benchlog.bench.typed import Typed, parse_typed
from benchlog.cold.budget import Allowed, uncertainty
from benchlog.cold.channels import seen_of
from benchlog.cold.corrections import in_force
from benchlog.cold.discharge import (
    Standing,
    at_reservoir,
    charged_line,
    is_reservoir,
    standing_of,
    told,
    waits_for,
)
from benchlog.cold.judge import judge
from benchlog.cold.junctions import judge_both
from benchlog.cold.known import Judgement, Seen
from benchlog.cold.plausible import USUAL_AT, doubt_of
from benchlog.cold.voltages import judge_reservoir
from benchlog.model.errors import PlanRefused, UsageError
from benchlog.model.history import BenchSet, Entry, PartChanged, RunBegun, Taken
from benchlog.model.instrument import MeterSheet
from benchlog.model.known import Check
from benchlog.model.point import PointKind, TestPoint
from benchlog.model.printed import with_prefix
from benchlog.model.reason import reason_of
from benchlog.model.step import PointVerdict
from benchlog.model.unit import OutputTopology, Unit

COLD, PARTS = "cold-checks", "parts"


class Given(msgspec.Struct, frozen=True):
    """What is given with a reading."""

    point: TestPoint
    text: str = ""
    """As it was typed; empty for a reading of a meter with a port."""
    read: Typed | None = None
    """The reading of such a meter."""
    u: float | None = None
    """Expanded uncertainty as stated, SI."""
    range: float | None = None
    in_circuit: bool | None = None
    polarity: str = ""
    instrument: str = ""
    meter_proved: bool = False
    checked: str = ""
    """Why it is taken although a reservoir that feeds the point is not proved."""
    part: str = ""
    """Position for which it is a new part's own check."""
    stage: str = COLD
    by: str = ""
    sure: bool = False
    sure_by: str = "add --sure"
    """How the technician says so, for the message."""
    decimal_comma: bool = False


def entry_of(given: Given, entries: Sequence[Entry], unit: Unit | None = None) -> tuple[Taken, Judgement]:
    """The entry of a reading and its judgement.

    `UsageError` for what can't be meant; `PlanRefused` while a reservoir that feeds the point is not proved.
    """
    standing = standing_of(entries)
    point = at_reservoir(_point(given, unit), standing.known)
    typed = _typed(given, point)
    checked = reason_of(given.checked, "The word that it was checked,")
    _wait(given, point, checked, standing)
    allowed = _allowed(given, point, typed, entries)
    seen = Seen(
        point.kind,
        typed.value,
        allowed.u if allowed else None,
        typed.status,
        given.range,
        given.in_circuit,
        given.polarity,
    )
    said = judge_reservoir(seen, given.meter_proved) if is_reservoir(point) else judge(seen, point.known)
    return _taken(given, point, typed, allowed, said), said


def _taken(given: Given, point: TestPoint, typed: Typed, allowed: Allowed | None, said: Judgement) -> Taken:
    return Taken(
        point=point,
        quantity=point.kind.quantity,
        value=typed.value,
        status=typed.status,
        typed=given.text,
        instrument=given.instrument,
        u=allowed.u if allowed else None,
        u_source=allowed.source if allowed else "",
        in_circuit=given.in_circuit,
        polarity=given.polarity,
        verdict=said.verdict,
        reason="; ".join(x for x in (said.reason, _assumed(allowed, said, point.kind.quantity.unit)) if x),
        limit=said.limit,
        stage=PARTS if given.part and given.stage == COLD else given.stage,
        by=given.by,
        meter_proved=given.meter_proved,
        checked=given.checked.strip(),
        part=given.part.strip(),
    )


def _assumed(allowed: Allowed | None, said: Judgement, unit: str) -> str:
    """The uncertainty that was assumed, and what would narrow it where it was too wide to judge."""
    if allowed is None or allowed.known or said.u is None:
        return ""
    words = f"U {with_prefix(allowed.u, unit, 2)} {allowed.source}"
    wide = said.verdict is PointVerdict.NONE and allowed.coarse
    return f"{words}: type every digit that the display shows" if wide else words


def _point(given: Given, unit: Unit | None) -> TestPoint:
    """The point with what the unit says of its output and its fuse, and a new part known to be new."""
    known = given.point.known
    if known.fuse is None and unit is not None and _is_mains_fuse(given.point):
        known = msgspec.structs.replace(known, fuse=unit.fuse)
    if known.check is Check.OFFSET and known.topology is OutputTopology.UNKNOWN and unit is not None:
        known = msgspec.structs.replace(known, topology=unit.topology)
    if given.part.strip():
        known = msgspec.structs.replace(known, used=False)
    return msgspec.structs.replace(given.point, known=known)


def _is_mains_fuse(point: TestPoint) -> bool:
    """Whether the unit's mains fuse is meant, whose marking stands in the job."""
    name = point.name.casefold()
    ohms = point.kind in (PointKind.OHMS, PointKind.CONTINUITY)
    return ohms and (name == "fuse" or ("fuse" in name and ("mains" in name or "primary" in name)))


def _typed(given: Given, point: TestPoint) -> Typed:
    if given.read is not None:
        return given.read
    quantity = point.kind.quantity
    typed = parse_typed(given.text, quantity, given.decimal_comma)
    usual = USUAL_AT.get(point.known.check) if point.known.check is not None else None
    doubts = [*typed.doubts, doubt_of(given.text, typed.value or 0.0, quantity, usual)]
    asked = " ".join(doubt for doubt in doubts if doubt)
    if asked and not given.sure:
        hint = f" Did you mean {typed.suggestion}?" if typed.suggestion else ""
        raise UsageError(f"{asked}{hint} Type it again, or {given.sure_by}.")
    return typed


def _wait(given: Given, point: TestPoint, checked: str, standing: Standing) -> None:
    waiting = waits_for(point, given.in_circuit, standing)
    if waiting and (not checked or charged_line(waiting, standing)):
        raise PlanRefused(told(waiting, standing))


def _allowed(given: Given, point: TestPoint, typed: Typed, entries: Sequence[Entry]) -> Allowed | None:
    if typed.value is None:
        return None
    sheet = sheet_of(given.instrument, entries)
    leads_known = point.known.lead_zero_ohm is not None
    return uncertainty(point.kind, typed.value, typed.resolution or 0.0, sheet, given.u, leads_known)


def sheet_of(instrument: str, entries: Sequence[Entry]) -> MeterSheet | None:
    """Sheet of an instrument of the session's bench; None where it is not there."""
    benches = [e.payload for e in entries if isinstance(e.payload, BenchSet)]
    found = [i.sheet for bench in benches for i in bench.instruments if i.name == instrument]
    return found[-1] if found else None


def u_of_typed(text: str, kind: PointKind, instrument: str, entries: Sequence[Entry]) -> float | None:
    """Expanded uncertainty of a typed reading by the meter's sheet, or as of a hand meter; None without one.

    `UsageError` for what is no reading of that kind.
    """
    typed = parse_typed(text, kind.quantity)
    if typed.value is None:
        return None
    return uncertainty(kind, typed.value, typed.resolution or 0.0, sheet_of(instrument, entries)).u


def both_ways(taken: Taken, entries: Sequence[Entry]) -> Judgement | None:
    """A junction together with the latest of its other polarity since a part was changed or power on.

    None where there is none.
    """
    if taken.point.kind is not PointKind.JUNCTION or taken.polarity not in _OTHER:
        return None
    other = _OTHER[taken.polarity]
    counting = in_force(entries)
    since = max((e.seq for e in counting if isinstance(e.payload, PartChanged | RunBegun)), default=0)
    found = [e.payload for e in counting if isinstance(e.payload, Taken) and e.seq > since]
    same = [t for t in found if _place(t) == _place(taken) and t.polarity == other]
    if not same:
        return None
    ways = {taken.polarity: seen_of(taken), other: seen_of(same[-1])}
    return judge_both(ways["forward"], ways["reverse"], taken.point.known)


_OTHER = {"forward": "reverse", "reverse": "forward"}


def _place(taken: Taken) -> tuple[str, str, PointKind, str]:
    return taken.point.group, taken.point.name, taken.point.kind, taken.part
