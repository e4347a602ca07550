"""Tables of the document, each cell already text."""

from collections.abc import Sequence

from benchlog.model.history import BenchSet, Entry, Taken
from benchlog.model.instrument import Accuracy, InstrumentRecord
from benchlog.model.point import TestPoint
from benchlog.model.quantity import Quantity
from benchlog.model.step import DecidedBy, PointVerdict, StepRecord, StepVerdict
from benchlog.report.content import Table
from benchlog.report.findings import Corrections, corrected, corrections_of
from benchlog.report.wording import VERDICT_WORDS

POINT_WORDS = {
    PointVerdict.WITHIN: "within limit",
    PointVerdict.DOUBTFUL: "doubtful",
    PointVerdict.OUTSIDE: "outside limit",
    PointVerdict.NONE: "no judgement",
}

_PREFIXES = ((1e6, "M"), (1e3, "k"), (1.0, ""), (1e-3, "m"), (1e-6, "µ"), (1e-9, "n"), (1e-12, "p"))


def with_prefix(value: float, unit: str, digits: int = 4) -> str:
    """A value with an SI prefix, e.g. ``47.2 mΩ``; ratios and degrees are printed as they are."""
    if unit in ("", "°C") or value == 0.0:
        return f"{value:.{digits}g} {unit}".strip()
    factor, prefix = next(((f, p) for f, p in _PREFIXES if abs(value) >= f * 0.9999), _PREFIXES[-1])
    scaled = float(f"{value / factor:.{digits}g}")
    return f"{scaled:.10g} {prefix}{unit}"


def _figure(value: float | None, digits: int = 3) -> str:
    return "–" if value is None else f"{value:.{digits}g}"


def steps_table(steps: Sequence[StepRecord], title: str = "Steps") -> Table:
    """Every step of the run with its figures, limits and verdict."""
    rows = tuple(_step_row(s) for s in steps if s.visited)
    skipped = ", ".join(f"{s.set_v:.3g} V" for s in steps if not s.visited)
    note = "≥ marks a largest reading, a lower bound of the true peak. U is expanded, k = 2."
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
        verdict + reason,
    )


def taken_table(entries: Sequence[Entry]) -> Table | None:
    """Cold and final checks in the order they were taken; None where there were none."""
    corrections = corrections_of(entries)
    rows = tuple(_taken_row(e, e.payload, corrections) for e in entries if isinstance(e.payload, Taken))
    if not rows:
        return None
    return Table(
        title="Checks",
        columns=("Time", "Test point", "Reading", "Instrument", "Verdict"),
        rows=rows,
        widths=(0, 2, 0, 0, 3),
    )


def _taken_row(entry: Entry, taken: Taken, corrections: Corrections) -> tuple[str, ...]:
    verdict = POINT_WORDS[taken.verdict]
    if taken.reason:
        verdict += f": {taken.reason}"
    if taken.limit is not None:
        verdict += f" (limit {with_prefix(taken.limit.value, taken.limit.unit)}, {taken.limit.source})"
    return (
        f"{entry.wall:%Y-%m-%d %H:%M}",
        point_name(taken.point) + (" (in circuit)" if taken.in_circuit else ""),
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
        columns=("Instrument", "Number", "Calibration due", "Earth", "Accuracy"),
        rows=rows,
        widths=(2, 0, 0, 0, 3),
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
