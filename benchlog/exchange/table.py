"""Numbers out of a text table whatever its preamble, delimiter and decimal sign.

    read_table(path) -> Table            what the file holds, its columns named
    numbers(table, columns) -> array     those columns as float64, one row a line

Handled: lines of preamble above the table or in columns beside it, a header with or without a row of units,
comma, semicolon, tab or blanks between fields, point or comma in numbers, UTF-8, UTF-16 and Windows text.
"""

import io
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from benchlog.model.errors import UsageError
from benchlog.model.textfile import read_bounded

_STYLES = (("\t", "."), ("\t", ","), (";", "."), (";", ","), (",", "."), (None, "."), (None, ","))
_SAMPLE = 50
MOST_BYTES = 300_000_000
"""Of a text table: about ten million rows."""
LONGEST_LINE = 10_000
_LONGEST_NUMBER, _MOST_COLUMNS = 60, 500
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?|[+-]?(nan|inf|infinity)", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Table:
    """Where the numbers stand in a text file."""

    path: Path
    lines: tuple[str, ...]
    """The lines of numbers only."""
    first_line: int
    """Number of the first of them in the file, from 1."""
    delimiter: str | None
    """None for blanks."""
    decimal: str
    positions: tuple[int, ...]
    """Fields of a line that hold numbers, counted from 0."""
    names: tuple[str, ...]
    """One for each position; empty strings where the file has no header."""
    units: tuple[str, ...]
    """From a row of units below the header; empty strings without one."""


def _text(path: Path) -> str:
    try:
        raw = read_bounded(path, MOST_BYTES)
    except OSError as error:
        raise UsageError(f"{path} can't be read: {error.strerror or error}. Check the name.") from error
    encoding = "utf-16" if raw.startswith((b"\xff\xfe", b"\xfe\xff")) else "utf-8-sig"
    try:
        return raw.decode(encoding)
    except UnicodeDecodeError:
        return raw.decode("cp1252", errors="replace")


def split(line: str, delimiter: str | None) -> list[str]:
    """Fields of a line, without blanks and quotation marks around them."""
    return [field.strip().strip('"').strip() for field in line.split(delimiter)]


def _is_number(field: str, decimal: str) -> bool:
    if len(field) > _LONGEST_NUMBER:
        return False
    if decimal == ",":
        if "." in field:
            return False
        field = field.replace(",", ".")
    return _NUMBER.fullmatch(field) is not None


def _numeric(line: str, delimiter: str | None, decimal: str) -> list[bool]:
    """Whether each field of a line is a number; nothing where there are more fields than any table has."""
    fields = split(line, delimiter)
    return [_is_number(field, decimal) for field in fields] if len(fields) <= _MOST_COLUMNS else []


def _style(lines: Sequence[str]) -> tuple[str | None, str, tuple[int, ...]] | None:
    """Delimiter, decimal sign and number columns that hold in every line; the most columns win."""
    best: tuple[str | None, str, tuple[int, ...]] | None = None
    for delimiter, decimal in _STYLES:
        rows = [_numeric(line, delimiter, decimal) for line in lines]
        if len({len(row) for row in rows}) != 1:
            continue
        columns = tuple(k for k in range(len(rows[0])) if all(row[k] for row in rows))
        if len(columns) >= 2 and (best is None or len(columns) > len(best[2])):
            best = (delimiter, decimal, columns)
    return best


def _start(lines: Sequence[str], delimiter: str | None, decimal: str, columns: tuple[int, ...]) -> int:
    """Index of the first line of numbers."""
    for k, line in enumerate(lines):
        row = _numeric(line, delimiter, decimal)
        if len(row) > columns[-1] and all(row[c] for c in columns):
            return k
    return len(lines)


def _header(
    above: Sequence[str], delimiter: str | None, columns: tuple[int, ...]
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Names and units from the two nearest lines above the numbers that have a text for every column."""
    empty = tuple("" for _ in columns)
    rows = []
    for line in reversed(above[-4:]):
        fields = split(line, delimiter)
        if len(fields) <= columns[-1] or not all(fields[c] for c in columns):
            break
        rows.append(tuple(fields[c] for c in columns))
        if len(rows) == 2:
            break
    if not rows:
        return empty, empty
    if len(rows) == 2 and all(len(unit.strip("()[]")) <= 8 for unit in rows[0]):
        return rows[1], rows[0]
    return rows[0], empty


def read_table(path: Path) -> Table:
    """Find the table in a text file.

    `UsageError` names the file where it can't be read or holds no two columns of numbers.
    """
    lines = _text(path).splitlines()
    filled = [line for line in lines if line.strip()]
    if not filled:
        raise UsageError(f"{path} is empty. Export the recording again.")
    longest = max(map(len, filled))
    if longest > LONGEST_LINE:
        raise UsageError(
            f"{path} has a line of {longest} characters, more than {LONGEST_LINE}. Export it as CSV, one "
            "line a sample."
        )
    style = _style(filled[max(len(filled) // 3, len(filled) - _SAMPLE) :]) or _style(filled[-3:])
    if style is None:
        raise UsageError(
            f"{path} holds no table with at least two columns of numbers at its end. Export it as CSV, one "
            "line a sample."
        )
    delimiter, decimal, columns = style
    start = _start(lines, delimiter, decimal, columns)
    names, units = _header([line for line in lines[:start] if line.strip()], delimiter, columns)
    rows = tuple(line for line in lines[start:] if line.strip())
    return Table(path, rows, start + 1, delimiter, decimal, columns, names, units)


def _bad_line(table: Table, columns: Sequence[int]) -> UsageError:
    for k, line in enumerate(table.lines):
        fields = split(line, table.delimiter)
        for c in columns:
            field = fields[c] if c < len(fields) else ""
            if not _is_number(field, table.decimal):
                return UsageError(
                    f"{table.path}, line {table.first_line + k}: {field!r} in column {c + 1} is no number. "
                    "Mend or cut that line and try again."
                )
    return UsageError(f"{table.path} can't be read as numbers. Export it again as plain CSV.")


def numbers(table: Table, columns: Sequence[int]) -> npt.NDArray[np.float64]:
    """The given columns (indices into ``table.positions``) as an array of lines × columns.

    `UsageError` names the first line that holds something else than numbers.
    """
    positions = [table.positions[k] for k in columns]
    text = "\n".join(table.lines).replace('"', "")
    if table.decimal == ",":
        text = text.replace(",", ".")
    try:
        return np.loadtxt(
            io.StringIO(text), delimiter=table.delimiter, usecols=positions, ndmin=2, comments=None
        )
    except (ValueError, IndexError) as error:
        raise _bad_line(table, positions) from error
