"""Sessions beside each other: before and after, a unit and its reference, left and right.

    compare(paths) -> Comparison                    differences with their uncertainty
    make_comparison(paths, out, paper)              the same as a document with overlaid graphs

The first session is what the others are held against. Steps are paired by their fraction of the mains
voltage, checks by test point (the last reading of each).
"""

from collections.abc import Sequence
from pathlib import Path

import msgspec

from benchlog.model.errors import UsageError
from benchlog.model.step import StepRecord
from benchlog.report import heading
from benchlog.report.charts import ACCEPT, CURRENT, STOP, VOLTAGE, Panel, Series
from benchlog.report.compile import compile_document, fewer_pages, write_document
from benchlog.report.content import Chart, Content, Layout, Paper, Section, Table, Workshop
from benchlog.report.figures import plain, with_u
from benchlog.report.pairs import difference, difference_text, real_word
from benchlog.report.sides import Read, Side, read_side
from benchlog.report.stamp import TOPIC
from benchlog.report.wording import CAUTIONS

MOST_SESSIONS = 4
SAME_FRACTION = 0.011
"""Steps nearer than this to each other are the same step of two plans."""

_COLOURS = ((CURRENT, ""), (STOP, "5 2"), (VOLTAGE, "1.5 1.5"), (ACCEPT, "7 2 1.5 2"))

RULE = (
    "A difference is called real where it is larger than its expanded uncertainty √(U₁² + U₂²), each U for "
    "about 95 %, for independent readings (JCGM 100:2008, 5.1.2). Two readings of one meter share part of "
    "their error, so that this is rather too wide; on the other hand about one difference in twenty is "
    "called real by chance. Steps are paired by their part of the mains voltage: the inlet voltages may "
    "differ a little. A real difference is no judgement of either unit. Where an uncertainty is not known, "
    "nothing is said of the difference."
)


class Compared(msgspec.Struct, frozen=True):
    """One figure of the first session against another's."""

    what: str
    unit: str
    """Unit of measure."""
    against: int
    """Number of the other session: 2 for the second."""
    first: float | None
    first_u: float | None
    """Expanded uncertainty."""
    other: float | None
    other_u: float | None
    difference: float | None
    """Other less first; None where either is missing."""
    difference_u: float | None
    real: bool | None
    """Whether the difference is larger than its uncertainty; None where that is not known."""


class Comparison(msgspec.Struct, frozen=True):
    """Sessions compared; the keys are those of the JSON object."""

    sessions: tuple[Side, ...]
    differences: tuple[Compared, ...]
    only_in_one: tuple[str, ...]
    """What one session has and the other has not."""


def compare(paths: Sequence[Path], names: Sequence[str] = (), groups: Sequence[str] = ()) -> Comparison:
    """Compare session files with the first of them; ``names`` to print in place of their paths.

    ``groups``, one for each, compare boards or channels: the test points of the first group with those of
    the same names in the other, also within one session. `UsageError` for fewer than two or more than four,
    or sessions that have nothing in common; faults of the reader as they are.
    """
    return _compare(_read_all(paths, names, groups))


def _read_all(paths: Sequence[Path], names: Sequence[str], groups: Sequence[str]) -> tuple[Read, ...]:
    if not 2 <= len(paths) <= MOST_SESSIONS:
        raise UsageError(f"{len(paths)} sessions; from 2 to {MOST_SESSIONS} can be compared.")
    if groups and len(groups) != len(paths):
        raise UsageError(f"{len(groups)} groups for {len(paths)} sessions; name one for each.")
    return tuple(
        read_side(path, name, group)
        for path, name, group in zip(
            paths, names or map(str, paths), groups or [""] * len(paths), strict=True
        )
    )


def _compare(read: tuple[Read, ...]) -> Comparison:
    differences: list[Compared] = []
    alone: list[str] = []
    for number, other in enumerate(read[1:], 2):
        found, lone = _steps(read[0], other, number)
        points, lone_points = _taken(read[0], other, number)
        differences += found + points
        alone += lone + lone_points
    if not differences:
        raise UsageError(
            "These sessions have neither a step nor a test point in common; there is nothing to compare."
        )
    return Comparison(tuple(r.side for r in read), tuple(differences), tuple(alone))


def _compared(
    what: str, unit: str, against: int, first: tuple[float | None, float | None],
    other: tuple[float | None, float | None],
) -> Compared:  # fmt: skip
    found = difference(*first, *other)
    return Compared(
        what, unit, against, *first, *other,
        found.value if found is not None else None,
        found.u if found is not None else None,
        found.real if found is not None else None,
    )  # fmt: skip


def _steps(first: Read, other: Read, number: int) -> tuple[list[Compared], list[str]]:
    found: list[Compared] = []
    paired: set[int] = set()
    alone: list[str] = []
    for step in first.steps:
        near = [(abs(s.fraction - step.fraction), k) for k, s in enumerate(other.steps) if k not in paired]
        gap, k = min(near, default=(1.0, -1))
        if gap > SAME_FRACTION:
            alone.append(f"step {_percent(step)} % of mains: not in session {number}")
            continue
        paired.add(k)
        twin = other.steps[k]
        what = f"idle current at {_percent(step)} % of mains"
        pair = (step.idle_a, step.idle_u_a), (twin.idle_a, twin.idle_u_a)
        found.append(_compared(what, "A", number, *pair))
    rest = (s for k, s in enumerate(other.steps) if k not in paired)
    alone += [f"step {_percent(s)} % of mains: only in session {number}" for s in rest]
    return found, alone


