"""Tables of the document, each cell already text."""

from collections.abc import Sequence

from benchlog.bringup.claims import unseen
from benchlog.model.history import BenchSet, Entry, Taken
from benchlog.model.instrument import Accuracy, InstrumentRecord
from benchlog.model.point import TestPoint
from benchlog.model.quantity import Quantity
from benchlog.model.reading import Status
from benchlog.model.step import DecidedBy, StepRecord, StepVerdict
from benchlog.report.content import Table
from benchlog.report.corrections import Corrections, corrected, corrections_of
from benchlog.report.figures import POINT_WORDS, plain, with_prefix, with_u
from benchlog.report.wording import VERDICT_WORDS, told_reason


def _figure(value: float | None, digits: int = 3) -> str:
    return "–" if value is None else plain(value, digits)


def steps_table(steps: Sequence[StepRecord], title: str = "Steps") -> Table:
    """Every step of the run with its figures, limits and verdict."""
    rows = tuple(_step_row(s) for s in steps if s.visited)
    skipped = ", ".join(f"{plain(s.set_v, 3)} V" for s in steps if not s.visited)
    note = f"≥ marks a largest reading, a lower bound of the true peak. {_of_u(steps)}"
    if skipped:
        note += f" Not visited: {skipped}."
    return Table(
        title=title,
        columns=(
            "Set, V",
            "Inlet, V",
            "Inrush, A",
            "Idle, A",
            "± U, A",
            "Accept to, A",
            "Stop at, A",
            "Verdict",
        ),
        rows=rows,
        numeric=(0, 1, 2, 3, 4, 5, 6),
        widths=(0, 0, 0, 0, 0, 0, 0, 1),
        note=note,
    )


def _of_u(steps: Sequence[StepRecord]) -> str:
    """What ± means in these records: older ones hold the bound of the decision itself."""
    if any(s.idle_bound_a is not None for s in steps):
        return "± U: 95 % interval by the full budget; the decision added the wider bound of the meter."
    return "± U: the bound of the meter that the decision added."


def _step_row(step: StepRecord) -> tuple[str, ...]:
    bound = "≥ " if step.inrush_is_lower_bound and step.inrush_a is not None else ""
    verdict = VERDICT_WORDS[step.verdict]
    if step.decided_by is DecidedBy.TECHNICIAN:
        verdict += " (technician's word)"
    went_up = step.verdict is StepVerdict.GO_UP and step.decided_by is DecidedBy.PROGRAM
    why = told_reason(step.decision_reason)
    reason = "" if went_up or not why else f": {why}"
    return (
        plain(step.set_v, 4),
        _figure(step.measured_v, 4),
        bound + _figure(step.inrush_a) + (f" ± {_figure(step.inrush_u_a, 2)}" if step.inrush_u_a else ""),
        _figure(step.idle_a),
        _figure(step.idle_u_a, 2),
        _figure(step.acceptance_a),
        _figure(step.stop_a),
        f"{verdict}{reason}{'; no current seen' * unseen(step)}",
    )


_STATUS = {Status.OPEN_LEADS: "open", Status.OVERLOAD: "over range"}
"""What a reading without a value is called at a test point."""

STAGES = {
    "cold-checks": "Cold checks",
    "parts": "Readings with the parts",
    "final-checks": "Readings at the final checks",
}
"""Headings of the readings taken at test points, by the stage that they were taken in."""


def taken_tables(entries: Sequence[Entry]) -> tuple[Table, ...]:
    """Readings taken at test points, in the order in which they were taken, a table for each stage."""
    by_stage: dict[str, list[tuple[Entry, Taken]]] = {}
    for entry in entries:
        if isinstance(entry.payload, Taken):
            by_stage.setdefault(entry.payload.stage, []).append((entry, entry.payload))
    corrections = corrections_of(entries)
    return tuple(_taken_table(stage, rows, corrections) for stage, rows in by_stage.items())


def _taken_table(stage: str, taken: list[tuple[Entry, Taken]], corrections: Corrections) -> Table:
    days = {entry.wall.date() for entry, _ in taken}
    form = "%H:%M" if len(days) == 1 else "%Y-%m-%d %H:%M"
    return Table(
        title=STAGES.get(stage) or f"Readings, {stage.replace('-', ' ') or 'no stage'}",
        columns=("Time", "Test point", "Reading", "Instrument", "Verdict"),
        rows=tuple(_taken_row(e, t, corrections, form) for e, t in taken),
        widths=(0, 6, 3, 3, 12),
        note=f"All on {min(days)}." if len(days) == 1 else "",
    )


def _taken_row(entry: Entry, taken: Taken, corrections: Corrections, form: str) -> tuple[str, ...]:
    part = f" (part for {taken.part}, before it is fitted)" if taken.part else ""
    return (
        f"{entry.wall:{form}}",
        point_name(taken.point) + way_of(taken) + (" (in circuit)" if taken.in_circuit else "") + part,
        reading_text(taken),
        taken.instrument or "typed",
        corrected(entry, verdict_text(taken), corrections),
    )


def verdict_text(taken: Taken, plain_words: bool = False) -> str:
    """Verdict with its reason, the limit and the source; in plain words verdict and limit."""
    text = POINT_WORDS[taken.verdict]
    why = told_reason(taken.reason)
    if why and not plain_words:
        text += f": {why}"
    if taken.limit is None:
        return text
    source = "" if plain_words else f", {taken.limit.source}"
    return f"{text} (limit {with_prefix(taken.limit.value, taken.limit.unit)}{source})"


def way_of(taken: Taken) -> str:
    """Which way round a junction was read; empty for anything else."""
    return f" ({taken.polarity})" if taken.polarity else ""


def point_name(point: TestPoint) -> str:
    """A test point with its board or channel."""
    return f"{point.group}: {point.name}" if point.group else point.name


def reading_text(taken: Taken) -> str:
    """A reading with its unit of measure and, where known, its uncertainty; or why there is none."""
    if taken.value is None:
        return (
            _STATUS.get(taken.status, taken.status.value.replace("-", " ")) if taken.status else "no reading"
        )
    return with_u(taken.value, taken.u, taken.quantity.unit)


def instruments_table(entries: Sequence[Entry]) -> Table | None:
    """Instruments with accuracy, calibration date and earth; None where no bench was set."""
    benches = [e.payload for e in entries if isinstance(e.payload, BenchSet)]
    if not benches:
        return None
    rows = tuple(_instrument_row(i) for i in benches[-1].instruments)
    return Table(
        title="Instruments",
        columns=("Instrument", "Number", "Cal. due", "Earth", "Accuracy"),
        rows=rows,
        widths=(6, 3, 2, 2, 8),
    )


def _instrument_row(instrument: InstrumentRecord) -> tuple[str, ...]:
    return (
        instrument.description + (" (simulated)" if instrument.simulated else ""),
        instrument.serial_number or "–",
        instrument.calibration_due or "not recorded",
        instrument.earth.value,
        "; ".join(dict.fromkeys(_accuracy(a) for a in instrument.sheet.accuracy)) or "not stated",
    )


def _accuracy(accuracy: Accuracy) -> str:
    unit = accuracy.quantity.unit if accuracy.quantity is not Quantity.POWER_FACTOR else ""
    count = with_prefix(accuracy.count, unit, 2)
    share = f"{plain(accuracy.reading_fraction * 100, 3)} %"
    return f"{accuracy.quantity.label} ± ({share} + {accuracy.counts:g} × {count})"
