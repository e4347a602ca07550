"""The ``benchlog`` command with a handicap: stand-ins for what a machine can do to it.

    python tests/faults/handicapped.py HANDICAP AFTER_S COMMAND …

``disk-full``      no file of this process may grow any more (`RLIMIT_FSIZE`), from then on
``disk-stalled``   the next commit takes 10 s (a sleep inside the commit, as an fsync that does not return)
``wall+1h``, ``wall-1h``  the wall clock is another from then on (the program's own clock object is shifted)
``spin``           a Python thread of this process spins
``none``           nothing
"""

import sys
import threading
import time
from collections.abc import Callable
from datetime import datetime, timedelta

from benchlog.cli.main import main
from benchlog.model.clock import RealClock
from benchlog.session.writer import SessionWriter

STALL_S = 10.0


def full() -> None:
    """No file grows beyond 64 KiB from now on; the session's log is larger by then, what is said is not."""
    import resource

    resource.setrlimit(resource.RLIMIT_FSIZE, (65536, resource.RLIM_INFINITY))


def stalled() -> None:
    """One commit that hangs."""
    commit = SessionWriter.commit

    def hanging(self: SessionWriter) -> bool:
        SessionWriter.commit = commit  # type: ignore[method-assign]
        time.sleep(STALL_S)
        return commit(self)

    SessionWriter.commit = hanging  # type: ignore[method-assign]


def shifted(hours: int) -> None:
    """The wall clock reads so many hours more."""
    wall = RealClock.wall

    def moved(self: RealClock) -> datetime:
        return wall(self) + timedelta(hours=hours)

    RealClock.wall = moved  # type: ignore[method-assign]


def spin() -> None:
    """A thread that never lets go of its own accord."""

    def work() -> None:
        while True:
            pass

    threading.Thread(target=work, daemon=True).start()


HANDICAPS: dict[str, Callable[[], None]] = {
    "disk-full": full,
    "disk-stalled": stalled,
    "wall+1h": lambda: shifted(1),
    "wall-1h": lambda: shifted(-1),
    "spin": spin,
    "none": lambda: None,
}


if __name__ == "__main__":
    after = threading.Timer(float(sys.argv[2]), HANDICAPS[sys.argv[1]])
    after.daemon = True
    after.start()
    sys.exit(main(sys.argv[3:]))
