"""A hand-set source: the program says what to do; a simulated hand hears it over the bench's control line."""

import contextlib
import json
import socket

from benchlog.bench.adaptor import Identity
from benchlog.bench.file import InstrumentConfig
from benchlog.model.errors import UsageError

_CONNECT_S = 0.2
_SEND_S = 0.05


class HandSet:
    """Implements `benchlog.bench.adaptor.Dial`. A connection is there only on a simulated bench."""

    def __init__(self, config: InstrumentConfig) -> None:
        """``config.connection`` is ``host:port`` of the control line, or empty; else `UsageError`."""
        self._name = config.description or config.name
        self._address: tuple[str, int] | None = None
        self._socket: socket.socket | None = None
        if config.connection:
            host, _, port = config.connection.rpartition(":")
            if not host or not port.isdigit():
                raise UsageError(
                    f"The connection {config.connection!r} of {config.name!r} is not host:port. "
                    "Mend the bench file."
                )
            self._address = (host, int(port))

    def open(self) -> Identity:
        """Nothing has to be there; a simulated hand is tried."""
        self._connect()
        return Identity(self._name)

    def close(self) -> None:
        """Close the control line; never raises."""
        if self._socket is not None:
            with contextlib.suppress(OSError):
                self._socket.close()
            self._socket = None

    def instruct(self, text: str, target_v: float | None, urgent: bool) -> None:
        """Send one JSON line to the simulated hand; without one, the line on the screen is all there is."""
        order = {"type": "instruct", "text": text, "target_v": target_v, "urgent": urgent}
        data = json.dumps(order).encode("ascii") + b"\n"
        for _ in range(2):
            if self._socket is None and not self._connect():
                return
            try:
                assert self._socket is not None
                self._socket.sendall(data)
                self._drain()
                return
            except OSError:
                self.close()

    def _drain(self) -> None:
        """Throw away what the control line answers."""
        assert self._socket is not None
        with contextlib.suppress(BlockingIOError, TimeoutError):
            while self._socket.recv(4096, getattr(socket, "MSG_DONTWAIT", 0)):
                pass

    def _connect(self) -> bool:
        if self._address is None:
            return False
        try:
            self._socket = socket.create_connection(self._address, timeout=_CONNECT_S)
            self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._socket.settimeout(_SEND_S)
        except OSError:
            self._socket = None
            return False
        return True
