"""Bytes through pyvisa: TCP socket, VXI-11, HiSLIP, USB, GPIB, serial; the resource string decides.

The backend is pyvisa-py ("@py") unless the address begins with another one: "@ivi USB0::…", "x@sim ASRL1::…".
Where pyvisa-py's own session can be seen (socket, serial) every read asks only for what has arrived, so that
the deadline is ours: its timeout counts from the last byte, and a closed peer keeps it busy until then.
"""

import contextlib
import re
import select
import socket
import threading
import time
from typing import Any

import pyvisa
from pyvisa.constants import BufferOperation, StatusCode

from benchlog.model.errors import InstrumentFault, InstrumentTimeout, LinkLost
from benchlog_drivers.transports.line import PortLink
from benchlog_drivers.transports.seam import translated

_BACKEND = re.compile(r"^(\S*@\w+)\s+(\S.*)$")
_CHUNK = 20 * 1024
_POLL_S = 0.0005
_MAKING = threading.Lock()
"""Managers are made one at a time; sessions are opened side by side."""


def split_backend(address: str) -> tuple[str, str]:
    """(backend, resource string) of an address."""
    found = _BACKEND.match(address.strip())
    return (found.group(1), found.group(2)) if found else ("@py", address.strip())


def list_visa(backend: str) -> list[str]:
    """Resource strings that a backend finds; scans every bus, one to two seconds."""
    link = PortLink("VISA", backend)
    with translated(link, opening=True):
        return sorted(pyvisa.ResourceManager(backend).list_resources("?*::?*"))


def socket_address(address: str) -> tuple[str, int] | None:
    """(host, port) of a raw TCP resource string; None for any other kind."""
    try:
        parsed = pyvisa.rname.parse_resource_name(split_backend(address)[1])
    except pyvisa.rname.InvalidResourceName:
        return None
    if not isinstance(parsed, pyvisa.rname.TCPIPSocket):
        return None
    return parsed.host_address, int(parsed.port)


