"""The layout for the customer: two pages, in plain words.

What was not tested, parts fitted, what was agreed, and the checks after the work are never left out. Where
there is no room for everything, notes go first, then readings, long texts, charts and steps, each only as far
as it takes; what was left out is counted and stands in the document for the file.
"""

from collections.abc import Iterator, Sequence

import msgspec

from benchlog.cold.corrections import in_force
from benchlog.model.history import BenchSet, Entry, RunEnded
from benchlog.model.step import DecidedBy, StepRecord, StepVerdict
from benchlog.report import pairs, work
from benchlog.report.bringup_charts import VOLTAGE_FILE
from benchlog.report.compile import pages_in
from benchlog.report.content import Chart, Content, Keep, Section, Table
from benchlog.report.figures import plain
from benchlog.report.heading import cut, last, last_end

MOST_PAGES = 2

DECISION_TITLE = "How to read the figures"
READING_RULE = (
    "Every meter has an uncertainty; the figures after ± say how large it is (about 95 % of readings lie "
    "within it). "
)
BRING_UP_RULE = (
    "A current counts as within its limit only where it is so with the uncertainty added. Limits are drawn "
    "as broken lines; above the upper one the unit was taken off the mains. "
)
SILENCE = "Nothing is said of what was not measured, nor of the time after it."

PLAIN_VERDICTS = {
    StepVerdict.GO_UP: "within its limit",
    StepVerdict.WAIT: "not shown to be within its limit; not raised",
    StepVerdict.CUT_OFF: "too much; taken off the mains",
    StepVerdict.CANNOT_JUDGE: "not judged: the meter is too coarse",
}

STEPS, INSTRUMENTS = "voltages", "instruments"
"""What rows are, where it is told how many were left out."""


EVERY = 10_000


class Cap(msgspec.Struct, frozen=True):
    """How much is printed; the rest is counted, and is in the file copy."""

    size: int = 1
    notes: int = EVERY
    readings: int = EVERY
    """Rows of readings at test points, before and after or as taken."""
    lines: int = EVERY
    characters: int = 900
    part_notes: bool = True
    charts: int = EVERY
    """Charts that stand beside another."""
    course: bool = True
    """The chart of the whole course."""
    steps: int = EVERY
    instruments: int = EVERY


CAPS = (
    Cap(size=0),
    Cap(),
    Cap(notes=8),
    Cap(notes=3),
    Cap(size=2, notes=3),
    Cap(size=2, notes=0),
    Cap(size=2, notes=0, charts=4, readings=20),
    Cap(size=2, notes=0, charts=4, readings=14, lines=14),
    Cap(size=3, notes=0, charts=4, readings=20, lines=14),
    Cap(size=3, notes=0, charts=4, readings=12, lines=14, characters=600),
    Cap(size=3, notes=0, charts=2, readings=12, lines=12, characters=400),
    Cap(size=3, notes=0, charts=2, readings=8, lines=10, characters=400),
    Cap(size=3, notes=0, charts=2, readings=6, lines=8, characters=300, instruments=6),
    Cap(size=3, notes=0, charts=0, readings=6, lines=8, characters=300, instruments=6),
    Cap(size=3, notes=0, charts=0, readings=3, lines=6, characters=240, instruments=4, part_notes=False),
    Cap(size=3, notes=0, charts=0, readings=0, lines=4, characters=160, instruments=4, part_notes=False,
        steps=5),
    Cap(size=3, notes=0, charts=0, readings=0, lines=2, characters=100, instruments=3, part_notes=False,
        steps=2, course=False),
    Cap(size=3, notes=0, charts=0, readings=0, lines=0, characters=60, instruments=0, part_notes=False,
        steps=0, course=False),
)  # fmt: skip
"""From everything to what may never be left out."""


def decision_rule(ran: bool) -> str:
    """How to read the figures; of currents only where the unit was brought up."""
    return READING_RULE + (BRING_UP_RULE if ran else "") + SILENCE


def tables_of(entries: Sequence[Entry]) -> tuple[Table, ...]:
    """The checks after the work, steps in short, readings before and after, instruments in a line each."""
    counting = in_force(entries)
    ended = last_end(counting)
    made = [
        work.final_table(counting, plain=True),
        work.adjusted_table(counting, plain=True),
        work.safety_table(counting, plain=True),
        _steps(ended) if ended is not None and any(s.visited for s in ended.steps) else None,
        pairs.pairs_table(counting, plain=True),
        pairs.others_table(counting),
        _instruments(counting),
    ]
    return tuple(t for t in made if t is not None)


