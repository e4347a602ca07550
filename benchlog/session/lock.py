"""Who records a session: a lock that the operating system holds for as long as the recorder lives.

The lock is on a small file beside the session, ``<session>-lock``, which also says who holds it. The
session file itself is never opened for it. A process that dies, however it dies, lets go.
"""

import contextlib
import os
import sys
from datetime import datetime
from pathlib import Path
from time import sleep
from types import TracebackType

import msgspec

from benchlog.model.errors import SessionFault, SessionHeld
from benchlog.session.faults import mapped

_FAR = 1 << 30
"""Windows locks bytes against reading too: the locked one lies far behind the text."""


class Holder(msgspec.Struct, frozen=True):
    """Who records a session."""

    pid: int
    since: datetime | None = None
    what: str = ""
    """What it does, e.g. ``bring-up``."""
    address: str = ""
    """Where it takes entries from other programs; empty where it takes none."""


if sys.platform == "win32":
    import msvcrt

    def _take(descriptor: int) -> bool:
        os.lseek(descriptor, _FAR, os.SEEK_SET)
        try:
            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        return True
else:
    import fcntl

    def _take(descriptor: int) -> bool:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        return True


def _take_patiently(descriptor: int) -> bool:
    """Take the lock, with patience for somebody who only looks who holds it."""
    for _ in range(5):
        if _take(descriptor):
            return True
        sleep(0.01)
    return False


def lock_path(session: Path) -> Path:
    """The file beside the session that the lock is on."""
    return session.with_name(session.name + "-lock")


def _read(descriptor: int) -> Holder:
    os.lseek(descriptor, 0, os.SEEK_SET)
    try:
        return msgspec.json.decode(os.read(descriptor, 4096), type=Holder)
    except msgspec.DecodeError:
        return Holder(pid=0)


def _same(descriptor: int, path: Path) -> bool:
    try:
        return os.path.samestat(os.fstat(descriptor), path.stat())
    except FileNotFoundError:
        return False


class SessionLock:
    """The right to write a session; take it before the file is opened and release it after."""

    def __init__(self, session: Path, holder: Holder | None = None) -> None:
        """Take the lock. `SessionHeld` when another program has it, `SessionFault` when it can't be made."""
        self._path = lock_path(session)
        self._descriptor = -1
        with mapped(session):
            while self._descriptor < 0:
                self._descriptor = self._attempt(session)
            self.tell(holder or Holder(pid=os.getpid()))

    def _attempt(self, session: Path) -> int:
        descriptor = os.open(self._path, os.O_RDWR | os.O_CREAT | getattr(os, "O_BINARY", 0), 0o644)
        if not _take_patiently(descriptor):
            holder = _read(descriptor)
            os.close(descriptor)
            raise SessionHeld(_held(session, holder))
        if _same(descriptor, self._path):
            return descriptor
        os.close(descriptor)
        return -1

    def tell(self, holder: Holder) -> None:
        """Write down who holds the lock, for others to read."""
        text = msgspec.json.encode(holder)
        os.ftruncate(self._descriptor, 0)
        os.lseek(self._descriptor, 0, os.SEEK_SET)
        os.write(self._descriptor, text)

    def release(self) -> None:
        """Let go; a second time does nothing."""
        if self._descriptor < 0:
            return
        if sys.platform == "win32":
            os.close(self._descriptor)
            self._descriptor = -1
        # the folder may be gone, or another program look at the file just now: the lock is what counts
        with contextlib.suppress(OSError):
            self._path.unlink(missing_ok=True)
        if self._descriptor >= 0:
            os.close(self._descriptor)
            self._descriptor = -1

    def __enter__(self) -> "SessionLock":
        """The lock, held."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Release it."""
        self.release()


def _held(session: Path, holder: Holder) -> str:
    who = f"process {holder.pid}" if holder.pid else "another program"
    what = f" ({holder.what})" if holder.what else ""
    since = f" since {holder.since:%Y-%m-%d %H:%M}" if holder.since else ""
    return (
        f"{session} is being written by {who}{what}{since}. Add entries through it, or end it and try again."
    )


def holder_of(session: Path) -> Holder | None:
    """Who records a session now; None where nobody does. ``pid`` 0 where it did not say."""
    path = lock_path(session)
    try:
        descriptor = os.open(path, os.O_RDWR | getattr(os, "O_BINARY", 0))
    except FileNotFoundError:
        return None
    except OSError as error:
        raise SessionFault(
            f"{path} can't be read: {error.strerror}. Check the rights on its folder."
        ) from error
    try:
        return None if _take(descriptor) else _read(descriptor)
    finally:
        os.close(descriptor)
