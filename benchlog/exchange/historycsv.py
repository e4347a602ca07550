"""The history as a CSV file, and back: one row an entry, with its payload as JSON."""

from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import msgspec

from benchlog.exchange.freetext import unguard
from benchlog.exchange.isotime import instant
from benchlog.exchange.rows import Cell, read_rows, write_rows
from benchlog.model.clock import seconds
from benchlog.model.errors import UsageError
from benchlog.model.history import Entry, Payload, Withheld
from benchlog.session.payload import decode_payload, encode_payload, kind_in_history
from benchlog.session.reader import SessionReader

HEADER = ("seq", "time", "t_s", "kind", "text", "payload")


def plain_text(payload: Payload) -> str:
    """What an entry says, for people: its text where it has one, else its plain fields."""
    if isinstance(payload, Withheld):
        return "withheld"
    content = msgspec.to_builtins(payload)
    if isinstance(text := content.get("text"), str):
        return text
    said = ((key, value) for key, value in content.items() if key not in ("type", "data"))
    return "; ".join(f"{k}: {v}" for k, v in said if isinstance(v, str | int | float) and v != "")


def export_history(reader: SessionReader, path: Path, bom: bool = False) -> int:
    """Write every entry; returns how many. A withheld payload is an empty cell. Faults as `write_rows`."""
    entries = reader.entries()

    def rows() -> Iterator[tuple[Cell, ...]]:
        for entry in entries:
            payload = entry.payload
            text = "" if isinstance(payload, Withheld) else encode_payload(payload).decode()
            time, kind = entry.wall.isoformat(), kind_in_history(payload)
            yield entry.seq, time, seconds(entry.t_us), kind, plain_text(payload), text

    write_rows(path, HEADER, rows(), bom)
    return len(entries)


def read_history(path: Path) -> Iterator[Entry]:
    """Entries of a file that `export_history` wrote. `UsageError` names the line that can't be one."""
    for line, row in read_rows(path, HEADER):
        try:
            payload = unguard(row["payload"])
            yield Entry(
                int(row["seq"]),
                instant(float(row["t_s"])),
                datetime.fromisoformat(row["time"]),
                decode_payload(payload) if payload else Withheld(row["kind"]),
            )
        except ValueError as error:
            raise UsageError(f"{path}, line {line}: {error}. Mend that line.") from error
