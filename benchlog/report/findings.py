"""The parts of the document that are lines: what was found, replaced and agreed, noted and corrected.

The customer's document holds what concerns the customer: complaint, findings, parts, approval, and notes that
were marked for the customer. All other notes, what was asked before power, and entries that do not count any
more stand in the document for the file only.
"""

from collections.abc import Sequence

import msgspec

from benchlog.cold.corrections import in_force
from benchlog.model.history import (
    Approved,
    DiskTrouble,
    Entry,
    JobEnded,
    JobEntered,
    Noted,
    PartChanged,
    Taken,
    Withheld,
)
from benchlog.model.pattern import FaultPattern
from benchlog.model.work import Adjusted, Estimated, FinalChecked, FirstLook, Photographed, SafetyMeasured
from benchlog.report.content import Keep, Section
from benchlog.report.corrections import corrected, corrections_of
from benchlog.report.found import found_lines
from benchlog.report.heading import cut, last_end, runs_of
from benchlog.report.parts import MOST_IN_NOTE, approval_line, gathered_parts, limited_answer, part_line
from benchlog.report.wording import BROKEN_OFF, outcome_sentence
from benchlog.report.work import estimate_line, first_look_lines

BEFORE_POWER = "before-power"
"""Stage of the notes that answer what is asked before power."""

FOR_CUSTOMER = "customer"
"""Stage of the notes that the customer's document prints."""

PROGRAM = "recorder"
"""Who signs notes that the program itself made; they are no findings."""

UNDETERMINED = "undetermined"
"""Name of the fault pattern that says that nothing fits."""

_IN_TABLES = (Taken, Adjusted, FinalChecked, SafetyMeasured, Photographed, Withheld)
"""Entries that have their corrections beside them in a table or below a picture."""

_OF_RECORDING = ("The computer ", "The window ", "Another program ", "No standby", "The standby had ended")
"""How notes of the program begin that are about itself and the computer, not about the work."""


def sections(entries: Sequence[Entry]) -> tuple[Section, ...]:
    """The lines of the document for the file; headings without a line are left out."""
    found = (
        Section("First look", _lines(entries, FirstLook)),
        Section("Found: what the readings point to", found_lines(entries)),
        Section("Notes", _notes(entries, before_power=False)),
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


def customer_sections(entries: Sequence[Entry]) -> tuple[Section, ...]:
    """The lines of the customer's document."""
    counting = in_force(entries)
    replaced, bare = gathered_parts(counting)
    look = tuple(f"First look: {line[:1].lower()}{line[1:]}" for line in _lines(counting, FirstLook))
    notes = tuple(e for e in counting if isinstance(e.payload, Noted) and e.payload.stage == FOR_CUSTOMER)
    named = patterns(counting, named_only=True)
    found = (
        Section("Found", look + found_lines(counting, plain=True), Keep.SOME, "findings"),
        Section("Fault patterns that fit what was seen", named, Keep.SOME, "fault patterns"),
        Section("Earlier bring-ups", _earlier(counting), Keep.SOME, "earlier bring-ups"),
        Section("Replaced", replaced, Keep.WHOLE, "parts", bare if bare != replaced else ()),
        Section("Agreed", _agreed(counting), Keep.WHOLE),
        Section("At the end", _endings(counting), Keep.WHOLE),
        Section("Notes", _lines(notes, Noted), Keep.NOTES, "notes"),
        Section("Corrected", _of_intake(counting), Keep.SOME, "corrections"),
        Section("Withheld", _withheld(counting), Keep.WHOLE),
    )
    return tuple(section for section in found if section.lines)


def _agreed(entries: Sequence[Entry]) -> tuple[str, ...]:
    corrections = corrections_of(entries)
    made = []
    for entry in entries:
        match entry.payload:
            case Estimated() as estimate:
                made.append(corrected(entry, estimate_line(_limited(estimate)), corrections))
            case Approved() as answer:
                made.append(corrected(entry, approval_line(limited_answer(answer), plain=True), corrections))
            case _:
                pass
    return tuple(made)


def _limited(estimate: Estimated) -> Estimated:
    lines = tuple(msgspec.structs.replace(line, text=cut(line.text, 100)) for line in estimate.lines)
    note, cap = cut(estimate.note, MOST_IN_NOTE), cut(estimate.cap, 40)
    return msgspec.structs.replace(estimate, lines=lines, note=note, cap=cap)


def _endings(entries: Sequence[Entry]) -> tuple[str, ...]:
    corrections = corrections_of(entries)
    texts = ((e, _ending_line(e.payload, plain=True)) for e in entries if isinstance(e.payload, JobEnded))
    most = 2 * MOST_IN_NOTE
    return tuple(cut(corrected(entry, text, corrections), most) for entry, text in texts if text)


def _ending_line(ended: JobEnded, plain: bool) -> str:
    """The note at the end, and what stood against that ending; in the file also why it was entered."""
    against = f"Stood against it at the end: {'; '.join(ended.asked)}." if ended.asked else ""
    why = f"Entered all the same: {_sentence(ended.reason)}" if ended.reason and not plain else ""
    note = _sentence(ended.note) if ended.note and against else ended.note
    return " ".join(text for text in (note, against, why) if text)


def _of_intake(entries: Sequence[Entry]) -> tuple[str, ...]:
    """Corrections of the intake, which have nothing else to stand beside."""
    intake = {e.seq for e in entries if isinstance(e.payload, JobEntered)}
    found = corrections_of(entries)
    return tuple(f"Of the intake: {text}" for number, text in sorted(found.items()) if number in intake)


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
            return part_line(payload)
        case Approved():
            return approval_line(payload)
        case FirstLook():
            return first_look_lines(payload)
        case Estimated():
            return estimate_line(payload)
        case Noted(text=text, by=by) if by != PROGRAM:
            return text
        case JobEnded():
            return _ending_line(payload, plain=False)
        case _:
            return ""


def patterns(entries: Sequence[Entry], named_only: bool = False) -> tuple[str, ...]:
    """Fault patterns of the last bring-up, most likely first, each with its evidence.

    ``named_only`` leaves out that nothing fits, and what would tell one from the next.
    """
    ended = last_end(entries)
    found = ended.fault_patterns if ended is not None else ()
    if named_only:
        return tuple(_pattern_line(p, apart=False) for p in found if p.name != UNDETERMINED)
    return tuple(_pattern_line(p) for p in found)


def _pattern_line(pattern: FaultPattern, apart: bool = True) -> str:
    how = f" To tell it apart: {_sentence(pattern.tell_apart_by)}" if apart and pattern.tell_apart_by else ""
    name = "none that fits" if pattern.name == UNDETERMINED else pattern.name
    return f"{name[:1].upper()}{name[1:]}: {_sentence(pattern.evidence)}{how}"


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
    """What the program itself noted of the work, and readings that did not reach the disk."""
    found: list[str] = []
    for entry in entries:
        match entry.payload:
            case Noted(text=text, by=by) if by == PROGRAM and not text.startswith(_OF_RECORDING):
                found.append(text)
            case DiskTrouble(detail=detail, lost_s=lost_s):
                found.append(f"Disk: {detail}" + (f" ({lost_s:.3g} s of readings lost)" if lost_s else ""))
            case _:
                pass
    return tuple(found)


def of_recording(entries: Sequence[Entry]) -> tuple[str, ...]:
    """Trouble of the computer and its programs, each once."""
    texts = (e.payload.text for e in entries if isinstance(e.payload, Noted) and e.payload.by == PROGRAM)
    return tuple(dict.fromkeys(text for text in texts if text.startswith(_OF_RECORDING)))
