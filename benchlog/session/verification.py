"""Verify: whether what is in a session file is what was committed, and where it is not.

Reads the whole file under one snapshot; meant for a process of its own, since it keeps a writer from
shortening its log meanwhile.
"""

import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import islice, starmap
from math import inf
from pathlib import Path

import msgspec
import numpy as np

from benchlog.model.errors import SessionFault
from benchlog.session import summary
from benchlog.session.batch import COLUMNS
from benchlog.session.chain import FIRST, PACK, Link, counts_of, payload_digest, wave_digest
from benchlog.session.connection import open_for_reading
from benchlog.session.faults import is_there, mapped
from benchlog.session.payload import decode_payload, kind_of
from benchlog.session.schema import BLOCK, CODE_STATUS
from benchlog.session.series import ROW
from benchlog.session.summary import Tail

MOST_FAULTS = 20
"""Faults told one by one; the rest are counted."""


@dataclass(frozen=True, slots=True)
class Verification:
    """What `verify` found."""

    ok: bool
    """Whether everything is as it was committed (entries that were withheld are no fault)."""
    head: str
    """Digest of the last link, 64 hexadecimal digits, to compare with the printed one; or empty."""
    faults: tuple[str, ...]
    links: int = 0
    readings: int = 0
    entries: int = 0
    withheld: tuple[int, ...] = ()
    """Numbers of the entries whose payloads are not in this copy."""
    undecided: tuple[str, ...] = ()
    """Of a document: what this version of the program can't tell. No fault, and not ``ok`` either."""
    notes: tuple[str, ...] = ()
    """What belongs to the answer and takes nothing away from it."""


@dataclass(slots=True)
class _Check:
    db: sqlite3.Connection
    faults: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    more: int = 0
    readings: int = 0
    head: bytes = b""
    links: int = 0

    def fault(self, text: str) -> None:
        if len(self.faults) < MOST_FAULTS:
            self.faults.append(text)
        else:
            self.more += 1


def verify(path: Path) -> Verification:
    """Check the structure, the chain, every payload and waveform, and the summary of a session file.

    A file that is cut short, not a session file or newer gives ``ok`` False with the reason in ``faults``.
    Raises `SessionFault` only where there is no file.
    """
    if not is_there(path):
        raise SessionFault(f"There is no session file {path}. Check the name and the folder.")
    try:
        db = open_for_reading(path, untrusted=True)
    except SessionFault as error:
        return Verification(False, "", (str(error),))
    check = _Check(db)
    withheld: list[int] = []
    entries = 0
    try:
        with mapped(path):
            db.execute("begin")
            _check_links(check)
            entries = _check_entries(check, withheld)
            _check_waves(check)
    except SessionFault as error:
        check.fault(str(error))
    finally:
        db.close()
    if check.more:
        check.faults.append(f"and {check.more} more")
    return Verification(
        not check.faults, check.head.hex(), tuple(check.faults),
        check.links, check.readings, entries, tuple(withheld), notes=tuple(check.notes),
    )  # fmt: skip


_SMALL = tuple(table for table in COLUMNS if table != "meta")
_ORDER = {"anchor": "t_us", "channel": "id", "setting": "id", "entry": "seq", "wave": "id"}
Small = dict[str, dict[int, list[tuple[int | float | str | bytes | None, ...]]]]


def _small_tables(db: sqlite3.Connection) -> Small:
    """Rows of every table but the readings, by the link that covers them."""
    found: Small = {"meta": {1: db.execute("select key, value from meta order by key").fetchall()}}
    for table in _SMALL:
        by_link = found[table] = {}
        for row in db.execute(f"select {COLUMNS[table]}, link from {table} order by {_ORDER[table]}"):
            by_link.setdefault(row[-1], []).append(row[:-1])
    return found


class _Stream:
    """The readings of one channel in order, packed; keeps the summary rows that they make."""

    def __init__(self, db: sqlite3.Connection, channel: int) -> None:
        # a damaged key in the middle of a search is not noticed by the search: each row says its own
        cursor = db.execute(
            "select t_us, took_us, late_us, ifnull(value, 9e999), status, iif(+channel = ?1, setting, -1)"
            " from reading where channel = ?1 order by t_us",
            (channel,),
        )
        self.channel = channel
        self.made: list[summary.Row] = []
        self.strange = 0
        self._rows: Iterator[bytes] = starmap(PACK.pack, cursor)
        self._tail = Tail(channel)
        self._waiting: list[bytes] = []
        self._count = 0

    def take(self, count: int) -> bytes:
        packed = b"".join(islice(self._rows, count))
        self._waiting.append(packed)
        self._count += len(packed) // PACK.size
        if self._count >= 64 * BLOCK:
            self.settle()
        return packed

    def settle(self) -> None:
        packed = b"".join(self._waiting)
        self._waiting, self._count = [], 0
        rows = np.frombuffer(packed, ROW)
        known = np.isin(rows["status"], [0, *CODE_STATUS])
        self.strange += int(np.sum(~known | ((rows["status"] == 0) != (rows["value"] != inf))))
        self.made += self._tail.take(packed)

    def rest(self) -> int:
        return sum(1 for _ in self._rows)


