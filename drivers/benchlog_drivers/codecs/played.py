"""Recorded readings to play back: rows of a CSV text."""

import csv
from collections.abc import Iterator
from io import StringIO

import msgspec

from benchlog.model.quantity import Quantity
from benchlog.model.reading import Status
from benchlog_drivers.codecs.number import strict_float


class PlayedRow(msgspec.Struct, frozen=True):
    """One recorded reading, seconds from the recording's begin."""

    start_s: float
    end_s: float
    role: str
    quantity: Quantity
    value: float | None
    status: Status | None
    range: float | None = None
    resolution: float | None = None


def read_csv(text: str, role: str, quantity: Quantity) -> Iterator[PlayedRow]:
    """Rows that play ``role``. `ValueError` with the line of what can't be read.

    The program's own export is understood (``start_s``, ``end_s``, ``status``, ``role``, ``quantity`` and the
    value under the role's name and unit of measure), and a plain table with ``t_s`` and such a value column.
    """
    table = csv.DictReader(StringIO(text.lstrip("\ufeff")), delimiter=";" if ";" in text[:200] else ",")
    column = f"{role.replace('-', '_')}_{quantity.ascii_unit}"
    names = table.fieldnames or ()
    if column not in names or not ("t_s" in names or "end_s" in names):
        raise ValueError(f"line 1: there is no column {column!r} with 't_s' or 'end_s' beside it")
    for line, row in enumerate(table, start=2):
        if row.get("role") not in (None, "", role) or row.get("quantity") not in (None, "", quantity.value):
            continue
        yield _row(row, column, role, quantity, line)


def _row(row: dict[str, str], column: str, role: str, quantity: Quantity, line: int) -> PlayedRow:
    end = strict_float(row.get("end_s") or row.get("t_s") or "")
    start = strict_float(row.get("start_s") or row.get("t_s") or "")
    if end is None or start is None or end < start:
        raise ValueError(f"line {line}: its time can't be read")
    word = row.get("status") or "valid"
    if word != "valid":
        return PlayedRow(start, end, role, quantity, None, Status(word))
    value = strict_float(row[column] or "")
    if value is None:
        raise ValueError(f"line {line}: {row[column]!r} is no number")
    full = strict_float(row.get(f"range_{quantity.ascii_unit}") or "")
    return PlayedRow(start, end, role, quantity, value, None, full)
