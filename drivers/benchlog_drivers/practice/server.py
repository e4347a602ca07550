"""Serves one practice instrument: a TCP stream or socket on the loopback interface, or a pseudo-terminal."""

import contextlib
import os
import select
import socket
import threading
import time
from collections.abc import Callable

from benchlog.bench.profile import Family
from benchlog.model.errors import PortRefused
from benchlog_drivers.codecs.parity import with_parity
from benchlog_drivers.practice.meter import PracticeMeter, rtu_answer
from benchlog_drivers.simulated.link import Outlet
from benchlog_drivers.simulated.server import HOST, break_off, listening_socket
from benchlog_drivers.simulated.trouble import Trouble, TroubleBox

_LOOK_S = 0.01
_PATIENCE_S = 5.0


class PracticeServer:
    """One instrument on one TCP port; a thread for the listener and one for each connection.

    Practice seconds run ``scale`` times as fast as real ones.
    """

    def __init__(
        self, meter: PracticeMeter, troubles: TroubleBox, scale: float = 1.0, seed: int = 0, port: int = 0
    ) -> None:
        """Take the port, or a free one for 0; not yet serving. `PortRefused` where it is taken."""
        self.meter = meter
        self.troubles = troubles
        self._scale = scale
        self._begun_s = time.monotonic()
        self.outlet = Outlet(troubles, self.now_s, seed)
        try:
            self._listener: socket.socket | None = listening_socket(port)
        except OSError as error:
            raise PortRefused(
                f"TCP port {port} can't be served: {error.strerror}. Choose another."
            ) from error
        self.port = int(self._listener.getsockname()[1])
        self._lock = threading.Lock()
        self._connections: set[socket.socket] = set()
        self._threads: list[threading.Thread] = []

    @property
    def connection(self) -> str:
        """As a bench file names it."""
        family = self.meter.profile.family
        if family is Family.SCPI:
            return f"TCPIP0::{HOST}::{self.port}::SOCKET"
        return f"{'tcp' if family is Family.MODBUS else 'socket'}://{HOST}:{self.port}"

    def now_s(self) -> float:
        """Practice seconds."""
        return (time.monotonic() - self._begun_s) * self._scale

    def start(self) -> None:
        """Begin to serve."""
        self._begin(self._accept)

    def stop(self) -> None:
        """Close everything and wait for the threads."""
        self.outlet.stopping.set()
        for thread in self._threads:
            thread.join(_PATIENCE_S)
        if self._listener is not None:
            self._listener.close()

    def _begin(self, work: Callable[..., None], *arguments: object) -> None:
        thread = threading.Thread(target=work, args=arguments, name="practice", daemon=True)
        self._threads.append(thread)
        thread.start()

    def _accept(self) -> None:
        while not self.outlet.stopping.is_set():
            if self.outlet.acts(Trouble.CLOSED):
                if self._listener is not None:
                    self._listener.close()
                    self._listener = None
                self.outlet.stopping.wait(_LOOK_S)
                continue
            if self._listener is None:
                self._listener = listening_socket(self.port)
            with contextlib.suppress(TimeoutError, OSError):
                connection, _ = self._listener.accept()
                self._begin(self._serve, connection)

    def _serve(self, connection: socket.socket) -> None:
        if connection.family == socket.AF_INET:
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        connection.settimeout(_PATIENCE_S)
        self.meter.wrong = self.outlet.acts(Trouble.WRONG_INSTRUMENT)
        with self._lock:
            self._connections.add(connection)
        try:
            self._converse(connection)
        except OSError:
            pass  # the other end is gone: nothing to tell anybody
        finally:
            with self._lock:
                self._connections.discard(connection)
            connection.close()

    def _converse(self, connection: socket.socket) -> None:
        profile = self.meter.profile
        asked = profile.family in (Family.SCPI, Family.MODBUS) or self._request()
        period_s = profile.measure.period_s / self._scale
        due_s, buffer = time.monotonic() + period_s, b""
        while not self.outlet.stopping.is_set() and not self._is_broken():
            wait_s = _LOOK_S if asked else max(0.0, min(_LOOK_S, due_s - time.monotonic()))
            if select.select([connection], [], [], wait_s)[0]:
                data = connection.recv(4096)
                if not data:
                    return
                buffer = self._answer(connection, buffer + data) if asked else b""
            if not asked and time.monotonic() >= due_s:
                due_s = max(due_s + period_s, time.monotonic())
                self._send(connection, self._coded(self.meter.frame(self.now_s())))

    def _is_broken(self) -> bool:
        if self.outlet.acts(Trouble.RESET):
            self.troubles.clear(Trouble.RESET)
            with self._lock:
                for one in self._connections:
                    break_off(one)
            return True
        return self.outlet.acts(Trouble.CLOSED)

    def _request(self) -> bytes:
        profile = self.meter.profile
        if profile.text is not None:
            return self._coded(profile.text.request.encode("ascii"))
        return bytes.fromhex(profile.frame.request) if profile.frame is not None else b""

    def _coded(self, data: bytes) -> bytes:
        link = self.meter.profile.link
        return with_parity(data, link.parity) if link.software_parity else data

    def _answer(self, connection: socket.socket, buffer: bytes) -> bytes:
        """Answer every whole question in the buffer; what is left of it."""
        while True:
            used, reply = self._one_answer(buffer)
            if used == 0:
                return buffer
            buffer = buffer[used:]
            if reply is not None:
                self._send(connection, reply)

    def _one_answer(self, buffer: bytes) -> tuple[int, bytes | None]:
        family = self.meter.profile.family
        if family is Family.MODBUS:
            return self._modbus_answer(buffer)
        if family is Family.SCPI:
            line, found, _ = buffer.partition(b"\n")
            if not found:
                return 0, None
            reply = self.meter.scpi(line.decode("ascii", errors="replace"), self.now_s())
            return len(line) + 1, reply.encode("ascii") + b"\n" if reply is not None else None
        request = self._request()
        place = buffer.find(request)
        if place < 0:
            return 0, None
        return place + len(request), self._coded(self.meter.frame(self.now_s()))

    def _modbus_answer(self, buffer: bytes) -> tuple[int, bytes | None]:
        if len(buffer) < 12:
            return 0, None
        body = self.meter.modbus(buffer[7:12], self.now_s())
        if body is None:
            return 12, None
        return 12, buffer[:4] + (len(body) + 1).to_bytes(2, "big") + buffer[6:7] + body

    def _send(self, connection: socket.socket, data: bytes) -> None:
        if not self.outlet.acts(Trouble.SILENT):
            self.outlet.deliver(data, connection.sendall)