def _check_links(check: _Check) -> None:
    db = check.db
    small = _small_tables(db)
    numbers = [row[0] for row in db.execute("select distinct channel from reading order by channel")]
    streams = {number: _Stream(db, number) for number in numbers}
    before, expected = FIRST, 1
    for seq, t_us, text, digest in db.execute("select seq, t_us, readings, digest from chain order by seq"):
        if seq != expected:
            check.fault(f"links {expected} to {seq - 1} of the chain are missing")
        if _digest(check, seq, t_us, text, before, small, streams) != digest:
            check.fault(_where(seq, t_us, text, small))
        before, expected = digest, seq + 1
        check.links += 1
    check.head = before if check.links else b""
    _check_rest(check, small, streams)
    for stream in streams.values():
        stream.settle()
        _check_stream(check, stream)


def _digest(
    check: _Check, seq: int, t_us: int, text: str, before: bytes, small: Small, streams: dict[int, _Stream]
) -> bytes:
    link = Link(seq, t_us, text, before)
    for table in COLUMNS:
        link.add(table, small[table].pop(seq, ()))
    try:
        counts = counts_of(text)
    except ValueError:
        return b""
    for channel, count in counts:
        if channel in streams and count >= 0:
            packed = streams[channel].take(count)
            check.readings += len(packed) // PACK.size
            link.add_readings(packed)
    return link.digest()


def _where(seq: int, t_us: int, text: str, small: Small) -> str:
    return (
        f"link {seq} of the chain, committed at {t_us / 1e6:.3f} s: what it covers was changed, added to or "
        f"taken from after it was committed (readings by channel: {text or 'none'})"
    )


def _check_rest(check: _Check, small: Small, streams: dict[int, _Stream]) -> None:
    if not check.links:
        if not streams and not any(rows for by_link in small.values() for rows in by_link.values()):
            check.notes.append("It is empty: the program that made it ended before it stored anything.")
            return
        check.fault("there is no chain")
    for table, by_link in small.items():
        for link in by_link:
            check.fault(
                f"{table}: {len(by_link[link])} rows belong to link {link}, which is not in the chain"
            )
    for channel, stream in streams.items():
        rest = stream.rest()
        if rest:
            check.fault(f"channel {channel}: {rest} readings are not covered by the chain")


def _check_stream(check: _Check, stream: _Stream) -> None:
    if stream.strange:
        check.fault(f"channel {stream.channel}: {stream.strange} readings whose status and value contradict")
    kept = check.db.execute(
        f"select {summary.COLUMNS} from summary where channel = ? order by block", (stream.channel,)
    ).fetchall()
    if kept != stream.made:
        check.fault(
            f"channel {stream.channel}: the summary does not say what the readings say; graphs would differ"
        )


def _check_entries(check: _Check, withheld: list[int]) -> int:
    count = 0
    for seq, kind, salt, payload, digest in check.db.execute(
        "select seq, kind, salt, payload, digest from entry order by seq"
    ):
        count += 1
        if seq != count:
            check.fault(f"entry {count} is missing")
            count = seq
        if payload is None and salt is None:
            withheld.append(seq)
        elif payload is None or salt is None or payload_digest(salt, payload.encode()) != digest:
            check.fault(f"entry {seq} ({kind}) was changed after it was committed")
        elif _kind(payload) != kind:
            check.fault(f"entry {seq} is not of the kind that it is filed under ({kind})")
    return count


def _kind(payload: str) -> str:
    try:
        return kind_of(decode_payload(payload))
    except msgspec.DecodeError:
        return ""


def _check_waves(check: _Check) -> None:
    for number, samples, digest in check.db.execute(
        "select id, samples, digest from wave order by id"
    ).fetchall():
        blocks = check.db.execute(
            "select v, i, block, +wave from wave_block where wave = ? order by block", (number,)
        ).fetchall()
        whole = sum(len(row[0]) for row in blocks) == 4 * samples
        in_order = all(row[2:] == (n, number) for n, row in enumerate(blocks))
        if not (whole and in_order and wave_digest(row[:2] for row in blocks) == digest):
            check.fault(f"waveform {number} was changed after it was committed")
    strays = check.db.execute(
        "select count(*) from wave_block where wave not in (select id from wave)"
    ).fetchone()[0]
    if strays:
        check.fault(f"{strays} blocks of waveforms belong to no waveform")


__all__ = ["Verification", "verify"]
