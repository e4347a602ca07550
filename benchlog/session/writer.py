"""The one writer of a session file.

Adding is done in memory and takes microseconds; `SessionWriter.commit` goes to the disk. Adding may be
done by any thread while one thread commits. What could not be committed is kept and tried again.
"""

import os
import secrets
import sqlite3
from collections.abc import Callable, Iterable
from contextlib import ExitStack
from datetime import datetime
from importlib.metadata import version
from pathlib import Path
from threading import Lock
from time import sleep

import numpy as np

from benchlog.model.clock import Anchor, microseconds
from benchlog.model.errors import SessionFault, SessionHeld
from benchlog.model.history import Entry, JobEntered, Payload
from benchlog.model.job import Job
from benchlog.model.reading import Reading
from benchlog.model.wave import Waveform
from benchlog.session import connection
from benchlog.session.batch import Batch
from benchlog.session.breakoff import broken_off
from benchlog.session.chain import payload_digest, wave_digest
from benchlog.session.faults import gone, legible, mapped
from benchlog.session.lock import Holder, SessionLock, holder_of
from benchlog.session.payload import encode_payload, kind_of
from benchlog.session.resume import State, begin, resume
from benchlog.session.schema import WAVE_BLOCK
from benchlog.session.storing import Prepared, is_stored, prepare, store

MOST_WAITING = 500_000
"""Readings kept in memory while the disk takes none; older ones are then dropped and counted."""

Entropy = Callable[[int], bytes]


