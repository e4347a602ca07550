"""The document of a session: gathers what it says, draws its charts, and has it compiled.

make_document(session, out, layout, paper) -> characters that were replaced
lay_out(session, attachment, layout, paper, head) -> pages of a closed session file, as bytes
"""

import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path

import msgspec

from benchlog.model.history import Entry, JobEnded, RunBegun, RunEnded
from benchlog.model.role import Role
from benchlog.model.step import Outcome
from benchlog.report import customer, findings, heading, pairs, tables, work
from benchlog.report.bringup_charts import idle_chart, time_charts
from benchlog.report.compile import compile_document, fewer_pages, write_document
from benchlog.report.content import Chart, Content, Keep, Layout, Paper, Section, Table
from benchlog.report.heading import last, last_end
from benchlog.report.job_charts import soak_charts, trace_of, wave_charts
from benchlog.report.nottested import not_tested
from benchlog.report.photographs import pictures_of
from benchlog.report.stamp import stamp_of
from benchlog.report.wording import CAUTIONS, decision_rule, ending_sentence, outcome_sentence
from benchlog.session.reader import SessionReader

CHART_POINTS = 1200
AFTER_US = 5_000_000


STAGES = ("copying the session", "reading it and drawing its charts", "laying out the pages", "writing")
"""What making a document goes through, in words."""

Tell = Callable[[int], None]
"""Told the number of the stage that begins, from 1."""


def _tell_nobody(stage: int) -> None:
    """For callers who show no progress."""


def make_document(
    session: Path,
    out: Path,
    layout: Layout = Layout.FILE,
    paper: Paper = Paper.A4,
    tell: Tell = _tell_nobody,
) -> tuple[str, ...]:
    """Make the document of a session file; a copy of the file is embedded in it.

    Returns the characters that can't be shown, each replaced by a square. Raises `SessionFault` when the
    session can't be read and `EnvironmentFault` when the document can't be made or written.
    """
    with tempfile.TemporaryDirectory(prefix="benchlog-copy-") as folder:
        copy = Path(folder) / "session.benchlog"
        tell(1)
        with SessionReader(session) as reader:
            reader.copy_to(copy)
        tell(2)
        content = _content_of(copy, attachment_name(session), layout, paper)
        tell(3)
        pdf, replaced = compile_document(content, copy.read_bytes())
    tell(4)
    write_document(pdf, out)
    return replaced


def attachment_name(session: Path) -> str:
    """Name of the session inside the document: plain letters, which every reader of PDF shows alike."""
    plain = "".join(c if c.isascii() and (c.isalnum() or c in "-_. ") else "-" for c in session.stem)
    return f"{plain.strip('-. ')[:80] or 'session'}.benchlog"


def lay_out(
    session: Path, attachment: str, layout: Layout, paper: Paper, head: str = ""
) -> tuple[bytes, tuple[str, ...]]:
    """The document of a session file that nobody writes, and the characters that were replaced.

    The file itself is embedded, byte by byte, as ``attachment``. ``head`` is printed in place of the
    session's own, for comparing pages. The same file gives the same bytes.
    """
    return compile_document(_content_of(session, attachment, layout, paper, head), session.read_bytes())


def _content_of(session: Path, attachment: str, layout: Layout, paper: Paper, head: str = "") -> Content:
    """What a closed session file says, as long as it may be; with another ``head`` where one is given."""
    with SessionReader(session) as reader:
        content = gather(reader, attachment, layout, paper)
    if head:
        content = with_head(content, head)
    return customer.two_pages(content) if layout is Layout.CUSTOMER else fewer_pages(content)


def with_head(content: Content, head: str) -> Content:
    """The same content with another chain head printed."""
    return msgspec.structs.replace(content, head=head, head_short=head[:16])


