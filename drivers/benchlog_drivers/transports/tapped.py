"""A line that lets somebody see what goes over it; it behaves as the line itself."""

from collections.abc import Callable

from benchlog_drivers.transports.line import Line, PortLink

Seen = Callable[[str, str, bytes], None]
"""Given the instrument's name, ``>`` or ``<``, and the bytes; returns at once and never raises."""


class TappedLine:
    """Around another line."""

    def __init__(self, line: Line, seen: Seen) -> None:
        """Not yet open."""
        self.link: PortLink = line.link
        self._line = line
        self._seen = seen

    @property
    def peeks(self) -> bool:
        """As the line itself."""
        return self._line.peeks

    @property
    def fileno(self) -> int:
        """As the line itself."""
        return self._line.fileno

    def open(self) -> None:
        """Open it."""
        self._line.open()

    def close(self) -> None:
        """Close it; never raises."""
        self._line.close()

    def write(self, data: bytes, timeout_s: float) -> None:
        """Send and show."""
        self._seen(self.link.name, ">", data)
        self._line.write(data, timeout_s)

    def read_some(self, timeout_s: float) -> bytes:
        """Receive and show."""
        data = self._line.read_some(timeout_s)
        if data:
            self._seen(self.link.name, "<", data)
        return data

    def discard(self) -> None:
        """Throw away what has arrived."""
        self._line.discard()
