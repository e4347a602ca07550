"""An audio input whose samples come over TCP (``socket://host:port``), as those of the simulated bench do.

The other end speaks as the process of a real stream does: it is sent an `Order` as a line, answers with a
line (`Answer`), and then sends blocks (`HEADER` and float32).
"""

import contextlib
import queue
import socket
import threading

import msgspec

from benchlog.model.errors import InstrumentFault, LinkLost, PortRefused, UsageError
from benchlog_drivers.transports.audio import OPEN_S, Answer, Device, Order, Put, read_stream

PREFIX = "socket://"
_CLOSE_S = 2.0


def address(connection: str) -> tuple[str, int]:
    """Host and port of ``socket://host:port``; `UsageError` where it is none."""
    host, _, port = connection.removeprefix(PREFIX).rpartition(":")
    if not connection.startswith(PREFIX) or not host or not port.isdigit():
        raise UsageError(f"{connection!r} is no address of an audio input. Write socket://HOST:PORT.")
    return host, int(port)


class SocketLine:
    """One input stream over TCP. Opened and closed by the worker that owns it."""

    def __init__(self, connection: str, order: Order) -> None:
        """Not yet open. `UsageError` where ``connection`` is no address."""
        self._address = address(connection)
        self._connection = connection
        self._order = order
        self._socket: socket.socket | None = None
        self._reader: threading.Thread | None = None

    def open(self, put: Put) -> Device:
        """Connect and wait until the stream runs. `PortRefused` says why it does not."""
        self.close()
        try:
            line = self._socket = socket.create_connection(self._address, OPEN_S)
            line.settimeout(None)
            line.sendall(msgspec.json.encode(self._order) + b"\n")
        except OSError as error:
            self.close()
            raise PortRefused(
                f"Nothing answers as an audio interface at {self._connection}: {error.strerror or error}. "
                "Start the simulated bench that serves it."
            ) from error
        answers: queue.SimpleQueue[bytes] = queue.SimpleQueue()
        self._reader = threading.Thread(
            target=read_stream,
            args=(line.makefile("rb"), answers, put, self._order.channels),
            name="audio",
            daemon=True,
        )
        self._reader.start()
        return self._answer(answers)

    def _answer(self, answers: "queue.SimpleQueue[bytes]") -> Device:
        try:
            answer = msgspec.json.decode(answers.get(timeout=OPEN_S), type=Answer)
        except (queue.Empty, msgspec.DecodeError) as error:
            self.close()
            raise PortRefused(
                f"What answers at {self._connection} is no audio interface. Mend the connection."
            ) from error
        if answer.device is None:
            self.close()
            raise PortRefused(answer.refused)
        return answer.device

    def check(self) -> None:
        """`LinkLost` where the stream has ended by itself."""
        if self._reader is not None and not self._reader.is_alive():
            raise self.gone()

    def gone(self) -> InstrumentFault:
        """The fault of a stream that ended."""
        return LinkLost(
            f"The audio interface at {self._connection} is gone: its stream has ended. The program goes on "
            "trying to reach it."
        )

    def close(self) -> None:
        """End the connection; never raises."""
        line, self._socket = self._socket, None
        reader, self._reader = self._reader, None
        if line is not None:
            with contextlib.suppress(OSError):
                line.shutdown(socket.SHUT_RDWR)
        if reader is not None:
            reader.join(_CLOSE_S)
        if line is not None:
            line.close()