class SessionWriter:
    """A session being written; made by `create` or `append_to`, ended by `close`."""

    def __init__(
        self,
        path: Path,
        db: sqlite3.Connection,
        lock: SessionLock,
        state: State,
        scale: float,
        entropy: Entropy,
    ) -> None:
        """Not called directly: see `create` and `append_to`."""
        self.path = path
        self.start_us = state.start_us
        """Instant on the session's axis at which this sitting begins; the clock is to be started there."""
        self.dropped = 0
        """Readings that were given up because the disk took none for too long."""
        self._db = db
        self._lock = lock
        self._scale = scale
        self._entropy = entropy
        self._state = state
        self._identity = connection.identity(path)
        self._wal_identity: connection.Identity | None = None
        self._guard = Lock()
        self._batch = Batch()
        self._stuck: Prepared | None = None
        self._anchored: datetime | None = None

    @classmethod
    def create(
        cls,
        path: Path,
        job: Job,
        wall: datetime,
        *,
        t_us: int = 0,
        scale: float = 1.0,
        holder: Holder | None = None,
        entropy: Entropy = secrets.token_bytes,
    ) -> "SessionWriter":
        """Make a session file for a job and hold it; its first entry is the job.

        ``wall`` (aware) is the wall-clock time at ``t_us``; ``scale`` session seconds pass per real second.
        Raises `SessionFault` where the file exists, the folder is missing, can't be written or can't hold
        a session; `SessionHeld` where another program is at it.
        """
        with ExitStack() as undo:
            lock = SessionLock(path, holder)
            undo.callback(lock.release)
            db = connection.create(path)
            undo.callback(connection.remove, path)
            undo.callback(db.close)
            writer = cls(path, db, lock, State(start_us=t_us), scale, entropy)
            writer._batch.rows["meta"] = begin(entropy(16), wall, _program(), job)
            writer.add_entry(JobEntered(job), t_us, wall)
            writer.commit()
            undo.pop_all()
        return writer

    @classmethod
    def append_to(
        cls,
        path: Path,
        wall: datetime,
        *,
        scale: float = 1.0,
        holder: Holder | None = None,
        entropy: Entropy = secrets.token_bytes,
    ) -> "SessionWriter":
        """Go on with a session: hold it and begin a new sitting at ``start_us`` of its axis.

        Start the clock there (``RealClock(scale, start_us=writer.start_us)``). Finishes what a writer that
        died left behind: a bring-up that broke off gets its end, with what may be missing. Raises
        `SessionHeld` where another program writes it, `SessionDamaged`, and `SessionFault` for a file that
        is missing, read-only, or of a newer or older program.
        """
        connection.check_existing(path)
        with ExitStack() as undo:
            lock = SessionLock(path, holder)
            undo.callback(lock.release)
            db = connection.open_for_writing(path)
            undo.callback(db.close)
            with mapped(path), legible(path):
                state, broken = resume(db, wall), broken_off(db)
            undo.pop_all()
        writer = cls(path, db, lock, state, scale, entropy)
        if broken is not None:
            writer.add_anchor(Anchor(writer.start_us, wall))
            writer.add_entry(broken.entry(), broken.t_us, broken.wall)
        return writer

    @property
    def waiting(self) -> int:
        """Readings not yet on the disk."""
        stuck = len(self._stuck.batch.readings) if self._stuck else 0
        return stuck + len(self._batch.readings)

    def head(self) -> str:
        """Digest of the last link on the disk, 64 hexadecimal digits."""
        return self._state.head.hex()

    def now_us(self, wall: datetime) -> int:
        """The session instant of a wall-clock time in this sitting, for entries made without a clock."""
        if self._anchored is None:
            return self.start_us
        passed = microseconds((wall - self._anchored).total_seconds() * self._scale)
        return max(self.start_us + passed, self._state.last_us)

    def tell(self, holder: Holder) -> None:
        """Change what others read about who holds the session."""
        with mapped(self.path):
            self._lock.tell(holder)

    def add_anchor(self, anchor: Anchor, scale: float | None = None) -> None:
        """Tie an instant to the wall clock; the recorder does so each minute.

        ``scale``: session seconds per real second from here on, where it changes (a session read in again).
        """
        with self._guard:
            self._scale = self._scale if scale is None else scale
            self._anchor(anchor)

    def _anchor(self, anchor: Anchor) -> None:
        if anchor.t_us <= self._state.anchor_us:
            return
        offset = anchor.wall.utcoffset()
        if offset is None:
            raise ValueError("an anchor needs an aware wall-clock time")
        if self._anchored is None:
            self._anchored = anchor.wall
        self._state.anchor_us = anchor.t_us
        unix_us = round(anchor.wall.timestamp() * 1e6)
        row = (anchor.t_us, unix_us, int(offset.total_seconds()), float(self._scale))
        self._batch.rows["anchor"].append(row)
        self._note_instant(anchor.t_us)

    def _note_instant(self, t_us: int) -> None:
        self._batch.t_us = max(self._batch.t_us, t_us)
        self._state.last_us = max(self._state.last_us, t_us)

    def add_readings(self, readings: Iterable[tuple[Reading, int]]) -> None:
        """Readings, each with the instant at which the limit watch was told of it.

        `ValueError` for one that ended before this sitting began: its clock was not started at ``start_us``.
        """
        with self._guard:
            for reading, told_us in readings:
                if reading.end_us < self.start_us:
                    raise ValueError(
                        f"a reading at {reading.end_us} µs, before the sitting ({self.start_us} µs)"
                    )
                row = self._state.ids.row(reading, told_us, self._batch)
                self._batch.readings.append(row)
                self._note_instant(max(row[1], told_us))
            over = len(self._batch.readings) - MOST_WAITING
            if over > 0:
                del self._batch.readings[:over]
                self.dropped += over

    def add_entry(self, payload: Payload, t_us: int | None, wall: datetime) -> Entry:
        """A line of the history; returned with its number. ``t_us`` None: worked out from ``wall`` (aware).

        `ValueError` for a payload that could not be read back.
        """
        text = encode_payload(payload)
        with self._guard:
            if self._anchored is None:
                self._anchor(Anchor(self.start_us if t_us is None else t_us, wall))
            at = self.now_us(wall) if t_us is None else t_us
            self._state.entries += 1
            entry = Entry(self._state.entries, at, wall, payload)
            salt = self._entropy(16)
            self._batch.payloads[entry.seq] = (salt, text.decode())
            row = (entry.seq, at, wall.isoformat(), kind_of(payload), payload_digest(salt, text))
            self._batch.rows["entry"].append(row)
            self._note_instant(at)
        return entry

    def add_wave(self, wave: Waveform, note: str = "") -> int:
        """A sampled waveform, stored as 32-bit floats; returns its number. ``note`` says what it is of."""
        blocks = [
            (_samples(wave.v_v[at : at + WAVE_BLOCK]), _samples(wave.i_a[at : at + WAVE_BLOCK]))
            for at in range(0, max(wave.v_v.size, 1), WAVE_BLOCK)
        ]
        with self._guard:
            self._state.waves += 1
            number = self._state.waves
            row = (number, wave.start_us, float(wave.rate_hz), wave.v_v.size, note, wave_digest(blocks))
            self._batch.rows["wave"].append(row)
            self._batch.blocks += [(number, block, v, i) for block, (v, i) in enumerate(blocks)]
            self._note_instant(wave.start_us)
        return number

    def commit(self) -> bool:
        """Put what was added on the disk, as a link of the chain. False where there was nothing.

        When this returns, it is stored. On a `SessionFault` (disk full, folder gone, read-only) everything
        is kept in memory; call again later. One thread at a time.
        """
        stored = self._stuck is not None
        if stored:
            self._store()
        if self._take():
            self._store()
            stored = True
        return stored

    def _take(self) -> bool:
        with self._guard:
            if self._batch.is_empty():
                return False
            batch, self._batch = self._batch, Batch()
        self._stuck = prepare(batch, self._state)
        return True

    def _store(self) -> None:
        prepared = self._stuck
        assert prepared is not None
        with mapped(self.path):
            self._check_there()
            if not is_stored(self._db, prepared):
                store(self._db, prepared)
            self._check_there()
        self._state.links, self._state.head = prepared.seq, prepared.digest
        self._state.tails.update(prepared.tails)
        self._stuck = None

    def _check_there(self) -> None:
        """A file that was taken away still takes commits on some systems; they would be lost."""
        wal = connection.identity(self.path.with_name(self.path.name + "-wal"))
        if connection.identity(self.path) != self._identity or (self._wal_identity not in (None, wal)):
            raise gone(self.path)
        self._wal_identity = wal

    def copy_to(self, out: Path) -> None:
        """Write a compact copy of what is committed; for hashing, sending, attaching."""
        connection.copy_committed(self._db, out)

    def close(self, tries: int = 40, wait: Callable[[float], None] = sleep) -> bool:
        """Commit, fold the write-ahead log into the file and let go of it.

        False where somebody has the file open: then it keeps its ``-wal`` beside it, loses nothing, and
        the next program that opens it for writing finishes. Tries each 50 ms. A `SessionFault` of the
        last commit is raised after everything was let go.
        """
        try:
            self.commit()
            with mapped(self.path):
                return fold(self._db, tries, wait)
        finally:
            self._db.close()
            self._lock.release()


