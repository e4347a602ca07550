"""The smallest interface an adaptor needs of a byte connection."""

from typing import Protocol

import msgspec


class PortLink(msgspec.Struct, frozen=True):
    """How to open a connection. Times in real seconds."""

    name: str
    """The instrument's name in the bench file, for messages."""
    address: str
    """VISA resource string, serial port, or pyserial URL."""
    terminator: bytes = b"\n"
    ends: bytes = b""
    """What ends a line of the instrument; empty: the same."""
    timeout_s: float = 1.0
    baud: int = 9600
    bits: int = 8
    parity: str = "N"
    stop: float = 1.0
    dtr: bool | None = None
    rts: bool | None = None

    @property
    def line_end(self) -> bytes:
        """What ends a line of the instrument."""
        return self.ends or self.terminator

    @property
    def where(self) -> str:
        """The connection as messages name it."""
        return f"{self.name} ({self.address})"


class Line(Protocol):
    """A byte connection, owned by one thread. Every fault is an `InstrumentFault`."""

    link: PortLink

    @property
    def peeks(self) -> bool:
        """Whether asking for bytes with no time to wait costs next to nothing."""
        ...

    def open(self) -> None:
        """Open it; what was open before is closed first."""
        ...

    def close(self) -> None:
        """Close it; never raises."""
        ...

    def write(self, data: bytes, timeout_s: float) -> None:
        """Send all of ``data``. `InstrumentTimeout` when the other end does not take it in time."""
        ...

    def read_some(self, timeout_s: float) -> bytes:
        """Whatever has arrived, as soon as there is something; empty when nothing came in ``timeout_s``."""
        ...

    def discard(self) -> None:
        """Throw away what has arrived and was not read."""
        ...

    @property
    def fileno(self) -> int:
        """Descriptor that a standby may inherit; -1 where there is none."""
        ...
