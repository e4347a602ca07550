"""Who uses which instrument: two recordings on one would read, set and switch it at cross purposes."""

import hashlib
import os
from collections.abc import Iterable
from contextlib import ExitStack
from datetime import UTC, datetime
from pathlib import Path

import platformdirs

from benchlog.bench.file import InstrumentConfig
from benchlog.model.errors import PortRefused, SessionFault, SessionHeld
from benchlog.session.lock import Holder, SessionLock, holder_of


def claims_folder() -> Path:
    """Where the locks lie; one folder for all recordings of this user on this machine."""
    return platformdirs.user_state_path("benchlog", appauthor=False) / "claims"


class Claims:
    """The instruments of a bench, held by locks of the operating system for as long as they are recorded."""

    def __init__(self, instruments: Iterable[InstrumentConfig], session: Path, folder: Path) -> None:
        """Take them all or none.

        `PortRefused` names the recording that has one. Where the locks can't be made at all, nothing is
        held and `trouble` says so.
        """
        self.trouble = ""
        self._held = ExitStack()
        holder = Holder(os.getpid(), datetime.now(UTC).astimezone(), session.name)
        by_connection = {i.connection: i for i in instruments if i.connection}
        with ExitStack() as taken:
            try:
                folder.mkdir(parents=True, exist_ok=True)
                for connection, config in by_connection.items():
                    taken.callback(_claim(folder, connection, config, holder).release)
            except (OSError, SessionFault) as fault:
                self.trouble = f"Nothing keeps another recording off these instruments ({fault})."
            self._held = taken.pop_all()

    def release(self) -> None:
        """Let go of all of them; a second time does nothing."""
        self._held.close()


def _claim(folder: Path, connection: str, config: InstrumentConfig, holder: Holder) -> SessionLock:
    place = folder / hashlib.sha256(connection.encode()).hexdigest()[:16]
    try:
        return SessionLock(place, holder)
    except SessionHeld as held:
        other = holder_of(place)
        who = f"{other.what} (process {other.pid})" if other is not None and other.what else "another program"
        raise PortRefused(
            f"{config.name} ({connection}) is in use by the recording of {who}. End that one first, or take "
            f"{config.name} out of this bench file."
        ) from held
