"""What is intact in a damaged session file.

Entries are proved one by one: each carries the digest of its payload, so an entry that is listed here is
as it was committed. Readings carry none; they are given as they are found, and whether all of them are as
committed only `verify` can say, of a file that still opens.
"""

from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from itertools import pairwise
from math import inf
from pathlib import Path

import numpy as np

from benchlog.model.errors import SessionFault, SessionHeld
from benchlog.model.history import Entry
from benchlog.model.quantity import Quantity
from benchlog.model.reading import Channel, Setting
from benchlog.model.role import Role
from benchlog.session.carve import INDEX_INTERIOR, INDEX_LEAF, TABLE_LEAF, Carved, Cell, Pages, Row, carve
from benchlog.session.chain import payload_digest
from benchlog.session.faults import mapped
from benchlog.session.lock import holder_of
from benchlog.session.payload import entry_of
from benchlog.session.series import ROW, Series, series_of
from benchlog.session.verification import Verification, verify

MOST_BYTES = 4_000_000_000
"""Larger files are refused: they are read into memory."""


@dataclass(frozen=True, slots=True)
class Salvage:
    """What was found."""

    entries: tuple[Entry, ...]
    """Proved by their digests, in the order written."""
    missing: tuple[tuple[int, int], ...]
    """Stretches of numbers (first, last) before the last one found of which no intact entry was found."""
    withheld: tuple[int, ...]
    channels: Mapping[Channel, Series]
    """Readings as found, not proved."""
    settings: Mapping[int, Setting]
    verification: Verification
    """What `verify` says of the file as it is."""


@dataclass(slots=True)
class _Found:
    entries: dict[int, Entry] = field(default_factory=dict)
    withheld: set[int] = field(default_factory=set)
    channels: dict[int, Channel] = field(default_factory=dict)
    settings: dict[int, Setting] = field(default_factory=dict)
    readings: dict[int, dict[int, Row]] = field(default_factory=dict)


def salvage(path: Path) -> Salvage:
    """Look at every page of a file that nobody writes, and of the log beside it; the file is not changed.

    Raises `SessionHeld` while it is being recorded, `SessionFault` where it can't be read or is beyond
    `MOST_BYTES`.
    """
    if holder_of(path) is not None:
        raise SessionHeld(f"{path} is being recorded. Wait until that has ended and try again.")
    verification = verify(path)
    with mapped(path):
        if path.stat().st_size > MOST_BYTES:
            raise SessionFault(f"{path} is larger than {MOST_BYTES // 10**9} GB and is not looked through.")
        log = path.with_name(path.name + "-wal")
        pages = Pages(path.read_bytes(), log.read_bytes() if log.exists() else b"")
    found = _Found()
    for row in carve(pages, lambda kind: True):
        _sort_in(row, found)
    return _salvage_of(found, verification)


def _salvage_of(found: _Found, verification: Verification) -> Salvage:
    known = found.entries.keys() | found.withheld
    entries = tuple(found.entries[seq] for seq in sorted(found.entries))
    missing = tuple((a + 1, b - 1) for a, b in pairwise((0, *sorted(known))) if b > a + 1)
    channels = {
        channel: series_of(channel, np.array([rows[t] for t in sorted(rows)], ROW))
        for number, channel in sorted(found.channels.items())
        if (rows := found.readings.get(number, {}))
    }
    withheld = tuple(sorted(found.withheld - found.entries.keys()))
    return Salvage(entries, missing, withheld, channels, found.settings, verification)


def _fits(cells: Row, *kinds: type | tuple[type, ...]) -> bool:
    return len(cells) == len(kinds) and all(map(isinstance, cells, kinds))


_NONE = type(None)
_NUMBER = (float, int, _NONE)


def _sort_in(row: Carved, found: _Found) -> None:
    cells = row.cells
    if row.page_kind == TABLE_LEAF:
        for taking in (_take_entry, _take_channel, _take_setting):
            taking(row.rowid, cells, found)
    elif row.page_kind in (INDEX_LEAF, INDEX_INTERIOR) and _fits(
        cells, int, int, int, int, _NUMBER, int, int
    ):
        channel, t_us, took, late, value, status, setting = cells
        packed = (t_us, took, late, inf if value is None else value, status, setting)
        found.readings.setdefault(int(channel), {})[int(t_us)] = packed  # type: ignore[arg-type]


def _take_entry(seq: int, cells: Row, found: _Found) -> None:
    if not _fits(cells, _NONE, int, str, str, (bytes, _NONE), (str, _NONE), bytes, int):
        return
    t_us, wall, kind, salt, payload, digest = cells[1:7]
    if salt is None and payload is None:
        found.withheld.add(seq)
    elif (
        isinstance(salt, bytes)
        and isinstance(payload, str)
        and payload_digest(salt, payload.encode()) == digest
    ):
        with suppress(ValueError):
            found.entries[seq] = entry_of(seq, int(str(t_us)), str(wall), str(kind), payload)


def _take_channel(number: int, cells: Row, found: _Found) -> None:
    if _fits(cells, _NONE, str, str, str, str, int):
        role, quantity, _, instrument = map(str, cells[1:5])
        with suppress(ValueError):
            found.channels[number] = Channel(Role(role), Quantity(quantity), instrument)


def _take_setting(number: int, cells: Row, found: _Found) -> None:
    if _fits(cells, _NONE, int, _NUMBER, _NUMBER, int, int, _NUMBER, str, int):
        full, resolution, aperture_us, turns, frequency_hz, note = cells[2:8]
        found.settings[number] = Setting(
            _real(full),
            _real(resolution),
            int(str(aperture_us)),
            int(str(turns)),
            _real(frequency_hz),
            str(note),
        )


def _real(cell: Cell) -> float | None:
    """SQLite keeps a whole number in a column of numbers as an integer."""
    return float(cell) if isinstance(cell, float | int) else None
