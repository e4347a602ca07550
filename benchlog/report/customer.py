"""The layout for the customer: two pages at most, in plain words."""

from collections.abc import Sequence

import msgspec

from benchlog.model.errors import EnvironmentFault
from benchlog.model.history import BenchSet, Entry, RunEnded
from benchlog.model.step import DecidedBy, StepRecord, StepVerdict
from benchlog.report import pairs, tables, work
from benchlog.report.bringup_charts import VOLTAGE_FILE
from benchlog.report.compile import pages_in
from benchlog.report.content import Chart, Content, Section, Table
from benchlog.report.heading import cut, last, last_end

MOST_PAGES = 2

DECISION_RULE = (
    "Every meter has an uncertainty; the figures after ± say how large it is (about 95 % of readings lie "
    "within it). A current counts as within its limit only where it is so with the uncertainty added. "
    "Nothing is said of what was not measured, nor of the time after it."
)


PLAIN_VERDICTS = {
    StepVerdict.GO_UP: "within its limit",
    StepVerdict.WAIT: "not shown to be within its limit; not raised",
    StepVerdict.CUT_OFF: "too much; taken off the mains",
    StepVerdict.CANNOT_JUDGE: "not judged: the meter is too coarse",
}


class Cap(msgspec.Struct, frozen=True):
    """How much is printed; the rest is counted, and is in the session inside the document."""

    lines: int
    rows: int
    characters: int
    halves: int
    """Charts that stand beside another."""


CAPS = (
    Cap(14, 14, 400, 4),
    Cap(10, 12, 300, 4),
    Cap(8, 10, 240, 2),
    Cap(5, 6, 160, 2),
    Cap(3, 4, 100, 0),
    Cap(1, 2, 60, 0),
)


def tables_of(entries: Sequence[Entry]) -> tuple[Table, ...]:
    """Steps in short, checks before and after (or as taken), and the instruments in a line each."""
    ended = last_end(entries)
    pair = pairs.pairs_table(entries)
    made = [
        _steps(ended) if ended is not None and ended.steps else None,
        *((pair,) if pair is not None else tables.taken_tables(entries, plain=True)),
        work.adjusted_table(entries, plain=True),
        work.final_table(entries, plain=True),
        work.safety_table(entries, plain=True),
        _instruments(entries),
    ]
    return tuple(t for t in made if t is not None)


def _steps(ended: RunEnded) -> Table:
    rows = tuple(
        (
            f"{s.measured_v if s.measured_v is not None else s.set_v:.3g}",
            "–" if s.idle_a is None else f"{s.idle_a:.3g}",
            "–" if s.idle_u_a is None else f"{s.idle_u_a:.2g}",
            f"{s.acceptance_a:.3g}",
            _decision(s),
        )
        for s in ended.steps
        if s.visited
    )
    return Table(
        title="Current at each voltage",
        columns=("Voltage, V", "Current at rest, A", "± A", "Expected at most, A", "Decision"),
        rows=rows,
        numeric=(0, 1, 2, 3),
        widths=(0, 0, 0, 0, 1),
        from_end=True,
    )


def _decision(step: StepRecord) -> str:
    """What was decided at a step and by whom, in plain words."""
    if step.decided_by is DecidedBy.TECHNICIAN:
        return "went on by the technician's decision"
    return PLAIN_VERDICTS[step.verdict]


def _instruments(entries: Sequence[Entry]) -> Table | None:
    bench = last(entries, BenchSet)
    if bench is None:
        return None
    rows = tuple(
        (
            i.description + (" (simulated)" if i.simulated else ""),
            i.serial_number or "–",
            i.calibration_due or "not recorded",
        )
        for i in bench.instruments
    )
    return Table("Instruments", ("Instrument", "Number", "Calibration due"), rows, widths=(3, 2, 1))


def shorten(content: Content, cap: Cap) -> Content:
    """The content with no more than ``cap`` allows."""
    halves = _halves(content)[: cap.halves]
    return msgspec.structs.replace(
        content,
        header=tuple((name, cut(text, cap.characters)) for name, text in content.header),
        outcome=cut(content.outcome, 2 * cap.characters),
        claims=_some(content.claims, cap),
        not_tested=_some(content.not_tested, cap, least=4),
        sections=tuple(Section(s.title, _some(s.lines, cap)) for s in content.sections),
        charts=tuple(c for c in content.charts if not c.half or c in halves),
        tables=tuple(_fewer(t, cap) for t in content.tables),
        remarks=_some(content.remarks, cap),
    )


def _halves(content: Content) -> list[Chart]:
    """Charts that stand beside another; where one is left over, without the voltage (it is in the table)."""
    found = [c for c in content.charts if c.half]
    return found if len(found) % 2 == 0 else [c for c in found if c.file != VOLTAGE_FILE]


def _some(lines: tuple[str, ...], cap: Cap, least: int = 1) -> tuple[str, ...]:
    count = max(cap.lines, least)
    kept = tuple(cut(line, cap.characters) for line in lines[:count])
    rest = len(lines) - count
    return (*kept, f"and {rest} more, in the session inside this document") if rest > 0 else kept


def _fewer(table: Table, cap: Cap) -> Table:
    kept = table.rows[-cap.rows :] if table.from_end else table.rows[: cap.rows]
    rows = tuple(tuple(cut(cell, cap.characters) for cell in row) for row in kept)
    rest = len(table.rows) - cap.rows
    note = f"And {rest} more, in the session inside this document. {table.note}".strip()
    return msgspec.structs.replace(table, rows=rows, note=note if rest > 0 else table.note)


def two_pages(content: Content) -> Content:
    """The content shortened as little as it takes to fit two pages. `EnvironmentFault` where it can't."""
    for cap in CAPS:
        short = shorten(content, cap)
        if pages_in(short) <= MOST_PAGES:
            return short
    raise EnvironmentFault(
        "The document for the customer does not fit two pages. Make the one for the file: --layout file."
    )


def photographs_line(count: int) -> str:
    """Where the photographs are."""
    word = "photograph is" if count == 1 else "photographs are"
    return f"{count} {word} in the session inside this document, and in the document for the file."
