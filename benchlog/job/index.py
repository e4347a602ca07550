"""The index of a folder of sessions: an SQLite file that can be made again from the sessions at any time.

It holds nothing that is not in the sessions. A file that changed (size or time of change) is read again, one
that is gone is taken out, a damaged one is reported and skipped.
"""

import contextlib
import sqlite3
from collections.abc import Iterable, Iterator
from pathlib import Path

import msgspec

from benchlog.job.digest import Digest, digest_of
from benchlog.model.errors import EnvironmentFault, SessionFault
from benchlog.model.step import Outcome
from benchlog.session.place import SUFFIX

INDEX_NAME = "jobs.index"
VERSION = 3

_TABLE = """
create table if not exists job (
    path text primary key, size integer not null, changed integer not null,
    serial text not null, open integer not null, last text not null, text text not null, digest blob not null,
    fault text not null
)
"""


class Refreshed(msgspec.Struct, frozen=True):
    """What came of looking through the folder."""

    sessions: int
    read: int
    """Read now; the others had not changed."""
    faults: tuple[str, ...]
    """One line for each file that could not be read."""


class Index:
    """The index of one folder; close it after use."""

    def __init__(self, folder: Path, place: Path | None = None) -> None:
        """Open or make it; ``place`` where it is kept (in the folder by default, in memory if not writable).

        An index that is damaged, or of another version, is thrown away and made again.
        """
        self.folder = folder
        if not folder.is_dir():
            raise EnvironmentFault(f"{folder} is no folder. Name the folder of the sessions with --folder.")
        self._db = _opened(place or folder / INDEX_NAME)

    def close(self) -> None:
        """Let go of the file."""
        self._db.close()

    def __enter__(self) -> "Index":
        """The index."""
        return self

    def __exit__(self, *_: object) -> None:
        """Close it."""
        self.close()

    def refresh(self) -> Refreshed:
        """Bring the index up to the files."""
        known = {p: (s, c) for p, s, c in self._db.execute("select path, size, changed from job")}
        files = {str(path): path for path in sorted(self.folder.rglob(f"*{SUFFIX}")) if path.is_file()}
        with self._db:
            gone = [(path,) for path in known if path not in files]
            self._db.executemany("delete from job where path = ?", gone)
            read = 0
            for text, path in files.items():
                state = _state(path)
                if known.get(text) != state:
                    read += 1
                    self._db.execute(
                        "insert or replace into job values (?, ?, ?, ?, ?, ?, ?, ?, ?)",
                        (text, *state, *_row(path)),
                    )
        rows = self._db.execute("select path, fault from job where fault != '' order by path").fetchall()
        return Refreshed(len(files), read, tuple(f"{path}: {fault}" for path, fault in rows))

    def search(self, words: str = "", *, only_open: bool = False) -> tuple[Digest, ...]:
        """Jobs whose text holds every word, latest first."""
        where, values = ["fault = ''"], []
        for word in words.lower().split():
            where.append("instr(text, ?) > 0")
            values.append(word)
        if only_open:
            where.append("open = 1")
        rows = self._db.execute(
            f"select digest from job where {' and '.join(where)} order by last desc, path", values
        )
        return tuple(_digests(rows))

    def with_serial(self, serial: str) -> tuple[Digest, ...]:
        """Jobs of the unit with that serial number, latest first; none for an empty one."""
        if not plain_serial(serial):
            return ()
        rows = self._db.execute(
            "select digest from job where fault = '' and serial = ? order by last desc, path",
            (plain_serial(serial),),
        )
        return tuple(_digests(rows))


def usable_as_reference(found: Iterable[Digest], words: str = "") -> tuple[Digest, ...]:
    """Jobs with a bring-up that ran to full voltage, whose unit has every word in its name or kind."""
    wanted = words.lower().split()
    return tuple(
        d
        for d in found
        if d.outcome == Outcome.COMPLETED.value
        and all(word in f"{d.unit} {d.kind} {d.number}".lower() for word in wanted)
    )


def plain_serial(serial: str) -> str:
    """A serial number without blanks, hyphens and case, as people copy it from plates."""
    return "".join(c for c in serial.casefold() if c.isalnum())


def _digests(rows: sqlite3.Cursor) -> Iterator[Digest]:
    decoder = msgspec.msgpack.Decoder(Digest)
    for (blob,) in rows:
        yield decoder.decode(blob)


def _state(path: Path) -> tuple[int, int]:
    """Size and time of change, with those of the write-ahead log of a session that is being recorded."""
    size = changed = 0
    for each in (path, path.with_name(path.name + "-wal")):
        with contextlib.suppress(OSError):
            found = each.stat()
            size, changed = size + found.st_size, max(changed, found.st_mtime_ns)
    return size, changed


def _row(path: Path) -> tuple[str, int, str, str, bytes, str]:
    try:
        found = digest_of(path)
    except SessionFault as error:
        return "", 0, "", "", b"", str(error)
    last = found.last.timestamp() if found.last else 0.0
    is_open = int(not found.ending or found.waits_for != "")
    blob = msgspec.msgpack.encode(found)
    return plain_serial(found.serial), is_open, f"{last:017.3f}", found.text, blob, ""


def _opened(place: Path) -> sqlite3.Connection:
    for again in (False, True):
        try:
            if again:
                place.unlink(missing_ok=True)
            db = sqlite3.connect(place)
            if db.execute("pragma user_version").fetchone()[0] not in (0, VERSION):
                db.close()
                continue
            db.execute(_TABLE)
            db.execute(f"pragma user_version = {VERSION}")
            db.execute("select count(*) from job").fetchone()
            db.commit()
        except (sqlite3.Error, OSError):
            continue
        else:
            return db
    db = sqlite3.connect(":memory:")
    db.execute(_TABLE)
    return db
