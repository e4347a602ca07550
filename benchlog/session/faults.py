"""What SQLite and the file system report, told in a sentence that says what to do next.

The one seam at which `sqlite3` and `OSError` become `SessionFault`.
"""

import errno
import shutil
import sqlite3
import struct
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from benchlog.model.errors import SessionDamaged, SessionFault

KEEP_IT = "Keep it as it is and open another copy; 'benchlog recover' makes a new one of what is intact."
"""What to do with a damaged file (`benchlog.session.recovery` makes it)."""

_DAMAGED = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_FORMAT)
_READ_ONLY = (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_PERM)
_BUSY = (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED)


def is_there(path: Path) -> bool:
    """Whether a path names something, also something that may not be looked at."""
    try:
        path.stat()
    except (FileNotFoundError, NotADirectoryError):
        return False
    except OSError:
        return True
    return True


def free_mb(path: Path) -> int:
    """Megabytes free where ``path`` is or would be; -1 where that can't be known."""
    for folder in (path, *path.parents):
        try:
            return shutil.disk_usage(folder).free // 1_000_000
        except OSError:
            continue
    return -1


def _of_code(code: int, path: Path) -> SessionFault | None:
    primary = code & 0xFF
    if primary == sqlite3.SQLITE_NOTADB:
        return SessionDamaged(f"{path} is not a session file. Choose a file that ends in .benchlog.")
    if primary in _DAMAGED:
        return SessionDamaged(f"The session file {path} is damaged or cut short. {KEEP_IT}")
    if primary == sqlite3.SQLITE_FULL:
        return SessionFault(
            f"The disk is full: {path} can't grow ({free_mb(path)} MB free there). Make room on that disk; "
            "what was not stored yet is kept in memory and stored as soon as there is room."
        )
    if primary in _READ_ONLY:
        return SessionFault(
            f"The session file {path} can't be written: it or its folder is read-only. "
            "Copy it to a folder of your own and open the copy."
        )
    if primary in _BUSY:
        return SessionFault(
            f"The session file {path} is in use by another program. Close it there and try again."
        )
    return None


def _cannot_open(path: Path) -> SessionFault:
    if not is_there(path.parent):
        return gone(path)
    if not is_there(path):
        return SessionFault(f"There is no session file {path}. Check the name and the folder.")
    return SessionFault(
        f"The session file {path} can't be opened. Check that you may read it and write in its folder; "
        "from a read-only place copy it, with the file that ends in -wal if there is one, to your own folder."
    )


def _of_system(error: OSError, path: Path) -> SessionFault:
    alike = {
        errno.ENOSPC: sqlite3.SQLITE_FULL,
        errno.EACCES: sqlite3.SQLITE_READONLY,
        errno.EPERM: sqlite3.SQLITE_READONLY,
        errno.EROFS: sqlite3.SQLITE_READONLY,
    }
    known = _of_code(alike.get(error.errno or 0, sqlite3.SQLITE_OK), path)
    if known is None and not is_there(path.parent):
        return SessionFault(f"There is no folder {path.parent}. Make it, or choose another place.")
    return known or SessionFault(
        f"{path} can't be used: {error.strerror or error}. Check the folder and the disk."
    )


def gone(path: Path) -> SessionFault:
    """The fault of a file or folder that is no longer there."""
    what = "session file" if is_there(path.parent) else "folder of the session file"
    return SessionFault(
        f"The {what} {path} is gone: moved, deleted, or its disk removed. Bring it back; "
        "what was not stored yet is kept in memory until this program ends."
    )


def fault_of(error: sqlite3.Error | OSError, path: Path) -> SessionFault:
    """The fault that an error of SQLite or of the file system at ``path`` is."""
    if isinstance(error, OSError):
        return _of_system(error, path)
    code = getattr(error, "sqlite_errorcode", None)
    if code is not None and code & 0xFF == sqlite3.SQLITE_CANTOPEN:
        return _cannot_open(path)
    known = _of_code(code, path) if code is not None else None
    if known is not None:
        return known
    if (
        isinstance(error, sqlite3.OperationalError)
        and code is not None
        and code & 0xFF == sqlite3.SQLITE_IOERR
    ):
        if not is_there(path):
            return gone(path)
        return SessionFault(
            f"The disk that holds {path} reports a fault ({error}). Check the disk and its connection; "
            "what was not stored yet is kept in memory."
        )
    if isinstance(error, sqlite3.DatabaseError):
        return SessionDamaged(f"The session file {path} can't be read as one ({error}). {KEEP_IT}")
    return SessionFault(f"The session file {path} can't be used ({error}). Try again, or work on a copy.")


@contextmanager
def legible(path: Path) -> Iterator[None]:
    """Turns words and numbers in a file that no program wrote into a `SessionDamaged`."""
    try:
        yield
    except (KeyError, ValueError, TypeError, ArithmeticError, struct.error) as error:
        raise SessionDamaged(
            f"The session file {path} holds what no program wrote ({error}). Run 'benchlog verify' on it."
        ) from error


@contextmanager
def mapped(path: Path) -> Iterator[None]:
    """Turns what SQLite and the file system report inside into a `SessionFault`.

    A misuse of SQLite (a constraint broken, a closed connection asked) stays what it is: a bug.
    """
    try:
        yield
    except UnicodeDecodeError as error:
        raise SessionDamaged(f"The session file {path} holds text that is none. {KEEP_IT}") from error
    except (sqlite3.IntegrityError, sqlite3.ProgrammingError):
        raise
    except (sqlite3.Error, OSError) as error:
        raise fault_of(error, path) from error