def gather(
    reader: SessionReader, attachment: str, layout: Layout = Layout.FILE, paper: Paper = Paper.A4
) -> Content:
    """All that the document of a session says."""
    entries = reader.entries()
    begun, ended = last(entries, RunBegun), last_end(entries)
    head = reader.head()
    when = entries[-1].wall if entries else None
    plain = layout is Layout.CUSTOMER
    header, in_full = heading.shortened(heading.header(entries, reader.simulated, reader.invented))
    pictures = pictures_of(entries)
    sections = findings.customer_sections(entries) if plain else findings.sections(entries)
    sections += (Section("In full", in_full, what="long lines of the head"),) if in_full else ()
    if plain and pictures:
        sections += (Section("Photographs", (customer.photographs_line(len(pictures)),), Keep.WHOLE),)
    ran = bool(heading.runs_of(entries))
    return Content(
        title=_title(begun),
        number=heading.cut(heading.latest_job(entries).number, 28),
        workshop=heading.workshop(heading.latest_job(entries)),
        simulated=reader.simulated,
        alarm=ended is not None and ended.outcome in (Outcome.CUT_OFF, Outcome.ALARMED),
        header=header,
        outcome=_outcome(entries),
        claims=ended.claims if ended is not None else (),
        not_tested=not_tested(entries),
        sections=sections,
        charts=_charts(reader, begun, ended),
        charts_title="The bring-up" if begun is not None else "Waveforms",
        tables=customer.tables_of(entries) if plain else _tables(entries),
        decision_rule=customer.decision_rule(ran) if plain else decision_rule(ran),
        decision_title=customer.DECISION_TITLE if plain else "Uncertainty and decision rule",
        remarks=() if plain else findings.remarks(entries),
        recording=() if plain else findings.of_recording(entries),
        pictures=() if plain else pictures,
        cautions=CAUTIONS,
        head=head,
        head_short=head[:16],
        attachment=attachment,
        layout=layout,
        paper=paper,
        stamp=stamp_of(layout, paper),
        when=(when.year, when.month, when.day, when.hour, when.minute, when.second)
        if when is not None
        else (2000, 1, 1, 0, 0, 0),
    )


def _title(begun: RunBegun | None) -> str:
    return "Bring-up and repair record" if begun is not None else "Repair record"


def _outcome(entries: Sequence[Entry]) -> str:
    """How the job ended, in words that claim no more than was seen, and how the last bring-up did."""
    ending = last(entries, JobEnded)
    ended = last_end(entries)
    said = heading.run_end_missing(entries) or outcome_sentence(ended)
    return said if ending is None else f"{ending_sentence(ending.ending)} {said}"


def _charts(reader: SessionReader, begun: RunBegun | None, ended: RunEnded | None) -> tuple[Chart, ...]:
    waves = wave_charts(reader)
    if begun is None:
        return waves
    span = _span_us(reader)
    current = trace_of(reader, Role.SOURCE_CURRENT, span, CHART_POINTS)
    voltage = trace_of(reader, Role.INLET_VOLTAGE, span, CHART_POINTS)
    idle = idle_chart(begun.setup, ended.steps) if ended is not None else None
    last_run = reader.runs()[-1]
    soak = soak_charts(reader, last_run)
    return (
        *time_charts(last_run.begun, begun.setup, current, voltage),
        *([idle] if idle else []),
        *soak,
        *waves,
    )


def _span_us(reader: SessionReader) -> tuple[int, int]:
    """The last run, with a few seconds after it, so that the end is seen."""
    start_us, end_us = reader.runs()[-1].span_us
    return start_us, min(end_us + AFTER_US, reader.span_us[1])


def _which(run: heading.RunEntries, count: int) -> str:
    """Heading of the steps of a run, with its time where there are several."""
    return "Steps" if count == 1 or run.begun is None else f"Steps, {run.begun.wall:%Y-%m-%d %H:%M}"


def _tables(entries: Sequence[Entry]) -> tuple[Table, ...]:
    runs = [run for run in heading.runs_of(entries) if run.ended is not None and run.ended.steps]
    made = [
        *(
            tables.steps_table(r.ended.steps, _which(r, len(runs)))
            for r in reversed(runs)
            if r.ended is not None
        ),
        pairs.pairs_table(entries),
        *tables.taken_tables(entries),
        work.adjusted_table(entries),
        work.final_table(entries),
        work.safety_table(entries),
        tables.instruments_table(entries),
    ]
    return tuple(t for t in made if t is not None)
