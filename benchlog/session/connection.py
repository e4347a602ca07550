"""Opening a session file: for its one writer, or for looking only.

Everything here goes through SQLite. The file is never opened by other means in a process that may be
writing it: closing such a descriptor would drop SQLite's own locks (POSIX record locks belong to the
process, not to the descriptor).
"""

import contextlib
import os
import sqlite3
from pathlib import Path
from urllib.parse import quote

from benchlog.model.errors import SessionDamaged, SessionFault
from benchlog.session import schema
from benchlog.session.faults import KEEP_IT, gone, is_there, mapped

Identity = tuple[int, int]
"""Device and number of a file."""


def _connect(path: Path, mode: str) -> sqlite3.Connection:
    if sqlite3.sqlite_version_info < schema.LEAST_SQLITE:
        raise SessionFault(
            f"This Python brings SQLite {sqlite3.sqlite_version}; session files need 3.37 or newer. "
            "Install a newer Python."
        )
    name = quote(str(path.absolute()).replace(os.sep, "/"), safe="/:")
    uri = f"file:{'' if name.startswith('/') else '/'}{name}?mode={mode}"
    db = sqlite3.connect(uri, uri=True, isolation_level=None, timeout=1.0, check_same_thread=False)
    db.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, schema.MOST_IN_CELL)
    db.execute("pragma trusted_schema = off")
    db.execute("pragma cell_size_check = on")
    return db


def identity(path: Path) -> Identity | None:
    """Which file a path names now; None where there is none."""
    try:
        state = path.stat()
    except OSError:
        return None
    return state.st_dev, state.st_ino


def _check_kind(db: sqlite3.Connection, path: Path) -> int:
    """The number of the schema. Raises for anything that is not a session file this program can read."""
    if db.execute("pragma application_id").fetchone()[0] != schema.APPLICATION_ID:
        if not path.stat().st_size:
            raise SessionDamaged(
                f"The session file {path} is empty: it was cut short. Look for another copy."
            )
        raise SessionDamaged(f"{path} is not a session file. Choose a file that ends in .benchlog.")
    version = int(db.execute("pragma user_version").fetchone()[0])
    if version > schema.VERSION:
        raise SessionFault(
            f"{path} was written by a newer program (its schema is {version}, this program knows "
            f"{schema.VERSION}). Open it with a newer program; nothing was changed."
        )
    if version < schema.VERSION and version not in schema.OLDER:
        raise SessionDamaged(f"{path} has a schema that no program wrote ({version}). It can't be read.")
    return version


def _check_schema(db: sqlite3.Connection, path: Path) -> None:
    """Refuse a file whose tables are not exactly ours: nothing of the file itself may ever run."""
    found = db.execute("select sql from sqlite_master where sql is not null").fetchall()
    if {sql for (sql,) in found} != schema.expected_schema():
        raise SessionDamaged(
            f"The tables of {path} are not those of a session file: it was changed by another program. "
            "Ask for the file as it was recorded."
        )


def take_back(path: Path) -> None:
    """Take back what a program that died had begun to change, where a rollback journal lies beside the file.

    A connection that only reads can't, and refuses the file. Does nothing where the folder can't be written.
    """
    if not is_there(path.with_name(path.name + "-journal")):
        return
    with contextlib.suppress(sqlite3.Error, SessionFault, OSError):
        db = _connect(path, "rw")
        try:
            db.execute("select count(*) from sqlite_master").fetchone()
        finally:
            db.close()


def open_for_reading(path: Path, untrusted: bool = False) -> sqlite3.Connection:
    """A connection that can't change the file; ``untrusted`` also has SQLite check the file's structure.

    What a program that died had begun to change is taken back first (`take_back`).
    Older schemas look like the present one through temporary views. `SessionFault` when it can't be opened
    (no such file, newer schema), `SessionDamaged` when it is not a session file or is cut short.
    """
    take_back(path)
    with mapped(path):
        db = _connect(path, "ro")
    try:
        with mapped(path):
            version = _check_kind(db, path)
            if version == schema.VERSION:
                _check_schema(db, path)
            for statement in schema.OLDER.get(version, ()):
                db.execute(statement)
            db.execute("pragma query_only = on")
            if untrusted:
                quick_check(db, path)
    except BaseException:
        db.close()
        raise
    return db


