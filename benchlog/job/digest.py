"""One session in a few lines: what the list of jobs and the search need, and what the job waits for."""

from collections.abc import Sequence
from datetime import datetime
from enum import StrEnum
from pathlib import Path

import msgspec

from benchlog.model.history import (
    Approved,
    Corrected,
    Entry,
    JobEnded,
    JobEntered,
    Noted,
    PartChanged,
    RunEnded,
    Taken,
)
from benchlog.model.step import Outcome, PointVerdict
from benchlog.model.unit import Unit
from benchlog.session.reader import SessionReader


class Waiting(StrEnum):
    """What an open job waits for; the first that holds."""

    NOTHING = ""
    """It has ended."""
    FIRST_READING = "first reading"
    APPROVAL = "approval"
    PARTS = "parts"
    REPAIR = "repair"
    BRING_UP = "bring-up"
    ENDING = "ending"


class Digest(msgspec.Struct, frozen=True):
    """What is known of one session file."""

    path: str
    number: str
    unit: str
    """Maker and model as written on it."""
    serial: str
    kind: str
    complaint: str
    customer: str
    received: datetime | None
    last: datetime | None
    """Wall-clock time of the last entry."""
    ending: str
    waits_for: str
    outcome: str
    """Of the last bring-up; empty where there was none."""
    simulated: bool
    invented: bool
    text: str
    """Everything that is searched, in lower case."""


def digest_of(path: Path) -> Digest:
    """Read a session file. `SessionFault` where it can't be read, `SessionDamaged` where it is damaged."""
    with SessionReader(path) as reader:
        entries = reader.entries(photographs=False)
        job, simulated, invented = reader.job(), reader.simulated, reader.invented
    unit = job.unit or Unit()
    name = f"{unit.maker_text} {unit.model_text}".strip()
    kind = f"{unit.amplifier.value} {unit.supply.value}" if job.unit else ""
    ended = [e.payload for e in entries if isinstance(e.payload, JobEnded)]
    runs = [e.payload for e in entries if isinstance(e.payload, RunEnded)]
    words = (job.number, name, unit.serial, kind, job.complaint, job.customer.name, *_texts(entries))
    return Digest(
        path=str(path),
        number=job.number,
        unit=name,
        serial=unit.serial,
        kind=kind,
        complaint=job.complaint,
        customer=job.customer.name,
        received=job.received,
        last=entries[-1].wall if entries else None,
        ending=ended[-1].ending.value if ended else "",
        waits_for=waits_for(entries).value,
        outcome=runs[-1].outcome.value if runs else "",
        simulated=simulated,
        invented=invented,
        text=" ".join(word for word in words if word).lower(),
    )


def _texts(entries: Sequence[Entry]) -> list[str]:
    """Words of parts, readings, notes and fault patterns."""
    found: list[str] = []
    for entry in entries:
        match entry.payload:
            case Taken() as taken:
                failed = taken.verdict in (PointVerdict.OUTSIDE, PointVerdict.DOUBTFUL)
                verdict = taken.verdict.value.replace("-", " ") if failed else ""
                found += [taken.point.group, taken.point.name, taken.typed, verdict]
            case PartChanged() as part:
                found += [part.position, part.value, part.rating, part.kind, part.lot, part.note]
            case Noted(text=text) | Corrected(text=text):
                found.append(text)
            case RunEnded() as run:
                found += [run.outcome.value, *(p.name.replace("-", " ") for p in run.fault_patterns)]
            case JobEnded(ending=ending, note=note):
                found += [ending.value.replace("-", " "), note]
            case _:
                pass
    return list(dict.fromkeys(found))


def waits_for(entries: Sequence[Entry]) -> Waiting:
    """What the job waits for, from its history; an intake after the ending opens it again."""
    payloads = [e.payload for e in entries]
    last_end = max((k for k, p in enumerate(payloads) if isinstance(p, JobEnded)), default=-1)
    last_job = max((k for k, p in enumerate(payloads) if isinstance(p, JobEntered)), default=-1)
    if last_end > last_job:
        return Waiting.NOTHING
    runs = [p for p in payloads if isinstance(p, RunEnded)]
    if runs and runs[-1].outcome is Outcome.COMPLETED:
        return Waiting.ENDING
    if _ordered(payloads):
        return Waiting.PARTS
    answers = [p for p in payloads if isinstance(p, Approved)]
    if answers:
        fitted = any(isinstance(p, PartChanged) and p.direction == "in" for p in payloads)
        if not answers[-1].approved:
            return Waiting.ENDING
        return Waiting.BRING_UP if fitted else Waiting.REPAIR
    return Waiting.APPROVAL if any(isinstance(p, Taken) for p in payloads) else Waiting.FIRST_READING


def _ordered(payloads: Sequence[object]) -> bool:
    """Whether a part was ordered that has not been fitted since."""
    open_: set[str] = set()
    for p in payloads:
        if isinstance(p, PartChanged):
            if p.direction == "ordered":
                open_.add(p.position)
            elif p.direction == "in":
                open_.discard(p.position)
    return bool(open_)
