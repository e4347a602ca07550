"""A whole session as a spreadsheet: what it is, history, steps, and each channel with its chart.

Text is always text: no string becomes a formula or a link. Numbers have the 16 digits that the format
carries (ECMA-376 stores decimal text; xlsxwriter writes 16), so a value reads back to 1 part in 10¹⁵.
"""

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import msgspec
import xlsxwriter
from xlsxwriter.exceptions import XlsxWriterException

from benchlog.exchange.historycsv import HEADER, plain_text
from benchlog.exchange.isotime import iso_times
from benchlog.exchange.readingscsv import VALID, header_of
from benchlog.exchange.rows import Cell, written
from benchlog.model.clock import seconds
from benchlog.model.errors import SessionFault
from benchlog.model.history import RunEnded, Withheld
from benchlog.model.reading import Channel
from benchlog.session.payload import encode_payload, kind_in_history
from benchlog.session.reader import SessionReader
from benchlog.session.schema import CODE_STATUS

MOST_IN_CELL = 32_767
"""Characters that a cell of such a file may hold (ECMA-376, ST_Xstring in a cell)."""

MOST_ROWS = 1_000_000
"""Readings on a sheet; a sheet has 1 048 576 rows. What is more goes on another sheet."""

MOST_IN_CHART = 30_000
"""Readings that a chart is drawn from; of more, a curve with every peak kept, on a sheet of its own. A series
of a chart was limited to 32 000 points (from memory)."""

CURVE_POINTS = 6_000

TIMES = "middle of the aperture; start, end and the instant told are in the CSV and JSON exports"
CUT = " … (cut: the whole is in the session and in its CSV and JSON exports)"
_STEP = (
    "set_v", "measured_v", "inrush_a", "inrush_is_lower_bound", "idle_a", "idle_u_a", "acceptance_a",
    "acceptance_source", "stop_a", "stop_source", "verdict", "decided_by", "decision_reason",
    "settled_after_s", "power_w", "power_factor", "visited", "idle_bound_a",
)  # fmt: skip
_READING = 4
"""Columns of a channel's CSV file that stand here, too; each costs ten seconds at a million readings."""


def export_xlsx(reader: SessionReader, path: Path) -> tuple[str, ...]:
    """Write the file; returns the names of its sheets. `SessionFault` where it can't be written."""
    options = {"constant_memory": True, "strings_to_formulas": False, "strings_to_urls": False,
               "strings_to_numbers": False, "nan_inf_to_errors": False}  # fmt: skip
    with written(path), path.open("wb"):
        pass  # the library leaves its temporary files open where it finds only at the end that it can't write
    try:
        with written(path), xlsxwriter.Workbook(str(path), options) as book:
            names = [_sheet(book, "session", ("what", "value"), _facts(reader))]
            names.append(_sheet(book, "history", HEADER, _history(reader)))
            names += _steps(book, reader)
            for channel in reader.channels():
                names += _channel(book, reader, channel, names)
    except XlsxWriterException as error:
        raise SessionFault(f"{path} can't be written: {error}. Choose another folder.") from error
    return tuple(names)


def _sheet(book: Any, name: str, header: Sequence[str], rows: Iterator[Sequence[Cell]]) -> str:
    sheet = book.add_worksheet(name)
    bold = book.add_format({"bold": True})
    for column, title in enumerate(header):
        sheet.write_string(0, column, title, bold)
    sheet.freeze_panes(1, 0)
    sheet.set_column(0, len(header) - 1, 16)
    for number, row in enumerate(rows, 1):
        for column, cell in enumerate(row):
            _write(sheet, number, column, cell)
    return name


def _write(sheet: Any, row: int, column: int, cell: Cell) -> None:
    if isinstance(cell, str):
        text = cell if len(cell) <= MOST_IN_CELL else cell[: MOST_IN_CELL - len(CUT)] + CUT
        sheet.write_string(row, column, text)
    elif isinstance(cell, bool):
        sheet.write_boolean(row, column, cell)
    elif cell is not None:
        sheet.write_number(row, column, cell)


