"""A byte connection through pyserial: a real port, a pseudo-terminal, ``socket://``, ``rfc2217://``, ``loop://``."""

import contextlib
import socket
import time

import serial
from serial import Serial

from benchlog.model.errors import LinkLost
from benchlog_drivers.transports.line import PortLink
from benchlog_drivers.transports.ports import canonical_port
from benchlog_drivers.transports.seam import translated

_SLICE_S = 0.02


class SerialLine:
    """One serial port, opened exclusively; owned by one thread."""

    peeks = False

    def __init__(self, link: PortLink) -> None:
        """Not yet open."""
        self.link = link
        self._port: Serial | None = None
        self._bounds_writes = not link.address.startswith("rfc2217")  # pyserial can't there

    def open(self) -> None:
        """Open it with the modem lines preset, since optical cables are powered by them."""
        self.close()
        with translated(self.link, opening=True):
            port = serial.serial_for_url(
                canonical_port(self.link.address), do_not_open=True, exclusive=True,
                baudrate=self.link.baud, bytesize=self.link.bits, parity=self.link.parity,
                stopbits=self.link.stop, timeout=_SLICE_S,
                write_timeout=self.link.timeout_s if self._bounds_writes else None,
            )  # fmt: skip
            if self.link.dtr is not None:
                port.dtr = self.link.dtr
            if self.link.rts is not None:
                port.rts = self.link.rts
            port.open()
            if isinstance(stream := getattr(port, "_socket", None), socket.socket):
                stream.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._port = port

    def close(self) -> None:
        """Close it; never raises."""
        port, self._port = self._port, None
        if port is None:
            return
        stream = getattr(port, "_socket", None)
        with contextlib.suppress(Exception):
            port.close()
        if isinstance(stream, socket.socket):  # pyserial leaves it open when the other end went first
            stream.close()

    @property
    def fileno(self) -> int:
        """Descriptor of the port; -1 where it has none."""
        try:
            return int(self._port.fileno()) if self._port is not None else -1
        except (AttributeError, OSError):
            return -1

    def write(self, data: bytes, timeout_s: float) -> None:
        """Send all of it."""
        port = self._needed()
        with translated(self.link):
            if self._bounds_writes and port.write_timeout != timeout_s:
                port.write_timeout = timeout_s
            port.write(data)

    def read_some(self, timeout_s: float) -> bytes:
        """What has arrived; empty after ``timeout_s`` of nothing."""
        port = self._needed()
        until = time.monotonic() + timeout_s
        while True:
            with translated(self.link):
                data = bytearray(port.read(port.in_waiting or 1))
                while data and (waiting := port.in_waiting) and len(data) < 4096:
                    data += port.read(waiting)
            if data or time.monotonic() >= until:
                return bytes(data)

    def discard(self) -> None:
        """Throw away what has arrived."""
        port = self._needed()
        with translated(self.link):
            port.reset_input_buffer()

    def set_line(self, name: str, state: bool) -> None:
        """Set a modem-control line (``dtr`` or ``rts``)."""
        port = self._needed()
        with translated(self.link):
            setattr(port, name, state)

    def _needed(self) -> Serial:
        if self._port is None:
            raise LinkLost(f"{self.link.where}: it is not open. It is opened again by itself.")
        return self._port
