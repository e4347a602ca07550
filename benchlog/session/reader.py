"""Reading a session file: history, readings as arrays, curves ready to be drawn, waveforms.

A reader can't change the file and holds no lock between calls: every question is asked and fully
answered before the call returns, so that a writer in another process is never kept from its work.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from itertools import starmap
from math import inf, isfinite
from pathlib import Path
from types import TracebackType
from typing import Any

import msgspec
import numpy as np

from benchlog.model.errors import SessionDamaged, UsageError
from benchlog.model.event import ReadingTaken, Told
from benchlog.model.history import BenchSet, Entry, JobEntered, RunBegun, RunEnded, RunTold
from benchlog.model.job import Job
from benchlog.model.quantity import Quantity
from benchlog.model.reading import Channel, Measured, Reading, Setting, Unusable
from benchlog.model.role import Role
from benchlog.model.wave import Waveform
from benchlog.session import summary
from benchlog.session.breakoff import BreakOff, broken_off
from benchlog.session.chain import PACK
from benchlog.session.connection import copy_committed, open_for_reading
from benchlog.session.faults import legible, mapped
from benchlog.session.payload import entry_of
from benchlog.session.reduction import reduce_points
from benchlog.session.schema import BLOCK, CODE_STATUS
from benchlog.session.series import ROW, Rows, Series, Trace, series_of
from benchlog.session.timeaxis import TimeAnchor, anchor_of, wall_of

READ_AT_ONCE = 100_000
"""Rows asked for in one question."""

FEW_BLOCKS, VERY_FEW_BLOCKS = 128, 16
"""Up to so many summary rows a window, and a first graph, is drawn from the readings themselves."""

EVER = (-(1 << 62), 1 << 62)

_WITHOUT_PICTURE = "case when kind = 'photograph' then json_remove(payload, '$.data') else payload end"

_ROW = "t_us, took_us, late_us, ifnull(value, 9e999), status, setting"


class WaveRecord(msgspec.Struct, frozen=True):
    """A waveform that is in the session."""

    number: int
    start_us: int
    rate_hz: float
    samples: int
    note: str


@dataclass(frozen=True, slots=True)
class Run:
    """One bring-up in the history."""

    begun: Entry
    ended: Entry | None
    """None where the history breaks off before its end."""

    @property
    def span_us(self) -> tuple[int, int]:
        """First and last instant of the run."""
        return self.begun.t_us, self.ended.t_us if self.ended else EVER[1]


class SessionReader:
    """A session file, open for looking only."""

    def __init__(self, path: Path, *, untrusted: bool = False) -> None:
        """Open it; ``untrusted`` has its structure checked first, as is right for a file from a stranger.

        Raises `SessionFault` (missing, newer, folder not usable) and `SessionDamaged` (not a session file,
        cut short, tables changed).
        """
        self.path = path
        self._db = open_for_reading(path, untrusted)

    def close(self) -> None:
        """Let go of the file; asking afterwards is a bug."""
        self._db.close()

    def __enter__(self) -> "SessionReader":
        """The reader."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Close it."""
        self.close()

    def _ask(self, sql: str, values: tuple[object, ...] = ()) -> list[Any]:
        with mapped(self.path):
            return self._db.execute(sql, values).fetchall()

    # -- what it is

    @cached_property
    def facts(self) -> Mapping[str, str]:
        """``session`` (its identity), ``created`` (ISO time), ``program`` that wrote it, and whether it
        began as ``simulated`` and as ``invented`` (yes, no)."""
        return {str(key): str(value) for key, value in self._ask("select key, value from meta")}

    def head(self) -> str:
        """Digest of the last link of the chain, 64 hexadecimal digits; for the document."""
        rows = self._ask("select digest from chain order by seq desc limit 1")
        if not rows or not isinstance(rows[0][0], bytes):
            raise SessionDamaged(f"{self.path} has no chain. Run 'benchlog verify' on it.")
        return rows[0][0].hex()

    def job(self) -> Job:
        """The job as it now reads; an empty one where it is withheld."""
        rows = self._entries("kind = 'job' and payload is not null order by seq desc limit 1")
        for entry in rows:
            if isinstance(entry.payload, JobEntered):
                return entry.payload.job
        return Job()

    @property
    def simulated(self) -> bool:
        """Whether anything in it comes from simulated instruments."""
        if self.facts.get("simulated") == "yes" or self.job().simulated:
            return True
        benches = self._entries("kind = 'bench' order by seq")
        return any(isinstance(e.payload, BenchSet) and e.payload.simulated for e in benches)

    @property
    def invented(self) -> bool:
        """Whether it is demonstration data of an invented scenario."""
        return self.facts.get("invented") == "yes" or self.job().invented

    @property
    def span_us(self) -> tuple[int, int]:
        """First and last instant that anything happened at."""
        first = self._ask("select min(t_us) from anchor")[0][0]
        last = self._ask("select max(t_us) from chain")[0][0]
        return int(first or 0), int(last or 0)

    def copy_to(self, out: Path) -> None:
        """Write a compact copy that stands alone and has the same chain; also while it is being recorded.

        For hashing, sending and attaching: the session file itself is never read by other means than
        SQLite. `SessionFault` where ``out`` exists or can't be written.
        """
        copy_committed(self._db, out)

    # -- history

    def entries(self, after: int = 0, photographs: bool = True) -> tuple[Entry, ...]:
        """The history in the order written, from the entry after number ``after``.

        An entry that was withheld has `Withheld` as its payload. Without ``photographs`` the pictures
        themselves are left in the file. `SessionDamaged` where one can't be read.
        """
        return self._entries("seq > ? order by seq", (after,), photographs)

    def photographs(self) -> tuple[Entry, ...]:
        """The entries with photographs, pictures and all."""
        return self._entries("kind = 'photograph' and payload is not null order by seq")

    def _entries(
        self, where: str, values: tuple[object, ...] = (), photographs: bool = True
    ) -> tuple[Entry, ...]:
        payload = "payload" if photographs else _WITHOUT_PICTURE
        rows = self._ask(f"select seq, t_us, wall, kind, {payload} from entry where {where}", values)
        with legible(self.path):
            return tuple(entry_of(*row) for row in rows)

    def runs(self) -> tuple[Run, ...]:
        """The bring-ups, each with the entries that begin and end it."""
        found: list[Run] = []
        for entry in self._entries("kind in ('run-begun', 'run-ended') order by seq"):
            if isinstance(entry.payload, RunBegun):
                found.append(Run(entry, None))
            elif isinstance(entry.payload, RunEnded) and found and found[-1].ended is None:
                found[-1] = Run(found[-1].begun, entry)
        return tuple(found)

    def broken_off(self) -> BreakOff | None:
        """How the last bring-up broke off; None where it has its end. Of a session that nobody records."""
        with mapped(self.path), legible(self.path):
            return broken_off(self._db)

    def told(self, t0_us: int = EVER[0], t1_us: int = EVER[1]) -> tuple[tuple[int, Told], ...]:
        """All that the limit watch was told from ``t0_us`` to ``t1_us``: instant and event, in that order."""
        events: list[tuple[int, Told]] = []
        for channel, number in self._numbers().items():
            rows = self._rows(number, *EVER, f"and t_us + late_us between {int(t0_us)} and {int(t1_us)}")
            events += [(at, ReadingTaken(reading)) for at, reading in self._each(self._series(channel, rows))]
        for entry in self._entries("kind = 'told' and t_us between ? and ? order by seq", (t0_us, t1_us)):
            if isinstance(entry.payload, RunTold):
                events.append((entry.t_us, entry.payload.event))
        return tuple(sorted(events, key=lambda event: event[0]))

    # -- time

    @property
    def anchors(self) -> tuple[TimeAnchor, ...]:
        """Where the session's axis is tied to the wall clock, in order of time."""
        rows = self._ask("select t_us, unix_us, offset_s, scale from anchor order by t_us")
        with legible(self.path):
            return tuple(anchor_of(*row) for row in rows)

    def wall_at(self, t_us: int) -> datetime:
        """Wall-clock time (aware) of an instant; for many of them use `timeaxis.wall_of`."""
        anchors = self.anchors
        if not anchors:
            raise SessionDamaged(
                f"{self.path} does not say when it was recorded. Run 'benchlog verify' on it."
            )
        with legible(self.path):
            return wall_of(anchors, t_us)

    # -- readings

    def _numbers(self) -> dict[Channel, int]:
        rows = self._ask("select id, role, quantity, instrument from channel order by id")
        with legible(self.path):
            return {Channel(Role(r), Quantity(q), str(i)): int(n) for n, r, q, i in rows}

    def channels(self) -> tuple[Channel, ...]:
        """The streams of readings, in the order in which they first appeared."""
        return tuple(self._numbers())

    def _number(self, channel: Channel) -> int:
        number = self._numbers().get(channel)
        if number is None:
            raise UsageError(f"{self.path} has no channel {channel.name} ({channel.quantity.label}).")
        return number

    @property
    def settings(self) -> Mapping[int, Setting]:
        """Settings by the numbers that a `Series` holds."""
        rows = self._ask(
            "select id, range, resolution, aperture_us, turns, test_frequency_hz, note from setting"
        )
        with legible(self.path):
            return {int(number): _setting(*row) for number, *row in rows}

    def _rows(self, number: int, t0_us: int, t1_us: int, which: str = "") -> Rows:
        """Packed rows of a channel that ended from ``t0_us`` to ``t1_us``; ``which`` narrows them in SQL."""
        parts: list[bytes] = []
        while True:
            rows = self._ask(
                f"select {_ROW} from reading where channel = ? and t_us between ? and ? {which}"
                " order by t_us limit ?",
                (number, t0_us, t1_us, READ_AT_ONCE),
            )
            with legible(self.path):
                parts.append(_packed(rows))
            if len(rows) < READ_AT_ONCE:
                return np.frombuffer(b"".join(parts), ROW)
            t0_us = int(rows[-1][0]) + 1

    def readings(self, channel: Channel, t0_us: int = EVER[0], t1_us: int = EVER[1]) -> Series:
        """All that is stored of a channel's readings that ended from ``t0_us`` to ``t1_us``."""
        return self._series(channel, self._rows(self._number(channel), t0_us, t1_us))

    def _series(self, channel: Channel, rows: Rows) -> Series:
        with legible(self.path):
            if not np.isin(rows["setting"], list(self.settings)).all():
                raise ValueError("a reading without its setting")
        return series_of(channel, rows)

    def count(self, channel: Channel) -> int:
        """How many readings of a channel there are."""
        rows = self._ask("select count(*) from reading where channel = ?", (self._number(channel),))
        return int(rows[0][0])

    def each(
        self, channel: Channel, t0_us: int = EVER[0], t1_us: int = EVER[1]
    ) -> Iterator[tuple[int, Reading]]:
        """The readings themselves, each with the instant at which the limit watch was told of it."""
        return self._each(self.readings(channel, t0_us, t1_us))

    def _each(self, series: Series) -> Iterator[tuple[int, Reading]]:
        settings = self.settings
        how = [settings[number] for number in series.setting.tolist()]
        why = [CODE_STATUS[code] if code else None for code in series.status.tolist()]
        columns = (series.t_us, series.took_us, series.late_us, series.value)
        for end, took, late, value, status, setting in zip(
            *(c.tolist() for c in columns), why, how, strict=True
        ):
            if status is None:
                yield end + late, Measured(series.channel, value, end - took, end, setting)
            else:
                yield end + late, Unusable(series.channel, status, end - took, end, setting)

    # -- curves

    def window(self, channel: Channel, t0_us: int, t1_us: int, max_points: int) -> Trace:
        """A curve of the readings that ended from ``t0_us`` to ``t1_us``, of at most ``max_points`` points.

        Drawn from the readings themselves, or over a long time from the summary; no peak is lost and no
        gap is closed either way.
        """
        return self._curve(self._number(channel), t0_us, t1_us, max_points, FEW_BLOCKS)

    def overview(self, max_points: int) -> dict[Channel, Trace]:
        """A curve of everything, for each channel: the first graph, sooner and coarser than `window`."""
        return {c: self._curve(n, *EVER, max_points, VERY_FEW_BLOCKS) for c, n in self._numbers().items()}

    def _curve(self, number: int, t0_us: int, t1_us: int, max_points: int, few: int) -> Trace:
        blocks = self._ask(
            f"select {summary.CURVE} from summary where channel = ? and first_us >= ? and last_us <= ?"
            " order by block",
            (number, t0_us, t1_us),
        )
        if len(blocks) <= few:
            rows = self._rows(number, t0_us, t1_us)
            t_us, value = summary.raw_points(rows)
            return _reduced(Trace(t_us, value, rows.size, False), max_points)
        blocks = blocks[1:-1]  # the curve begins and ends at a reading
        head = self._rows(number, t0_us, int(blocks[0][0]) - 1)
        tail = self._rows(number, int(blocks[-1][1]) + 1, t1_us)
        with legible(self.path):
            middle = summary.points_of(blocks)
        parts = [summary.raw_points(head), middle, summary.raw_points(tail)]
        return _reduced(
            summary.trace_of(parts, head.size + len(blocks) * BLOCK + tail.size, True), max_points
        )

    # -- waveforms

    def waves(self) -> tuple[WaveRecord, ...]:
        """The waveforms that are there."""
        rows = self._ask("select id, start_us, rate_hz, samples, note from wave order by id")
        return tuple(WaveRecord(*row) for row in rows)

    def wave(self, number: int) -> Waveform:
        """A waveform, as precise as 32-bit floats are. `UsageError` where there is none of that number."""
        found = self._ask("select start_us, rate_hz, samples from wave where id = ?", (number,))
        if not found:
            raise UsageError(f"{self.path} has no waveform {number}.")
        blocks = self._ask("select v, i from wave_block where wave = ? order by block", (number,))
        start_us, rate_hz, samples = found[0]
        with legible(self.path):
            v, i = (np.frombuffer(b"".join(b[k] for b in blocks), "<f4").astype(np.float64) for k in (0, 1))
            if not (v.size == i.size == samples and 0 < rate_hz < inf):
                raise ValueError(f"waveform {number}")
        return Waveform(v, i, rate_hz, start_us)


def _setting(
    full: float | None, resolution: float | None, aperture_us: int, turns: int, hz: float | None, note: str
) -> Setting:
    """A setting of its row. `ValueError` for a number that is none."""
    if not all(isfinite(number or 0.0) for number in (full, resolution, hz)):
        raise ValueError("how a channel was set")
    return Setting(full, resolution, aperture_us, turns, hz, note)


def _packed(rows: list[Any]) -> bytes:
    """Rows as the chain packs them. `ValueError` for what no program writes."""
    packed = b"".join(starmap(PACK.pack, rows))
    found = np.frombuffer(packed, ROW)
    if any(np.any(np.abs(found[name]) > EVER[1] // 4) for name in ("t_us", "took_us", "late_us")):
        raise ValueError("the time of a reading")
    if not np.isin(found["status"], [0, *CODE_STATUS]).all():
        raise ValueError("the status of a reading")
    if not np.isfinite(found["value"][found["status"] == 0]).all():
        raise ValueError("the value of a reading")
    return packed


def _reduced(trace: Trace, max_points: int) -> Trace:
    t_us, value = reduce_points(trace.t_us, trace.value, max_points)
    return Trace(t_us, value, trace.count, trace.reduced or t_us.size < trace.t_us.size)