class VisaLine:
    """One VISA session; owned by one thread."""

    def __init__(self, link: PortLink) -> None:
        """Not yet open."""
        self.link = link
        self._resource: Any = None
        self._socket: socket.socket | None = None
        self._counts_arrived = False

    def open(self) -> None:
        """Open the session, Nagle's delay off, sends bounded."""
        self.close()
        backend, name = split_backend(self.link.address)
        with translated(self.link, opening=True):
            if (address := socket_address(name)) is not None:
                socket.getaddrinfo(
                    *address, type=socket.SOCK_STREAM
                )  # pyvisa-py leaks a socket on a bad name
            with _MAKING:
                manager = pyvisa.ResourceManager(backend)  # never closed: all of one backend are one object
            self._resource = manager.open_resource(name, open_timeout=int(self.link.timeout_s * 1000))
            self._resource.timeout = max(1, int(self.link.timeout_s * 1000))
        try:
            self._look_inside()
        except InstrumentFault:
            self.close()
            raise

    def _look_inside(self) -> None:
        """Take hold of the socket under a pyvisa-py session; set what its attributes can't."""
        inner = getattr(self._resource.visalib, "sessions", {})
        interface = getattr(inner.get(self._resource.session), "interface", None)
        kind = str(self._resource.resource_name).upper()
        self._socket = interface if isinstance(interface, socket.socket) else None
        self._counts_arrived = kind.startswith("ASRL") and hasattr(interface, "in_waiting")
        with translated(self.link, opening=True):
            if self._socket is not None:
                refused = self._socket.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
                if refused:
                    self.close()
                    raise OSError(refused, "connection refused")
                self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                self._socket.settimeout(self.link.timeout_s)
            elif kind.startswith("ASRL"):
                self._set_serial()
            keeps_apart = not kind.startswith("ASRL") and not kind.endswith("SOCKET")
            seen = self._socket is not None or self._counts_arrived
            if not seen and not keeps_apart and len(self.link.line_end) == 1:
                self._resource.read_termination = self.link.line_end.decode("latin-1")

    def _set_serial(self) -> None:
        parities = {"N": 0, "O": 1, "E": 2, "M": 3, "S": 4}
        with contextlib.suppress(
            AttributeError, NotImplementedError
        ):  # simulated sessions have no such setting
            self._resource.baud_rate = self.link.baud
            self._resource.data_bits = self.link.bits
            self._resource.parity = pyvisa.constants.Parity(parities[self.link.parity])
            self._resource.stop_bits = pyvisa.constants.StopBits(int(self.link.stop * 10))
        if self._counts_arrived:
            port = self._resource.visalib.sessions[self._resource.session].interface
            port.exclusive = True  # pyvisa-py opens it shared
            for name, state in (("dtr", self.link.dtr), ("rts", self.link.rts)):
                if state is not None:
                    setattr(port, name, state)

    def close(self) -> None:
        """Close the session, not the manager; never raises."""
        resource, self._resource, self._socket = self._resource, None, None
        if resource is not None:
            with contextlib.suppress(Exception):
                resource.close()

    @property
    def peeks(self) -> bool:
        """True where the socket or the serial port can be seen."""
        return self._socket is not None or self._counts_arrived

    @property
    def fileno(self) -> int:
        """Descriptor of the socket or serial port; -1 where it can't be seen."""
        if self._socket is not None:
            return self._socket.fileno()
        if not self._counts_arrived:
            return -1
        try:
            return int(self._resource.visalib.sessions[self._resource.session].interface.fileno())
        except (AttributeError, KeyError, OSError):
            return -1

    def write(self, data: bytes, timeout_s: float) -> None:
        """Send all; the wait for room is ours, since pyvisa-py's has no end."""
        resource = self._needed()
        with translated(self.link):
            if self._socket is not None and not select.select([], [self._socket], [], timeout_s)[1]:
                raise InstrumentTimeout(
                    f"{self.link.where}: it does not take what is sent. Switch it off and on."
                )
            resource.write_raw(data)

    def read_some(self, timeout_s: float) -> bytes:
        """What has arrived; empty after ``timeout_s`` of nothing."""
        resource = self._needed()
        if self._socket is not None:
            count = self._wait_socket(self._socket, timeout_s)
        elif self._counts_arrived:
            count = self._wait_serial(timeout_s)
        else:
            return self._read_message(resource, timeout_s)
        if count == 0:
            return b""
        with translated(self.link), resource.ignore_warning(StatusCode.success_max_count_read):
            data, _ = resource.visalib.read(resource.session, count)
        return bytes(data)

    def _wait_socket(self, sock: socket.socket, timeout_s: float) -> int:
        """Bytes that can be read without waiting. `LinkLost` when the other end closed."""
        with translated(self.link):
            if not select.select([sock], [], [], max(0.0, timeout_s))[0]:
                return 0
            waiting = len(sock.recv(4096, socket.MSG_PEEK))
        if waiting == 0:
            raise LinkLost(
                f"{self.link.where}: the instrument closed the connection. Check its power and network lead."
            )
        return waiting

    def _wait_serial(self, timeout_s: float) -> int:
        resource = self._needed()
        until = time.monotonic() + timeout_s
        while True:
            with translated(self.link):
                waiting = int(resource.visalib.sessions[resource.session].interface.in_waiting)
            if waiting or time.monotonic() >= until:
                return waiting
            time.sleep(_POLL_S)

    def _read_message(self, resource: Any, timeout_s: float) -> bytes:
        """One message, or a part of a long one, of a transport that keeps messages apart.

        There (VXI-11, HiSLIP, USBTMC, GPIB) END stands for the line's end, which may be left out. Where
        nothing can come (HiSLIP, before the next question) the library says so at once; the wait is ours.
        """
        until = time.monotonic() + timeout_s
        with translated(self.link), resource.ignore_warning(StatusCode.success_max_count_read):
            resource.timeout = max(1, int(timeout_s * 1000))
            try:
                data, status = resource.visalib.read(resource.session, _CHUNK)
            except pyvisa.VisaIOError as error:
                if error.error_code != StatusCode.error_timeout:
                    raise
                return b""
        if not data:
            time.sleep(max(0.0, until - time.monotonic()))
            return b""
        is_part = status == StatusCode.success_max_count_read
        return bytes(data) if is_part or data.endswith(self.link.line_end) else data + self.link.line_end

    def discard(self) -> None:
        """Throw away what has arrived."""
        if self._counts_arrived:
            with translated(self.link):
                self._resource.flush(BufferOperation.discard_read_buffer)
        elif self._socket is not None:
            while self.read_some(0.0):
                pass

    def _needed(self) -> Any:
        if self._resource is None:
            raise LinkLost(f"{self.link.where}: it is not open. It is opened again by itself.")
        return self._resource