def _facts(reader: SessionReader) -> Iterator[Sequence[Cell]]:
    job = reader.job()
    yield from reader.facts.items()
    yield "head of the chain", reader.head()
    yield "simulated", "yes" if reader.simulated else "no"
    yield "invented", "yes" if reader.invented else "no"
    yield "times of readings", TIMES
    yield from (("job", job.number), ("customer", job.customer.name), ("complaint", job.complaint))


def _history(reader: SessionReader) -> Iterator[Sequence[Cell]]:
    for entry in reader.entries():
        payload = entry.payload
        text = "" if isinstance(payload, Withheld) else encode_payload(payload).decode()
        time, kind = entry.wall.isoformat(), kind_in_history(payload)
        yield entry.seq, time, seconds(entry.t_us), kind, plain_text(payload), text


def _steps(book: Any, reader: SessionReader) -> list[str]:
    """The steps of every run, one below the other; no sheet where there was no run."""
    runs = [run.ended.payload for run in reader.runs() if run.ended is not None]
    ended = [payload for payload in runs if isinstance(payload, RunEnded)]
    if not ended:
        return []
    rows = (
        (number, *(msgspec.to_builtins(getattr(step, name)) for name in _STEP))
        for number, payload in enumerate(ended, 1)
        for step in payload.steps
    )
    return [_sheet(book, "steps", ("run", *_STEP), rows)]


def _channel(book: Any, reader: SessionReader, channel: Channel, taken: list[str]) -> list[str]:
    """The readings of a channel with their chart, on as many sheets as they take."""
    series = reader.readings(channel)
    status = {0: VALID} | {code: name.value for code, name in CODE_STATUS.items()}
    header = header_of(channel)[:_READING]
    made: list[str] = []
    for first in range(0, max(series.t_us.size, 1), MOST_ROWS):
        part = slice(first, first + MOST_ROWS)
        middle = series.mid_us[part]
        values = [None if value != value else value for value in series.value[part].tolist()]
        words = [status[code] for code in series.status[part].tolist()]
        times = iso_times(reader.anchors, middle) if middle.size else []
        rows = zip(times, (middle / 1e6).tolist(), values, words, strict=True)
        name = _free(channel.name, [*taken, *made])
        made.append(_sheet(book, name, header, rows))
    if 0 < series.t_us.size <= MOST_IN_CHART:
        _chart(book, made[0], series.t_us.size, channel)
    elif series.t_us.size:
        made.append(_curve(book, reader, channel, _free(f"{channel.name} curve", [*taken, *made])))
    return made


def _curve(book: Any, reader: SessionReader, channel: Channel, name: str) -> str:
    """A sheet with the chart of a long channel and the curve it is drawn from; with every peak and gap."""
    trace = reader.window(channel, *reader.span_us, CURVE_POINTS)
    values = [None if value != value else value for value in trace.value.tolist()]
    times = iso_times(reader.anchors, trace.t_us)
    rows = zip(times, (trace.t_us / 1e6).tolist(), values, strict=True)
    _sheet(book, name, header_of(channel)[:3], rows)
    _chart(book, name, len(values), channel)
    return name


def split_sheets(counts: Mapping[str, int]) -> tuple[str, ...]:
    """What is to be said of channels with more readings than a sheet has rows, by name and count."""
    return tuple(
        f"{name}: {count} readings are on {-(-count // MOST_ROWS)} sheets, as a sheet ends at 1 048 576 rows"
        for name, count in counts.items()
        if count > MOST_ROWS
    )


def _chart(book: Any, name: str, count: int, channel: Channel) -> None:
    chart = book.add_chart({"type": "scatter", "subtype": "straight"})
    chart.add_series(
        {
            "name": f"{channel.name}, {channel.quantity.unit}",
            "categories": [name, 1, 1, count, 1],
            "values": [name, 1, 2, count, 2],
            "line": {"width": 1.0},
        }
    )
    chart.set_x_axis({"name": "time from the start, s"})
    chart.set_y_axis({"name": f"{channel.quantity.label}, {channel.quantity.unit}"})
    chart.show_blanks_as("gap")
    book.get_worksheet_by_name(name).insert_chart("I2", chart, {"x_scale": 1.6, "y_scale": 1.4})


def _free(name: str, taken: Sequence[str]) -> str:
    """A name of at most 31 characters that no sheet has."""
    count, free = 2, name[:31]
    while free in taken:
        free = f"{name[:26]} {count}"
        count += 1
    return free
