"""One session in a few lines: what the list of jobs and the search need, and what the job waits for."""

from collections.abc import Sequence
from datetime import datetime
from enum import StrEnum
from pathlib import Path

import msgspec

from benchlog.cold.corrections import in_force
from benchlog.job.estimate import not_answered
from benchlog.job.parts import waited_for
from benchlog.model.history import (
    Approved,
    Corrected,
    Entry,
    JobEnded,
    JobEntered,
    Noted,
    PartChanged,
    Payload,
    RunEnded,
    Taken,
)
from benchlog.model.step import Outcome, PointVerdict
from benchlog.model.unit import Unit
from benchlog.model.work import Adjusted, FinalChecked, FirstLook, Photographed, SafetyMeasured
from benchlog.session.reader import SessionReader


class Waiting(StrEnum):
    """What an open job waits for; the first that holds."""

    NOTHING = ""
    """It has ended."""
    FIRST_READING = "first reading"
    COLD_CHECKS = "cold checks after the cut-off"
    APPROVAL = "approval"
    PARTS = "parts"
    REPAIR = "repair"
    BRING_UP = "bring-up"
    FINAL_CHECKS = "final checks"
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
            case FirstLook() as look:
                found += [look.seen, look.smelt, look.cord, look.swelling, look.earlier_repairs]
                found += [look.fuse_reason, look.selector_reason]
            case Photographed(caption=caption):
                found.append(caption)
            case FinalChecked(check=check, seen=seen):
                found += [check.value.replace("-", " "), seen]
            case _:
                pass
    return list(dict.fromkeys(found))


def waits_for(entries: Sequence[Entry]) -> Waiting:
    """What the job waits for, from its history; an intake after the ending opens it again."""
    counting = in_force(entries)
    payloads = [e.payload for e in counting]
    last_end = max((k for k, p in enumerate(payloads) if isinstance(p, JobEnded)), default=-1)
    last_job = max((k for k, p in enumerate(payloads) if isinstance(p, JobEntered)), default=-1)
    if last_end > last_job:
        return Waiting.NOTHING
    if not_answered(counting):
        return Waiting.APPROVAL
    answers = [p for p in payloads if isinstance(p, Approved)]
    if answers and not answers[-1].approved:
        return Waiting.ENDING
    if waited_for(counting):
        return Waiting.PARTS
    ran = max((k for k, p in enumerate(payloads) if isinstance(p, RunEnded)), default=-1)
    run = payloads[ran] if ran >= 0 else None
    if isinstance(run, RunEnded) and run.outcome is Outcome.COMPLETED:
        checked = any(isinstance(p, _FINAL) or _is_final(p) for p in payloads[ran:])
        return Waiting.ENDING if checked else Waiting.FINAL_CHECKS
    if isinstance(run, RunEnded):
        return _after_run(run, payloads[ran:], bool(answers))
    if answers:
        return Waiting.BRING_UP if _fitted(payloads) else Waiting.REPAIR
    looked = any(isinstance(p, Taken | FirstLook) for p in payloads)
    return Waiting.APPROVAL if looked else Waiting.FIRST_READING


def _after_run(run: RunEnded, later: Sequence[Payload], agreed: bool) -> Waiting:
    """After a bring-up that did not complete: what was entered since it decides."""
    if _fitted(later) or run.outcome is Outcome.UNDECIDED:
        return Waiting.BRING_UP
    if any(isinstance(p, Taken | FirstLook) for p in later):
        return Waiting.REPAIR if agreed else Waiting.APPROVAL
    return Waiting.COLD_CHECKS


def _fitted(payloads: Sequence[Payload]) -> bool:
    return any(isinstance(p, PartChanged) and p.direction == "in" for p in payloads)


_FINAL = (FinalChecked, SafetyMeasured, Adjusted)


def _is_final(payload: object) -> bool:
    """A reading taken at a test point among the final checks."""
    return isinstance(payload, Taken) and payload.stage == "final-checks"
