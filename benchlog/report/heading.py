"""The head of the document: whose job it is, what the unit is, what is complained of, how it ended."""

from collections.abc import Sequence
from typing import TypeVar

import msgspec

from benchlog.model.history import Entry, JobEnded, JobEntered, RunBegun, RunEnded, Withheld
from benchlog.model.job import Job
from benchlog.model.unit import PlateKind, Unit
from benchlog.report.content import Workshop
from benchlog.report.wording import BROKEN_OFF, END_WITHHELD, ENDING_WORDS

_Payload = TypeVar("_Payload")

MOST_IN_HEAD = 240
"""Characters of one value in the head; what is longer stands in full further down, so that what was not
tested stays on the first page."""


def latest_job(entries: Sequence[Entry]) -> Job:
    """The job as the last intake entry has it; an empty one where there is none."""
    entered = last(entries, JobEntered)
    return entered.job if entered is not None else Job()


def last(entries: Sequence[Entry], kind: type[_Payload]) -> _Payload | None:
    """The last entry of a kind; None where there is none."""
    return next((e.payload for e in reversed(entries) if isinstance(e.payload, kind)), None)


class RunEntries(msgspec.Struct, frozen=True):
    """One bring-up as the history has it."""

    begun: Entry | None
    """None where the entry is not in this copy."""
    ended: RunEnded | None
    """None where the history breaks off before its end."""


def runs_of(entries: Sequence[Entry]) -> tuple[RunEntries, ...]:
    """The bring-ups in the order in which they began; an end belongs to the beginning before it."""
    found: list[RunEntries] = []
    for entry in entries:
        if isinstance(entry.payload, RunBegun):
            found.append(RunEntries(entry, None))
        elif isinstance(entry.payload, RunEnded):
            if found and found[-1].ended is None:
                found[-1] = RunEntries(found[-1].begun, entry.payload)
            else:
                found.append(RunEntries(None, entry.payload))
    return tuple(found)


def last_end(entries: Sequence[Entry]) -> RunEnded | None:
    """The end of the last bring-up; None where there was none, or where it has no end."""
    runs = runs_of(entries)
    return runs[-1].ended if runs else None


def run_end_missing(entries: Sequence[Entry]) -> str:
    """What is said where the last bring-up has no end here; empty where it has, or where there was none."""
    if last_end(entries) is not None or not runs_of(entries):
        return ""
    return END_WITHHELD if is_withheld(entries, "run-ended") else BROKEN_OFF


def is_withheld(entries: Sequence[Entry], kind: str) -> bool:
    """Whether entries of a kind are not in this copy of the session."""
    return any(isinstance(e.payload, Withheld) and e.payload.kind == kind for e in entries)


def unit_of(entries: Sequence[Entry]) -> Unit | None:
    """The unit as the job has it, else as the last bring-up had it; None where neither is there."""
    begun = last(entries, RunBegun)
    return latest_job(entries).unit or (begun.setup.unit if begun is not None else None)


def workshop(job: Job) -> Workshop:
    """Whose work it is, as the job has it."""
    shop = job.workshop
    hand = f"{shop.technician} ({shop.competence})" if shop.competence else shop.technician
    return Workshop(cut(shop.name, 80), cut(shop.address, 160), cut(hand, 160))


def header(entries: Sequence[Entry], simulated: bool, invented: bool) -> tuple[tuple[str, str], ...]:
    """Names and values of the document's head."""
    job = latest_job(entries)
    without = is_withheld(entries, "job") and last(entries, JobEntered) is None
    missing = "withheld from this copy" if without else "–"
    pairs = [
        ("Job", job.number or missing),
        ("Date", _dates(job, entries)),
        ("Customer", _joined(job.customer.name, job.customer.contact) or missing),
        ("Complaint", job.complaint or missing),
    ]
    unit = unit_of(entries)
    if unit is not None:
        pairs += [("Unit", describe_unit(unit)), ("Plate and fuse", describe_plate(unit))]
    if job.accessories:
        pairs.append(("Accessories", job.accessories))
    if job.terms or job.spending_cap:
        pairs.append(("Terms", _joined(job.terms, job.spending_cap and f"not above {job.spending_cap}")))
    pairs += _ending(entries)
    if invented and not simulated:
        pairs.append(("Data", "An invented scenario; no such customer or unit exists."))
    return tuple(pairs)


def shortened(pairs: tuple[tuple[str, str], ...]) -> tuple[tuple[tuple[str, str], ...], tuple[str, ...]]:
    """The head with its long values cut, and those values in full, one line each."""
    short = tuple((name, cut(text, MOST_IN_HEAD)) for name, text in pairs)
    return short, tuple(f"{name}: {text}" for name, text in pairs if len(text) > MOST_IN_HEAD)


def cut(text: str, characters: int) -> str:
    """A text of at most so many characters in one line; a cut is seen as …"""
    text = " ".join(text.split())
    return text if len(text) <= characters else text[: characters - 1].rstrip() + "…"


def _joined(*texts: str) -> str:
    return "; ".join(text for text in texts if text)


def _dates(job: Job, entries: Sequence[Entry]) -> str:
    if not entries:
        return "–"
    first, until = entries[0].wall, entries[-1].wall
    text = f"{first:%Y-%m-%d %H:%M %z}"
    if until.date() != first.date():
        text += f" to {until:%Y-%m-%d}"
    return f"{text}, received {job.received:%Y-%m-%d}" if job.received is not None else text


def _ending(entries: Sequence[Entry]) -> list[tuple[str, str]]:
    ending = last(entries, JobEnded)
    if ending is not None:
        return [("Ending", ENDING_WORDS[ending.ending])]
    return [("Ending", "withheld from this copy")] if is_withheld(entries, "ending") else []


def describe_unit(unit: Unit) -> str:
    """Kind of unit in the trade's words, with what is written on it."""
    names = " ".join(x for x in (unit.maker_text, unit.model_text) if x)
    core = f", {unit.core.value} core" if unit.core is not None else ""
    serial = f", serial {unit.serial}" if unit.serial else ""
    kind = f"{unit.amplifier.value.replace('-', ' ')}, {unit.supply.value} supply{core}"
    return f"{names} ({kind}{serial})" if names else kind + serial


def describe_plate(unit: Unit) -> str:
    """Nameplate and fuse as marked."""
    plate = "no plate"
    if unit.plate is not None:
        mark = {PlateKind.AMPERES: "A", PlateKind.WATTS: "W", PlateKind.VOLT_AMPERES: "VA"}[unit.plate.kind]
        plate = f"{unit.plate.value:g} {mark}"
    fuse = f", fuse {unit.fuse.marking}" if unit.fuse is not None else ""
    return f"{unit.mains_v:g} V, {plate}{fuse}"