def quick_check(db: sqlite3.Connection, path: Path) -> None:
    """Have SQLite check the file's structure. `SessionDamaged` with its first finding."""
    findings = [row[0] for row in db.execute("pragma quick_check(3)").fetchall()]
    if path.stat().st_size % db.execute("pragma page_size").fetchone()[0]:
        findings = ["it ends within a page: it was cut short"]
    if findings != ["ok"]:
        raise SessionDamaged(f"The session file {path} is damaged ({findings[0]}). {KEEP_IT}")


def create(path: Path) -> sqlite3.Connection:
    """Make a session file with its tables and open it for its writer. `SessionFault` where it exists."""
    with mapped(path):
        try:
            os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o644))
        except FileExistsError as error:
            raise SessionFault(
                f"{path} exists already. Choose another name, or add to it with 'benchlog note' and its kin."
            ) from error
    try:
        with mapped(path):
            db = _connect(path, "rw")
    except BaseException:
        path.unlink(missing_ok=True)
        raise
    try:
        with mapped(path):
            _lay_tables(db)
            set_up_writing(db, path)
    except BaseException:
        db.close()
        remove(path)
        raise
    return db


def remove(path: Path) -> None:
    """Take away a session file that came to nothing, with what SQLite keeps beside it."""
    for end in ("", "-journal", "-wal", "-shm"):
        path.with_name(path.name + end).unlink(missing_ok=True)


def _lay_tables(db: sqlite3.Connection) -> None:
    db.execute("pragma journal_mode = delete")
    db.execute("pragma synchronous = full")
    db.execute("begin immediate")
    db.execute(f"pragma application_id = {schema.APPLICATION_ID}")
    db.execute(f"pragma user_version = {schema.VERSION}")
    for statement in schema.TABLES:
        db.execute(statement)
    db.execute("commit")


def set_up_writing(db: sqlite3.Connection, path: Path) -> None:
    """Write-ahead logging with every commit on the disk before it counts."""
    mode = db.execute("pragma journal_mode = wal").fetchone()[0]
    if mode != "wal":
        raise SessionFault(
            f"The folder of {path} can't hold a session while it is written (a network share?). "
            "Record in the program's own folder and copy the file there afterwards."
        )
    db.execute("pragma synchronous = full")
    db.execute("pragma fullfsync = on")
    db.execute("pragma checkpoint_fullfsync = on")
    db.execute("pragma wal_autocheckpoint = 1000")
    db.execute("pragma journal_size_limit = 4000000")


def open_for_writing(path: Path) -> sqlite3.Connection:
    """The writer's connection to a session that exists. Faults as `open_for_reading`, and read-only."""
    check_existing(path)
    with mapped(path):
        db = _connect(path, "rw")
    try:
        with mapped(path):
            if _check_kind(db, path) < schema.VERSION:
                raise SessionFault(
                    f"{path} was written by an older program and is only read. "
                    "Copy it into a new session to go on with the job."
                )
            _check_schema(db, path)
            set_up_writing(db, path)
            db.execute("begin immediate")
            db.execute("rollback")
    except BaseException:
        db.close()
        raise
    return db


def check_existing(path: Path) -> None:
    """`SessionFault` where there is no file to go on with."""
    if not is_there(path.parent):
        raise gone(path)
    if not is_there(path):
        raise SessionFault(
            f"There is no session file {path}. Check the name, or make one with 'benchlog new'."
        )


def copy_committed(db: sqlite3.Connection, out: Path) -> None:
    """Write what is committed to a new file ``out``, compact, on the disk when this returns.

    `SessionFault` where ``out`` exists or can't be written; nothing is left behind then.
    """
    check_new(out)
    only = db.execute("pragma query_only").fetchone()[0]
    try:
        with mapped(out):
            db.execute("pragma query_only = off")
            db.execute("vacuum into ?", (str(out),))
            sync(out)
    except BaseException:
        out.unlink(missing_ok=True)
        raise
    finally:
        db.execute(f"pragma query_only = {only}")


def check_new(out: Path) -> None:
    """`SessionFault` where a new file ``out`` can't be made because it exists or its folder does not."""
    if is_there(out):
        raise SessionFault(f"{out} exists already. Choose another name.")
    if not is_there(out.parent):
        raise SessionFault(f"There is no folder {out.parent}. Make it, or choose another place.")


def sync(out: Path) -> None:
    """Have a finished file on the disk. Never for a file that SQLite has open in this process."""
    descriptor = os.open(out, os.O_RDWR | getattr(os, "O_BINARY", 0))
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
