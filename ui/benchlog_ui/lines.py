"""Lines of the history in words: what one entry says in one row."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from benchlog.model.event import (
    Instruct,
    Judged,
    KeyPressed,
    LinkChanged,
    Marked,
    SetSource,
    StepDone,
    SwitchOff,
)
from benchlog.model.history import (
    Approved,
    BenchSet,
    Corrected,
    DiskTrouble,
    Entry,
    JobEnded,
    JobEntered,
    Noted,
    PartChanged,
    Payload,
    RunBegun,
    RunEnded,
    RunSaid,
    RunTold,
    Taken,
)
from benchlog.model.work import Estimated, FirstLook, Photographed
from benchlog_ui.stages import WORDS, Stage
from benchlog_ui.words import VERDICT, amperes, figure, volts

Words = tuple[str, str, str, str]
"""Stage, kind, what, with (whom or which instrument)."""
_BRING_UP = WORDS[Stage.BRING_UP]
_PARTS = WORDS[Stage.PARTS]


@dataclass(frozen=True, slots=True)
class Row:
    """One line as it is shown."""

    time: str
    stage: str
    kind: str
    what: str
    instrument: str
    hay: str
    """All of it in lower case, for searching."""


def row_of(entry: Entry) -> Row | None:
    """A line of the history in words; None for what only the machine needs."""
    write = _WRITE.get(type(entry.payload))
    found = write(entry.payload) if write is not None else _work(entry.payload)
    if found is None:
        return None
    stage, kind, what, instrument = found
    time = f"{entry.wall:%H:%M:%S}"
    return Row(time, stage, kind, what, instrument, f"{time} {stage} {kind} {what} {instrument}".lower())


def _work(payload: Payload) -> Words | None:
    """First look, photographs, estimate, adjustment, final checks and safety figures."""
    from benchlog.job.wording import words_of  # here: the first plot does not wait for it

    kind, text = words_of(payload)
    if not kind:
        return None
    stage = _WORK.get(type(payload), Stage.FINAL)
    if isinstance(payload, Photographed):
        return _stage(payload.stage), kind, text, payload.by
    return WORDS[stage], kind, text, getattr(payload, "by", "")


_WORK: dict[type, Stage] = {FirstLook: Stage.COLD, Estimated: Stage.PARTS}


def _taken(taken: Taken) -> Words:
    value = taken.typed
    if not value:
        value = figure(taken.value, 4) if taken.value is not None else taken.status or "no reading"
    verdict = taken.verdict.value.replace("-", " ")
    where = f"{taken.point.name}{f', {taken.point.group}' if taken.point.group else ''}"
    what = f"{where}: {value} {taken.quantity.unit}, {verdict}"
    return _stage(taken.stage), "reading", what, taken.instrument or taken.by


def _part(part: PartChanged) -> Words:
    rating = f", {part.rating}" if part.rating else ""
    return _PARTS, "part", f"{part.position} {part.direction}: {part.value}{rating}", part.by


def _approval(approval: Approved) -> Words:
    answer = "approved" if approval.approved else "declined"
    return _PARTS, "approval", f"{answer} {approval.amount} by {approval.who}, {approval.how}", ""


def _bench(bench: BenchSet) -> Words:
    names = ", ".join(i.name for i in bench.instruments) or "no instruments"
    return "", "bench", f"{'simulated: ' if bench.simulated else ''}{names}", ""


def _corrected(corrected: Corrected) -> str:
    if corrected.void:
        return f"line {corrected.corrects} does not count: {corrected.text}"
    return f"of line {corrected.corrects}: {corrected.text}"


def _ending(ending: JobEnded) -> Words:
    from benchlog.job.wording import ending_words  # here: the first plot does not wait for it

    return WORDS[Stage.HAND_OVER], "ending", ending_words(ending), ending.by


def _told(told: RunTold) -> Words | None:
    match told.event:
        case KeyPressed(key=key, reason=reason, by=by):
            return _BRING_UP, "key", f"{key.value} {reason}".strip(), by
        case LinkChanged(role=role, up=up, detail=detail):
            return _BRING_UP, "link", f"{role.value} {'back' if up else 'lost'} {detail}".strip(), ""
    return None


def _said(payload: RunSaid) -> Words | None:
    match payload.said:
        case Judged(verdict=verdict, reason=reason):
            return _BRING_UP, VERDICT[verdict][0], reason, ""
        case StepDone():
            return _step(payload.said)
        case Marked(what=what, detail=detail):
            return _BRING_UP, what.replace("-", " "), detail, ""
        case SwitchOff(reason=reason, latched=latched):
            return _BRING_UP, "off, latched" if latched else "off", reason, ""
        case SetSource(set_v=set_v):
            return _BRING_UP, "source", f"set to {volts(set_v)}", ""
        case Instruct(text=text, urgent=True):
            return _BRING_UP, "alarm", text, ""
    return None


def _step(done: StepDone) -> Words:
    record = done.record
    idle = amperes(record.idle_a) if record.idle_a is not None else "not settled"
    verdict = VERDICT[record.verdict][0]
    return _BRING_UP, "step", f"{volts(record.set_v)}: {idle}, {verdict} ({record.decided_by.value})", ""


def _stage(name: str) -> str:
    try:
        return WORDS[Stage(name)]
    except ValueError:
        return name.replace("-", " ")


_WRITE: dict[type, Callable[[Any], Words | None]] = {
    Taken: _taken,
    Noted: lambda p: (_stage(p.stage), "note", p.text, p.by),
    PartChanged: _part,
    Approved: _approval,
    JobEntered: lambda p: (WORDS[Stage.INTAKE], "job", f"{p.job.number} {p.job.complaint}".strip(), ""),
    JobEnded: _ending,
    BenchSet: _bench,
    RunBegun: lambda p: (_BRING_UP, "run", f"run begun, {len(p.setup.steps)} steps", ""),
    RunEnded: lambda p: (_BRING_UP, "run", f"{p.outcome.value}: {p.reason}", ""),
    RunSaid: _said,
    RunTold: _told,
    DiskTrouble: lambda p: ("", "disk", p.detail, ""),
    Corrected: lambda p: ("", "correction", _corrected(p), p.by),
}
