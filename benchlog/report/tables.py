"""Tables of the document, each cell already text."""

from collections.abc import Sequence

from benchlog.bringup.claims import unseen
from benchlog.model.history import BenchSet, Entry, Taken
from benchlog.model.instrument import Accuracy, InstrumentRecord
from benchlog.model.point import TestPoint
from benchlog.model.quantity import Quantity
from benchlog.model.step import DecidedBy, StepRecord, StepVerdict
from benchlog.report.content import Table
from benchlog.report.corrections import Corrections, corrected, corrections_of
from benchlog.report.figures import POINT_WORDS, with_prefix
from benchlog.report.wording import VERDICT_WORDS


def _figure(value: float | None, digits: int = 3) -> str:
    return "–" if value is None else f"{value:.{digits}g}"


def steps_table(steps: Sequence[StepRecord], title: str = "Steps") -> Table:
    """Every step of the run with its figures, limits and verdict."""
    rows = tuple(_step_row(s) for s in steps if s.visited)
    skipped = ", ".join(f"{s.set_v:.3g} V" for s in steps if not s.visited)
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
    plain = step.verdict is StepVerdict.GO_UP and step.decided_by is DecidedBy.PROGRAM
    reason = "" if plain or not step.decision_reason else f": {step.decision_reason}"
    return (
        f"{step.set_v:.4g}",
        _figure(step.measured_v, 4),
        bound + _figure(step.inrush_a),
        _figure(step.idle_a),
        _figure(step.idle_u_a, 2),
        _figure(step.acceptance_a),
        _figure(step.stop_a),
        f"{verdict}{reason}{'; no current seen' * unseen(step)}",
    )


STAGES = {
    "cold-checks": "Cold checks",
    "parts": "Readings with the parts",
    "final-checks": "Readings at the final checks",
}
"""Headings of the readings taken at test points, by the stage that they were taken in."""


def taken_tables(entries: Sequence[Entry], plain: bool = False) -> tuple[Table, ...]:
    """Readings taken at test points, in the order in which they were taken, a table for each stage.

    ``plain`` leaves out why a verdict is what it is.
    """
    by_stage: dict[str, list[tuple[Entry, Taken]]] = {}
    for entry in entries:
        if isinstance(entry.payload, Taken):
            by_stage.setdefault(entry.payload.stage, []).append((entry, entry.payload))
    corrections = corrections_of(entries)
    return tuple(_taken_table(stage, rows, corrections, plain) for stage, rows in by_stage.items())


def _taken_table(
    stage: str, taken: list[tuple[Entry, Taken]], corrections: Corrections, plain: bool
) -> Table:
    days = {entry.wall.date() for entry, _ in taken}
    form = "%H:%M" if len(days) == 1 else "%Y-%m-%d %H:%M"
    return Table(
        title=STAGES.get(stage) or f"Readings, {stage.replace('-', ' ') or 'no stage'}",
        columns=("Time", "Test point", "Reading", "Instrument", "Verdict"),
        rows=tuple(_taken_row(e, t, corrections, form, plain) for e, t in taken),
        widths=(0, 6, 3, 3, 4 if plain else 12),
        note=f"All on {min(days)}." if len(days) == 1 else "",
    )


def _taken_row(
    entry: Entry, taken: Taken, corrections: Corrections, form: str, plain: bool
) -> tuple[str, ...]:
    verdict = POINT_WORDS[taken.verdict]
    if taken.reason and not plain:
        verdict += f": {taken.reason}"
    if taken.limit is not None:
        source = "" if plain else f", {taken.limit.source}"
        verdict += f" (limit {with_prefix(taken.limit.value, taken.limit.unit)}{source})"
    part = f" (part for {taken.part}, before it is fitted)" if taken.part else ""
    return (
        f"{entry.wall:{form}}",
        point_name(taken.point) + (" (in circuit)" if taken.in_circuit else "") + part,
        reading_text(taken),
        taken.instrument or "typed",
        corrected(entry, verdict, corrections),
    )


def point_name(point: TestPoint) -> str:
    """A test point with its board or channel."""
    return f"{point.group}: {point.name}" if point.group else point.name


def reading_text(taken: Taken) -> str:
    """A reading with its unit of measure and, where known, its uncertainty; or why there is none."""
    if taken.value is None:
        return taken.status.value.replace("-", " ") if taken.status else "no reading"
    text = with_prefix(taken.value, taken.quantity.unit)
    return text if taken.u is None else f"{text} ± {with_prefix(taken.u, taken.quantity.unit, 2)}"


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
    share = f"{accuracy.reading_fraction * 100:.3g} %"
    return f"{accuracy.quantity.label} ± ({share} + {accuracy.counts:g} × {count})"
