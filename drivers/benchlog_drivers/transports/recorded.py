"""Saved conversations: what went over a line both ways, with times; and a line that plays one."""

import time
from collections.abc import Sequence
from pathlib import Path

import msgspec

from benchlog.model.errors import LinkLost, ProtocolFault, UsageError
from benchlog_drivers.transports.line import Line, PortLink


class Spoken(msgspec.Struct, frozen=True):
    """Bytes that went one way at once."""

    t_s: float
    """Seconds since the line was opened."""
    way: str
    """``>`` to the instrument, ``<`` from it."""
    hex: str


class Taken(msgspec.Struct, frozen=True):
    """A reading as the profile decoded it when the conversation was saved."""

    quantity: str
    value: float | None
    status: str | None


class Saved(msgspec.Struct, frozen=True):
    """A saved conversation. It names neither the port nor who answered."""

    profile: str
    role: str
    spoken: tuple[Spoken, ...]
    readings: tuple[Taken, ...]


def save_conversation(saved: Saved, path: Path) -> None:
    """Write it as JSON."""
    path.write_bytes(msgspec.json.format(msgspec.json.encode(saved), indent=1) + b"\n")


def load_conversation(path: Path) -> Saved:
    """Read it. `UsageError` says what is wrong with the file."""
    try:
        saved = msgspec.json.decode(path.read_bytes(), type=Saved)
        for one in saved.spoken:
            bytes.fromhex(one.hex)
    except (OSError, ValueError) as error:
        raise UsageError(f"The conversation {path} can't be read: {error}. Record it again.") from error
    return saved


class RecordingLine:
    """A line that keeps what goes over it."""

    def __init__(self, line: Line) -> None:
        """Around a line that is not yet open."""
        self.link: PortLink = line.link
        self.spoken: list[Spoken] = []
        self._line = line
        self._begun_s = time.monotonic()

    @property
    def peeks(self) -> bool:
        """As the line itself."""
        return self._line.peeks

    @property
    def fileno(self) -> int:
        """None to share: what is recorded goes through here."""
        return -1

    def open(self) -> None:
        """Open it and begin to count seconds."""
        self._line.open()
        self._begun_s = time.monotonic()

    def close(self) -> None:
        """Close it; never raises."""
        self._line.close()

    def write(self, data: bytes, timeout_s: float) -> None:
        """Send and keep."""
        self._keep(">", data)
        self._line.write(data, timeout_s)

    def read_some(self, timeout_s: float) -> bytes:
        """Receive and keep."""
        data = self._line.read_some(timeout_s)
        if data:
            self._keep("<", data)
        return data

    def discard(self) -> None:
        """Throw away what has arrived."""
        self._line.discard()

    def set_line(self, name: str, state: bool) -> None:
        """A recorded line has no modem lines to set."""
        raise ProtocolFault(f"{self.link.where}: the line {name} can't be set while it is recorded.")

    def _keep(self, way: str, data: bytes) -> None:
        self.spoken.append(Spoken(round(time.monotonic() - self._begun_s, 6), way, data.hex()))


class ReplayLine:
    """A saved conversation in place of a line: answers what was answered to the same words, in order."""

    peeks = False
    fileno = -1
    is_live = False
    """What is not read in time does not grow old here."""

    def __init__(self, link: PortLink, spoken: Sequence[Spoken]) -> None:
        """Not yet open."""
        self.link = link
        self._spoken = list(spoken)
        self._next = 0
        self._unsent = b""

    @property
    def over(self) -> bool:
        """Whether everything was said."""
        return self._next >= len(self._spoken)

    def open(self) -> None:
        """From the beginning."""
        self._next = 0
        self._unsent = b""

    def close(self) -> None:
        """Nothing to close."""

    def write(self, data: bytes, timeout_s: float) -> None:
        """What is sent must be what was sent then."""
        self._unsent += data
        while self._unsent:
            if self.over:
                raise LinkLost(f"{self.link.name}: the saved conversation is at its end.")
            said = self._spoken[self._next]
            wanted = bytes.fromhex(said.hex)
            if said.way != ">" or not self._unsent.startswith(wanted):
                raise ProtocolFault(
                    f"{self.link.name}: {self._unsent!r} is sent where the saved conversation has "
                    f"{said.way} {wanted!r}. The profile has changed: record the conversation again."
                )
            self._unsent = self._unsent[len(wanted) :]
            self._next += 1

    def read_some(self, timeout_s: float) -> bytes:
        """What came then."""
        if self.over:
            raise LinkLost(f"{self.link.name}: the saved conversation is at its end.")
        said = self._spoken[self._next]
        if said.way != "<":
            return b""
        self._next += 1
        return bytes.fromhex(said.hex)

    def discard(self) -> None:
        """What was thrown away then was not saved."""

    def set_line(self, name: str, state: bool) -> None:
        """A saved conversation has no modem lines."""