def _steps(ended: RunEnded) -> Table:
    rows = tuple(
        (
            plain(s.measured_v if s.measured_v is not None else s.set_v, 3),
            "–" if s.idle_a is None else plain(s.idle_a, 3),
            "–" if s.idle_u_a is None else plain(s.idle_u_a, 2),
            plain(s.acceptance_a, 3),
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
        what=STEPS,
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
    columns = ("Instrument", "Number", "Calibration due")
    return Table("Instruments", columns, rows, widths=(3, 2, 1), what=INSTRUMENTS)


def shorten(content: Content, cap: Cap) -> Content:
    """The content with no more than ``cap`` allows, and a count of what it leaves out."""
    sections = tuple(_shorter(s, cap) for s in content.sections)
    tables = tuple(_fewer(t, cap) for t in content.tables)
    charts = _charts(content, cap)
    return msgspec.structs.replace(
        content,
        header=tuple((name, cut(text, max(cap.characters, 200))) for name, text in content.header),
        outcome=cut(content.outcome, max(2 * cap.characters, 600)),
        sections=tuple(s for s in sections if s.lines),
        charts=charts,
        tables=tuple(t for t in tables if t.rows),
        left_out=tuple(_left_out(content, sections, tables, charts, cap)),
        size=cap.size,
    )


def _shorter(section: Section, cap: Cap) -> Section:
    most = cap.notes if section.keep is Keep.NOTES else cap.lines
    lines = section.lines
    if section.keep is Keep.WHOLE:
        kept = lines if cap.part_notes or not section.bare else section.bare
    else:
        kept = tuple(cut(line, cap.characters) for line in lines[:most])
    return msgspec.structs.replace(section, lines=kept)


def _fewer(table: Table, cap: Cap) -> Table:
    most = (
        EVERY
        if table.keep
        else {STEPS: cap.steps, INSTRUMENTS: cap.instruments}.get(table.what, cap.readings)
    )
    kept = table.rows[len(table.rows) - most :] if 0 < most < len(table.rows) and table.from_end else None
    rows = table.rows[:most] if kept is None else kept
    wide = max(cap.characters, 120) if table.keep else cap.characters
    return msgspec.structs.replace(table, rows=tuple(tuple(cut(cell, wide) for cell in row) for row in rows))


def _charts(content: Content, cap: Cap) -> tuple[Chart, ...]:
    """Charts that are kept; of those beside another the voltage goes first, since it is in the table."""
    halves = [c for c in content.charts if c.half]
    if cap.charts < EVERY and (cap.charts < len(halves) or len(halves) % 2):
        halves = [c for c in halves if c.file != VOLTAGE_FILE]
    halves = halves[: cap.charts]
    return tuple(c for c in content.charts if (c in halves if c.half else cap.course))


def _left_out(
    content: Content,
    sections: Sequence[Section],
    tables: Sequence[Table],
    charts: Sequence[Chart],
    cap: Cap,
) -> Iterator[str]:
    """What there was no room for, and how much of it."""
    for whole, short in zip(content.sections, sections, strict=True):
        if whole.keep is Keep.WHOLE and whole.bare and not cap.part_notes:
            yield f"notes to {whole.what}"
        elif len(short.lines) < len(whole.lines) and whole.keep is not Keep.WHOLE:
            yield f"{len(whole.lines) - len(short.lines)} of {len(whole.lines)} {whole.what}"
    for table, fewer in zip(content.tables, tables, strict=True):
        if len(fewer.rows) < len(table.rows):
            yield f"{len(table.rows) - len(fewer.rows)} of {len(table.rows)} {table.what}"
    if len(charts) < len(content.charts):
        yield f"{len(content.charts) - len(charts)} of {len(content.charts)} charts"


def two_pages(content: Content) -> Content:
    """The content shortened as little as it takes to fit two pages.

    Where what may never be left out fills more than two, there are more: nothing of it is cut.
    """
    fitting = shorten(content, CAPS[0])
    if pages_in(fitting) <= MOST_PAGES:
        return _one_page(fitting)
    low, high = 1, len(CAPS) - 1
    while low < high:
        middle = (low + high) // 2
        if pages_in(shorten(content, CAPS[middle])) <= MOST_PAGES:
            high = middle
        else:
            low = middle + 1
    return _filled(content, CAPS[low])


def _filled(content: Content, cap: Cap) -> Content:
    """With more readings than the cap has, where there is room for them."""
    best = shorten(content, cap)
    most = max((len(t.rows) for t in content.tables if not t.keep), default=0)
    while 0 < cap.readings < most:
        cap = msgspec.structs.replace(cap, readings=2 * cap.readings)
        more = shorten(content, cap)
        if more == best or pages_in(more) > MOST_PAGES:
            break
        best = more
    return best


def _one_page(content: Content) -> Content:
    """Smaller where everything then stands on one page."""
    for size in (1, 2) if pages_in(content) > 1 else ():
        smaller = msgspec.structs.replace(content, size=size)
        if pages_in(smaller) == 1:
            return smaller
    return content


def photographs_line(count: int) -> str:
    """Where the photographs are."""
    word = "photograph is" if count == 1 else "photographs are"
    return f"{count} {word} in the session inside this document, and in the document for the file."