class PracticeTerminal(PracticeServer):
    """The same on a pseudo-terminal: serial meters, and Modbus RTU."""

    def __init__(self, meter: PracticeMeter, troubles: TroubleBox, scale: float = 1.0, seed: int = 0) -> None:
        """Make the terminal."""
        import tty  # not there on Windows

        super().__init__(meter, troubles, scale, seed)
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        self._path = os.ttyname(self._slave)

    @property
    def connection(self) -> str:
        """The terminal's path, for SCPI as a VISA resource string."""
        return f"ASRL{self._path}::INSTR" if self.meter.profile.family is Family.SCPI else self._path

    def start(self) -> None:
        """Begin to serve."""
        self._begin(self._work)

    def stop(self) -> None:
        """Close the terminal and wait for the thread."""
        super().stop()
        os.close(self._master)
        os.close(self._slave)

    def _work(self) -> None:
        here, there = socket.socketpair()
        self._begin(self._serve, there)
        with here:
            while not self.outlet.stopping.is_set():
                ready = select.select([self._master, here.fileno()], [], [], _LOOK_S)[0]
                if self._master in ready:
                    here.sendall(os.read(self._master, 4096))
                if here.fileno() in ready:
                    data = here.recv(4096)
                    if not data:
                        return
                    os.write(self._master, data)

    def _modbus_answer(self, buffer: bytes) -> tuple[int, bytes | None]:
        if len(buffer) < 8:
            return 0, None
        body = self.meter.modbus(buffer[1:6], self.now_s())
        return 8, rtu_answer(body, buffer[0])
