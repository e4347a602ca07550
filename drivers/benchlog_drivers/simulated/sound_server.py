"""Serves the simulated audio interface over TCP, to one program at a time, as a real one would be had.

A client sends an `Order` as a line and is answered with a line (`Answer`); then come blocks until either
end closes. Refusals are those of a real interface: another rate, too few inputs, busy.
"""

import contextlib
import select
import socket
import threading

import msgspec

from benchlog.model.errors import PortRefused
from benchlog_drivers.simulated.feed import Listener, SoundFeed
from benchlog_drivers.simulated.link import Outlet
from benchlog_drivers.simulated.server import HOST, break_off, listening_socket
from benchlog_drivers.simulated.trouble import Trouble
from benchlog_drivers.transports.audio import (
    BUSY,
    HEADER,
    RATE,
    Answer,
    Device,
    Order,
    check_channels,
    refusal,
)

_LOOK_S = 0.02
_PATIENCE_S = 5.0
_SEND_S = 5.0
_LONGEST_ORDER = 4096


class SoundServer:
    """Listens, and streams to the one that came first."""

    def __init__(self, name: str, feed: SoundFeed, outlet: Outlet) -> None:
        """Take a free port of the loopback interface; not yet serving."""
        self.name = name
        self.device = Device(0, "simulated interface (invented)", "simulated", 2, float(feed.rate_hz))
        self.counted = 0
        """Blocks sent."""
        self._feed = feed
        self._outlet = outlet
        self._listener: socket.socket | None = listening_socket()
        self._port = int(self._listener.getsockname()[1])
        self._streaming = threading.Lock()
        self._threads: list[threading.Thread] = []
        self._acceptor = threading.Thread(target=self._accept, name=f"{name}-accept", daemon=True)

    def connection(self) -> str:
        """How the bench file names it."""
        return f"socket://{HOST}:{self._port}"

    def start(self) -> None:
        """Begin to accept."""
        self._acceptor.start()

    def stop(self) -> None:
        """Close everything and wait for the threads."""
        self._outlet.stopping.set()
        for thread in [self._acceptor, *self._threads]:
            if thread.is_alive():
                thread.join(_PATIENCE_S)
        self._shut()

    def _shut(self) -> None:
        if self._listener is not None:
            self._listener.close()
            self._listener = None

    def _accept(self) -> None:
        while not self._outlet.stopping.is_set():
            if self._outlet.acts(Trouble.CLOSED):
                self._shut()
                self._outlet.stopping.wait(_LOOK_S)
                continue
            if self._listener is None:
                self._listener = listening_socket(self._port)
            try:
                connection, _ = self._listener.accept()
            except (TimeoutError, OSError):
                continue
            thread = threading.Thread(target=self._serve, args=(connection,), name=self.name, daemon=True)
            self._threads = [*(one for one in self._threads if one.is_alive()), thread]
            thread.start()

    def _serve(self, connection: socket.socket) -> None:
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        connection.settimeout(_SEND_S)
        try:
            order = _order(connection)
            if order is None:
                return
            if not self._streaming.acquire(blocking=False):
                busy = refusal(self.device, order.rate_hz, BUSY, "")
                connection.sendall(msgspec.json.encode(Answer(refused=str(busy))) + b"\n")
                return
            try:
                self._stream(connection, order)
            finally:
                self._streaming.release()
        except OSError:
            pass  # the other end is gone: nothing to tell anybody
        finally:
            connection.close()

    def _stream(self, connection: socket.socket, order: Order) -> None:
        try:
            check_channels(self.device, order.channels)
            if order.rate_hz != self._feed.rate_hz:
                raise refusal(self.device, order.rate_hz, RATE, "")
        except PortRefused as fault:
            connection.sendall(msgspec.json.encode(Answer(refused=str(fault))) + b"\n")
            return
        # Listening before it is said: whoever has the answer misses no sample from then on.
        listener = Listener()
        self._feed.add(listener)
        try:
            connection.sendall(msgspec.json.encode(Answer(self.device)) + b"\n")
            while not self._outlet.stopping.is_set() and not self._is_over(connection):
                block = listener.next(_LOOK_S)
                if block is not None:
                    samples = block.samples[:, : order.channels]
                    head = HEADER.pack(block.at_ns, block.adc_s, block.dropped, False, len(samples))
                    connection.sendall(head + samples.astype("<f4").tobytes())
                    self.counted += 1
        finally:
            self._feed.remove(listener)

    def _is_over(self, connection: socket.socket) -> bool:
        if self._outlet.acts(Trouble.RESET):
            self._outlet.troubles.clear(Trouble.RESET)
            break_off(connection)
            return True
        if self._outlet.acts(Trouble.CLOSED):
            return True
        return bool(select.select([connection], [], [], 0.0)[0]) and not connection.recv(256)


def _order(connection: socket.socket) -> Order | None:
    """What the client wants; None where it says nothing that could be one."""
    data = b""
    with contextlib.suppress(TimeoutError):
        while b"\n" not in data and len(data) < _LONGEST_ORDER:
            more = connection.recv(_LONGEST_ORDER)
            if not more:
                return None
            data += more
    try:
        return msgspec.json.decode(data.partition(b"\n")[0], type=Order)
    except msgspec.MsgspecError:
        return None