def _program() -> str:
    return f"benchlog {version('benchlog')}"


def _samples(values: "np.ndarray[tuple[int, ...], np.dtype[np.float64]]") -> bytes:
    with np.errstate(over="ignore"):
        return values.astype("<f4").tobytes()


def fold(db: sqlite3.Connection, tries: int, wait: Callable[[float], None]) -> bool:
    """Fold the write-ahead log into the file, so that it stands alone; False where others have it open."""
    db.execute("pragma busy_timeout = 0")
    for attempt in range(tries):
        if attempt:
            wait(0.05)
        try:
            if db.execute("pragma wal_checkpoint(truncate)").fetchone()[0] == 0:
                return bool(db.execute("pragma journal_mode = delete").fetchone()[0] == "delete")
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode & 0xFF not in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
                raise
    return False


def finish(path: Path, wait: Callable[[float], None] = sleep) -> bool:
    """Finish a session whose writer died or could not: fold its ``-wal`` in. False where it is in use.

    Does nothing to a file that stands alone. Faults as `SessionWriter.append_to`.
    """
    if not path.with_name(path.name + "-wal").exists():
        return True
    if holder_of(path) is not None:
        return False
    try:
        with SessionLock(path, Holder(pid=os.getpid(), what="finishing")):
            db = connection.open_for_writing(path)
            try:
                with mapped(path):
                    return fold(db, 40, wait)
            finally:
                db.close()
    except SessionHeld:
        return False


__all__ = ["SessionFault", "SessionWriter", "finish", "fold"]