def _percent(step: StepRecord) -> str:
    return plain(100.0 * step.fraction, 3)


def _taken(first: Read, other: Read, number: int) -> tuple[list[Compared], list[str]]:
    found = []
    for name, a in first.figures.items():
        b = other.figures.get(name)
        if b is not None and a.unit == b.unit:
            found.append(_compared(name, a.unit, number, (a.value, a.u), (b.value, b.u)))
    alone = [f"{name}: not in session {number}" for name in first.figures if name not in other.figures]
    alone += [f"{name}: only in session {number}" for name in other.figures if name not in first.figures]
    return found, alone


def row_of(one: Compared) -> tuple[str, ...]:
    """A difference as text: what, first, other, difference, whether it is real."""
    found = difference(one.first, one.first_u, one.other, one.other_u)
    return (
        one.what,
        value_text(one.first, one.first_u, one.unit),
        value_text(one.other, one.other_u, one.unit),
        difference_text(found, one.unit),
        real_word(found),
    )


def value_text(value: float | None, u: float | None, unit: str) -> str:
    """A figure with its uncertainty; a dash where there is none."""
    return "–" if value is None else with_u(value, u, unit)


def make_comparison(
    paths: Sequence[Path],
    out: Path,
    paper: Paper = Paper.A4,
    names: Sequence[str] = (),
    groups: Sequence[str] = (),
) -> tuple[str, ...]:
    """Make the document of a comparison; returns the characters that were replaced. Faults as `compare`."""
    read = _read_all(paths, names, groups)
    content = fewer_pages(_content(read, _compare(read), paper))
    pdf, replaced = compile_document(content, b"")
    write_document(pdf, out)
    return replaced


def _content(read: tuple[Read, ...], comparison: Comparison, paper: Paper) -> Content:
    real = sum(1 for c in comparison.differences if c.real)
    count = len(comparison.differences)
    open_ones = sum(1 for c in comparison.differences if c.real is None)
    unknown = f"; of {open_ones} the uncertainty is not known" if open_ones else ""
    return Content(
        title="Comparison of sessions",
        number=" / ".join(heading.cut(r.side.job, 12) for r in read),
        workshop=Workshop(),
        simulated=any(r.side.simulated for r in read),
        alarm=False,
        header=(),
        outcome=f"{real} of {count} differences are larger than their uncertainty{unknown}.",
        claims=(),
        not_tested=(),
        sections=_sections(comparison),
        charts=_charts(read),
        charts_title="Overlaid",
        tables=_tables(comparison),
        decision_rule=RULE,
        remarks=(),
        cautions=CAUTIONS,
        head="",
        head_short=", ".join(r.side.head[:12] for r in read),
        attachment="",
        layout=Layout.COMPARISON,
        paper=paper,
        stamp=(TOPIC, "comparison"),
    )


def _sections(comparison: Comparison) -> tuple[Section, ...]:
    sides = tuple(
        f"{number}: {heading.cut(Path(side.session).name, 80)}; "
        f"job {heading.cut(side.job, 60) or '–'}; {side.unit}; "
        f"{'simulated; ' if side.simulated else ''}chain head {side.head}"
        for number, side in enumerate(comparison.sessions, 1)
    )
    found = (Section("Sessions", sides), Section("Only in one of them", comparison.only_in_one))
    return tuple(section for section in found if section.lines)


def _tables(comparison: Comparison) -> tuple[Table, ...]:
    made = []
    for number in range(2, len(comparison.sessions) + 1):
        rows = tuple(row_of(c) for c in comparison.differences if c.against == number)
        if rows:
            columns = ("What", "Session 1", f"Session {number}", "Difference", "Real?")
            title = f"Session {number} against session 1"
            made.append(Table(title, columns, rows, widths=(3, 0, 0, 0, 2)))
    return tuple(made)


def _charts(read: tuple[Read, ...]) -> tuple[Chart, ...]:
    """Idle currents of all sessions over the inlet voltage, and their currents over time, overlaid."""
    idle = [
        _idle_line(one, number, *_COLOURS[number - 1]) for number, one in enumerate(read, 1) if _seen(one)
    ]
    course = [
        Series(f"session {number}", one.course.t_s, one.course.current_a, *_COLOURS[number - 1])
        for number, one in enumerate(read, 1)
        if one.course is not None
    ]
    charts = []
    if idle:
        text = f"Settled idle current ± U against inlet voltage, {len(idle)} sessions."
        panel = Panel("inlet voltage, V", "idle current, A", tuple(idle), height=140.0)
        charts.append(Chart("idle.svg", panel, text))
    if course:
        text = f"Source current (r.m.s.) from the beginning of the last bring-up, {len(course)} sessions."
        panel = Panel("time from the beginning, s", "current, A", tuple(course), height=140.0)
        charts.append(Chart("course.svg", panel, text))
    return tuple(charts)


def _seen(one: Read) -> list[StepRecord]:
    return [s for s in one.steps if s.idle_a is not None and s.measured_v is not None]


def _idle_line(one: Read, number: int, colour: str, dash: str) -> Series:
    seen = _seen(one)
    x = tuple(float(s.measured_v or 0.0) for s in seen)
    y = tuple(float(s.idle_a or 0.0) for s in seen)
    bars = tuple(float(s.idle_u_a or 0.0) for s in seen)
    return Series(f"session {number}", x, y, colour, dash, marks=True, bars=bars)
