"""What is intact in a damaged session file.

Entries and waveforms are proved one by one: each carries the digest of what it holds, so one that is listed
here is as it was committed. Readings carry none; they are given as they are found, and whether all of them
are as committed only `verify` can say, of a file that still opens.
"""

from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from itertools import pairwise
from math import inf, isfinite
from pathlib import Path

import numpy as np

from benchlog.model.errors import SessionFault, SessionHeld
from benchlog.model.history import Entry
from benchlog.model.quantity import Quantity
from benchlog.model.reading import Channel, Setting
from benchlog.model.role import Role
from benchlog.model.wave import Waveform
from benchlog.session.carve import INDEX_INTERIOR, INDEX_LEAF, TABLE_LEAF, Carved, Cell, Pages, Row, carve
from benchlog.session.chain import payload_digest, wave_digest
from benchlog.session.faults import mapped
from benchlog.session.lock import holder_of
from benchlog.session.payload import entry_of
from benchlog.session.schema import CODE_STATUS
from benchlog.session.series import ROW, Series, series_of
from benchlog.session.timeaxis import MOST_US
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
    waves: tuple[tuple[Waveform, str], ...]
    """Proved by their digests, each with the note of what it is of."""
    verification: Verification
    """What `verify` says of the file as it is."""


@dataclass(slots=True)
class _Found:
    entries: dict[int, Entry] = field(default_factory=dict)
    withheld: set[int] = field(default_factory=set)
    channels: dict[int, Channel] = field(default_factory=dict)
    settings: dict[int, Setting] = field(default_factory=dict)
    readings: dict[int, dict[int, Row]] = field(default_factory=dict)
    waves: dict[int, Row] = field(default_factory=dict)
    blocks: dict[int, dict[int, tuple[bytes, bytes]]] = field(default_factory=dict)


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
    return Salvage(entries, missing, withheld, channels, found.settings, _waves(found), verification)


def _waves(found: _Found) -> tuple[tuple[Waveform, str], ...]:
    waves = []
    for number, (start_us, rate_hz, samples, note, digest) in sorted(found.waves.items()):
        blocks = [block for _, block in sorted(found.blocks.get(number, {}).items())]
        if wave_digest(blocks) != digest:
            continue
        volts, amperes = (
            np.frombuffer(b"".join(part), "<f4").astype(np.float64) for part in zip(*blocks, strict=True)
        )
        if volts.size == amperes.size == samples:
            waves.append((Waveform(volts, amperes, float(str(rate_hz)), int(str(start_us))), str(note)))
    return tuple(waves)


def _fits(cells: Row, *kinds: type | tuple[type, ...]) -> bool:
    return len(cells) == len(kinds) and all(map(isinstance, cells, kinds))


_NONE = type(None)
_NUMBER = (float, int, _NONE)


def _sort_in(row: Carved, found: _Found) -> None:
    cells = row.cells
    if row.page_kind == TABLE_LEAF:
        for taking in (_take_entry, _take_channel, _take_setting, _take_wave):
            taking(row.rowid, cells, found)
    elif row.page_kind in (INDEX_LEAF, INDEX_INTERIOR) and _fits(cells, int, int, bytes, bytes):
        wave, block, volts, amperes = cells
        found.blocks.setdefault(int(str(wave)), {})[int(str(block))] = (volts, amperes)  # type: ignore[assignment]
    elif row.page_kind in (INDEX_LEAF, INDEX_INTERIOR) and _fits(
        cells, int, int, int, int, _NUMBER, int, int
    ):
        channel, t_us, took, late, value, status, setting = cells
        if not _can_be(int(str(t_us)), int(str(took)), int(str(late)), value, int(str(status))):
            return
        packed = (t_us, took, late, inf if value is None else value, status, setting)
        found.readings.setdefault(int(channel), {})[int(t_us)] = packed  # type: ignore[arg-type]


def _can_be(t_us: int, took_us: int, late_us: int, value: Cell, status: int) -> bool:
    """Whether a row could have been written as a reading at all."""
    times = t_us >= 0 and took_us >= 0 and t_us + abs(late_us) <= MOST_US
    if status == 0:
        return times and isinstance(value, float | int) and isfinite(value)
    return times and value is None and status in CODE_STATUS


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


def _take_wave(number: int, cells: Row, found: _Found) -> None:
    if _fits(cells, _NONE, int, (float, int), int, str, bytes, int):
        found.waves[number] = cells[1:6]


def _real(cell: Cell) -> float | None:
    """SQLite keeps a whole number in a column of numbers as an integer."""
    return float(cell) if isinstance(cell, float | int) else None
