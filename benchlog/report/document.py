"""The document of a session: gathers what it says, draws its charts, and has it compiled."""

import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import TypeVar

import numpy as np

from benchlog.model.history import Entry, JobEnded, JobEntered, RunBegun, RunEnded
from benchlog.model.job import Job
from benchlog.model.role import Role
from benchlog.model.step import Outcome
from benchlog.model.unit import PlateKind, Unit
from benchlog.report import tables
from benchlog.report.bringup_charts import idle_chart, time_charts
from benchlog.report.compile import compile_document
from benchlog.report.content import Chart, Content, Table, Workshop
from benchlog.report.wording import CAUTIONS, DECISION_RULE, ENDING_WORDS, outcome_sentence
from benchlog.session.reader import SessionReader
from benchlog.session.series import Trace

CHART_POINTS = 1200
AFTER_US = 5_000_000
_Payload = TypeVar("_Payload")


def make_document(session: Path, out: Path) -> tuple[str, ...]:
    """Make the document of a session file; the file is embedded in it.

    Returns the characters that no font has, each replaced by a square. Raises `SessionFault` when the
    session can't be read and `EnvironmentFault` when the document can't be made or written.
    """
    with tempfile.TemporaryDirectory(prefix="benchlog-copy-") as folder:
        copy = Path(folder) / session.name
        with SessionReader(session) as reader:
            content = gather(reader, session.name)
            reader.copy_to(copy)
        return compile_document(content, copy, out)


def gather(reader: SessionReader, attachment: str) -> Content:
    """All that the document of a session says."""
    entries = reader.entries()
    job = latest_job(entries)
    begun = last(entries, RunBegun)
    ended = last(entries, RunEnded)
    head = reader.head()
    return Content(
        title="Bring-up and repair record" if begun is not None else "Repair record",
        number=job.number,
        workshop=Workshop(),
        paper="a4",
        simulated=job.simulated,
        alarm=ended is not None and ended.outcome in (Outcome.CUT_OFF, Outcome.ALARMED),
        header=_header(job, entries, begun),
        outcome=outcome_sentence(ended),
        claims=_claims(entries),
        not_tested=_not_tested(ended),
        findings=tables.findings(entries),
        remarks=tables.remarks(entries),
        charts=_charts(reader, begun, ended),
        tables=_tables(entries),
        decision_rule=DECISION_RULE,
        cautions=CAUTIONS,
        head=head,
        head_short=head[:16],
        attachment=attachment,
    )


def latest_job(entries: Sequence[Entry]) -> Job:
    """The job as the last intake entry has it."""
    entered = last(entries, JobEntered)
    return entered.job if entered is not None else Job()


def last(entries: Sequence[Entry], kind: type[_Payload]) -> _Payload | None:
    """The last entry of a kind; None where there is none."""
    return next((e.payload for e in reversed(entries) if isinstance(e.payload, kind)), None)


def _header(job: Job, entries: Sequence[Entry], begun: RunBegun | None) -> tuple[tuple[str, str], ...]:
    unit = job.unit or (begun.setup.unit if begun is not None else None)
    pairs = [
        ("Job", job.number or "–"),
        ("Date", f"{entries[0].wall:%Y-%m-%d %H:%M %z}" if entries else "–"),
        ("Customer", job.customer.name or "–"),
        ("Complaint", job.complaint or "–"),
    ]
    if unit is not None:
        pairs += [("Unit", describe_unit(unit)), ("Plate and fuse", describe_plate(unit))]
    ending = last(entries, JobEnded)
    if ending is not None:
        pairs.append(("Ending", ENDING_WORDS[ending.ending]))
    if job.invented and not job.simulated:
        pairs.append(("Data", "An invented scenario; no such customer or unit exists."))
    return tuple(pairs)


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


def _claims(entries: Sequence[Entry]) -> tuple[str, ...]:
    ended = last(entries, RunEnded)
    return ended.claims if ended is not None else ()


def _not_tested(ended: RunEnded | None) -> tuple[str, ...]:
    if ended is None:
        return ("The unit was not brought up: idle current and inrush were not seen.",)
    return ended.not_tested + tuple(f"Not judged by the program: {line}" for line in ended.not_judged)


def _charts(reader: SessionReader, begun: RunBegun | None, ended: RunEnded | None) -> tuple[Chart, ...]:
    if begun is None:
        return ()
    span = _span_us(reader)
    current = _trace(reader, Role.SOURCE_CURRENT, span)
    voltage = _trace(reader, Role.INLET_VOLTAGE, span)
    charts = list(time_charts(begun.setup, current, voltage))
    idle = idle_chart(begun.setup, ended.steps) if ended is not None else None
    return tuple([*charts, idle] if idle is not None else charts)


def _span_us(reader: SessionReader) -> tuple[int, int]:
    """The last run, with a few seconds after it, so that the end is seen."""
    start_us, end_us = reader.runs()[-1].span_us
    return start_us, min(end_us + AFTER_US, reader.span_us[1])


def _trace(reader: SessionReader, role: Role, span_us: tuple[int, int]) -> Trace | None:
    channel = next((c for c in reader.channels() if c.role is role), None)
    if channel is None:
        return None
    trace = reader.window(channel, *span_us, CHART_POINTS)
    return trace if np.isfinite(trace.value).any() else None


def _tables(entries: Sequence[Entry]) -> tuple[Table, ...]:
    ended = last(entries, RunEnded)
    made = [
        tables.steps_table(ended.steps) if ended is not None and ended.steps else None,
        tables.taken_table(entries),
        tables.instruments_table(entries),
    ]
    return tuple(t for t in made if t is not None)
