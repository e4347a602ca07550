"""What was found, replaced and agreed, in plain lines, with corrections beside what they correct."""

from collections.abc import Sequence

from benchlog.model.history import (
    Approved,
    DiskTrouble,
    Entry,
    JobEnded,
    Noted,
    PartChanged,
    Taken,
    Withheld,
)
from benchlog.model.pattern import FaultPattern
from benchlog.model.work import Adjusted, Estimated, FinalChecked, FirstLook, Photographed, SafetyMeasured
from benchlog.report.content import Section
from benchlog.report.corrections import corrected, corrections_of
from benchlog.report.heading import last_end, runs_of
from benchlog.report.wording import BROKEN_OFF, outcome_sentence
from benchlog.report.work import estimate_line, first_look_lines

BEFORE_POWER = "before-power"
"""Stage of the notes that answer what is asked before power."""

PROGRAM = "recorder"
"""Who signs notes that the program itself made; they are no findings."""

_IN_TABLES = (Taken, Adjusted, FinalChecked, SafetyMeasured, Photographed, Withheld)
"""Entries that have their corrections beside them in a table or below a picture."""


def sections(entries: Sequence[Entry]) -> tuple[Section, ...]:
    """The parts of the document that are lines of text; those without a line are left out."""
    found = (
        Section("First look", _lines(entries, FirstLook)),
        Section("Found", _notes(entries, before_power=False)),
        Section("Fault patterns that fit what was seen", patterns(entries)),
        Section("Earlier bring-ups", _earlier(entries)),
        Section("Replaced", _lines(entries, PartChanged)),
        Section("Agreed", _lines(entries, Estimated, Approved)),
        Section("Asked before power", _notes(entries, before_power=True)),
        Section("At the end", _lines(entries, JobEnded)),
        Section("Corrections of other entries", other_corrections(entries)),
        Section("Withheld", _withheld(entries)),
    )
    return tuple(section for section in found if section.lines)


def _earlier(entries: Sequence[Entry]) -> tuple[str, ...]:
    """How the bring-ups before the last one ended."""
    found = []
    for run in runs_of(entries)[:-1]:
        when = f"{run.begun.wall:%Y-%m-%d %H:%M}: " if run.begun is not None else ""
        found.append(when + (BROKEN_OFF if run.ended is None else outcome_sentence(run.ended)))
    return tuple(found)


def _notes(entries: Sequence[Entry], before_power: bool) -> tuple[str, ...]:
    """Notes of the technician: the answers given before power, or all others."""
    return _lines(
        [
            e
            for e in entries
            if not isinstance(e.payload, Noted) or (e.payload.stage == BEFORE_POWER) is before_power
        ],
        Noted,
    )


def _lines(entries: Sequence[Entry], *kind: type) -> tuple[str, ...]:
    corrections = corrections_of(entries)
    texts = ((e, _line(e.payload)) for e in entries if isinstance(e.payload, kind))
    return tuple(corrected(entry, text, corrections) for entry, text in texts if text)


def _line(payload: object) -> str:
    match payload:
        case PartChanged():
            return _part_line(payload)
        case Approved():
            return _approval_line(payload)
        case FirstLook():
            return first_look_lines(payload)
        case Estimated():
            return estimate_line(payload)
        case Noted(text=text, by=by) if by != PROGRAM:
            return text
        case JobEnded(note=note):
            return note
        case _:
            return ""


def _part_line(part: PartChanged) -> str:
    word = {"out": "Taken out", "in": "Fitted", "ordered": "Ordered", "returned": "Returned"}.get(
        part.direction, part.direction
    )
    details = " ".join(x for x in (part.value, part.rating, part.kind) if x)
    lot = f", {part.lot if part.lot.lower().startswith('lot') else f'lot {part.lot}'}" if part.lot else ""
    polarity = f", {part.polarity}" if part.polarity else ""
    count = f"{part.quantity} × " if part.quantity != 1 else ""
    note = f" ({part.note})" if part.note else ""
    note += f" (read before it was fitted: entry {part.checked_by})" if part.checked_by else ""
    return f"{word} at {part.position}: {count}{details}{polarity}{lot}{note}."


def _approval_line(answer: Approved) -> str:
    word = "Approved" if answer.approved else "Declined"
    when = f", {answer.when:%Y-%m-%d %H:%M}" if answer.when else ""
    cap = f", not above {answer.cap}" if answer.cap else ""
    what = f"; {'; '.join(answer.lines)}" if answer.lines else ""
    note = f" ({answer.note})" if answer.note else ""
    note += f" (takes the place of the answer in entry {answer.changes})" if answer.changes else ""
    return f"{word} by {answer.who} ({answer.how}{when}): {answer.amount}{cap}{what}{note}."


def patterns(entries: Sequence[Entry]) -> tuple[str, ...]:
    """Fault patterns of the last bring-up, most likely first, each with its evidence."""
    ended = last_end(entries)
    return tuple(_pattern_line(p) for p in ended.fault_patterns) if ended is not None else ()


def _pattern_line(pattern: FaultPattern) -> str:
    apart = f" To tell it apart: {_sentence(pattern.tell_apart_by)}" if pattern.tell_apart_by else ""
    return f"{pattern.name[:1].upper()}{pattern.name[1:]}: {_sentence(pattern.evidence)}{apart}"


def _sentence(text: str) -> str:
    return text if text.endswith((".", "!", "?")) else f"{text}."


def other_corrections(entries: Sequence[Entry]) -> tuple[str, ...]:
    """Corrections of entries that have no line of their own in the document."""
    shown = {e.seq for e in entries if isinstance(e.payload, _IN_TABLES) or _line(e.payload)}
    kinds = {e.seq: e for e in entries}
    return tuple(
        f"Entry {number} ({_kind(kinds.get(number))}): {text}"
        for number, text in sorted(corrections_of(entries).items())
        if number not in shown
    )


def _kind(entry: Entry | None) -> str:
    return str(entry.payload.__struct_config__.tag) if entry is not None else "not there"


def _withheld(entries: Sequence[Entry]) -> tuple[str, ...]:
    kinds = [e.payload.kind for e in entries if isinstance(e.payload, Withheld)]
    if not kinds:
        return ()
    names = ", ".join(f"{kinds.count(kind)} {kind}" for kind in dict.fromkeys(kinds))
    return (f"Not in this copy of the session: {names}. Their digests are, so that its chain verifies.",)


def remarks(entries: Sequence[Entry]) -> tuple[str, ...]:
    """What the program itself noted during the work, and readings that did not reach the disk."""
    found: list[str] = []
    for entry in entries:
        match entry.payload:
            case Noted(text=text, by=by) if by == PROGRAM:
                found.append(text)
            case DiskTrouble(detail=detail, lost_s=lost_s):
                found.append(f"Disk: {detail}" + (f" ({lost_s:.3g} s of readings lost)" if lost_s else ""))
            case _:
                pass
    return tuple(found)
