"""CSV files with one header row (RFC 4180): UTF-8, lines that end in CR LF, text always in quotes.

Text is in quotes even where it need not be, so that a program that takes semicolons or tabs for the
delimiter does not split it.
"""

import csv
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TextIO

from benchlog.exchange.freetext import guard
from benchlog.model.errors import SessionFault, UsageError

MOST_IN_CELL = 64_000_000
"""Characters in one cell; more is refused."""
_LONGEST_HEADER = 100_000

Cell = None | int | float | str


@contextmanager
def written(path: Path) -> Iterator[None]:
    """Turns a fault of the disk while an export is written into a `SessionFault`."""
    try:
        yield
    except OSError as error:
        raise SessionFault(
            f"{path} can't be written: {error.strerror or error}. Choose another folder or make room."
        ) from error


def write_rows(path: Path, header: Sequence[str], rows: Iterable[Sequence[Cell]], bom: bool = False) -> None:
    """Write a CSV file; every text is guarded, None is an empty cell.

    ``bom`` puts the mark in front by which some spreadsheets know UTF-8. `SessionFault` where it can't be
    written.
    """
    guarded = ([guard(cell) if isinstance(cell, str) else cell for cell in row] for row in rows)
    write_guarded_rows(path, header, guarded, bom)


def write_guarded_rows(
    path: Path, header: Sequence[str], rows: Iterable[Sequence[Cell]], bom: bool = False
) -> None:
    """As `write_rows`, of texts that are guarded already or can't be dangerous."""
    encoding = "utf-8-sig" if bom else "utf-8"
    with written(path), path.open("w", encoding=encoding, newline="") as file:
        writer = csv.writer(file, lineterminator="\r\n", quoting=csv.QUOTE_NONNUMERIC)
        writer.writerow(header)
        writer.writerows(rows)


def _lines(file: TextIO) -> Iterator[str]:
    """Lines of a file, none of them longer than any cell may be; the first is a header of names."""
    most = _LONGEST_HEADER
    while line := file.readline(most + 1):
        if len(line) > most:
            raise csv.Error(f"a line of more than {most} characters")
        yield line
        most = 2 * MOST_IN_CELL


def read_rows(path: Path, needed: Sequence[str]) -> Iterator[tuple[int, dict[str, str]]]:
    """Rows of a CSV file with a header: the number of the line each ends in, and its cells by column.

    Cells are as they stand; free text is still to be unguarded. `UsageError` names the file, the line and
    what is wrong: columns missing, a row too long or too short, not CSV, not UTF-8.
    """
    csv.field_size_limit(MOST_IN_CELL)
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            reader = csv.reader(_lines(file), strict=True)
            header = next(reader, [])
            missing = [name for name in needed if name not in header]
            if missing:
                raise UsageError(f"{path} lacks the columns {', '.join(missing)}. Is it one of our exports?")
            for row in reader:
                if len(row) != len(header):
                    raise UsageError(
                        f"{path}, line {reader.line_num}: {len(row)} cells where the header has "
                        f"{len(header)}. Mend that line."
                    )
                yield reader.line_num, dict(zip(header, row, strict=True))
    except OSError as error:
        raise UsageError(f"{path} can't be read: {error.strerror or error}. Check the name.") from error
    except (csv.Error, UnicodeDecodeError) as error:
        raise UsageError(f"{path} is no CSV file in UTF-8 ({error}). Export it again.") from error
