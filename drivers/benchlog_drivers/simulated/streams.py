"""The serial meters of the simulated bench, over a pseudo-terminal or a TCP stream.

Some send a frame for each reading by themselves, others answer when they are asked.
"""

import contextlib
import os
import queue
import select
import socket
import threading
import time
from pathlib import Path
from typing import Protocol

from benchlog_drivers.simulated.encode import encoder
from benchlog_drivers.simulated.link import Outlet, Write
from benchlog_drivers.simulated.meters import Finished, SimulatedMeter
from benchlog_drivers.simulated.server import HOST, Talk, break_off, listening_socket
from benchlog_drivers.simulated.sheets import InstrumentSheet
from benchlog_drivers.simulated.trouble import Trouble

_LOOK_S = 0.02
_PATIENCE_S = 5.0
_LONGEST_QUEUE = 100


class Port(Protocol):
    """Where a stream goes."""

    def connection(self) -> str:
        """How the bench file names it."""
        ...

    def tend(self, closed: bool, reset: bool) -> None:
        """Look after connections; ``closed`` while the link is gone, ``reset`` to break it off once."""
        ...

    def write(self, data: bytes) -> None:
        """Send to whoever listens; what does not fit is lost."""
        ...

    def receive(self, timeout_s: float) -> bytes:
        """What was sent to the instrument, waiting at most ``timeout_s``."""
        ...

    def close(self) -> None:
        """Close everything."""
        ...


class PseudoTerminal:
    """A pseudo-terminal behind a link of stable name, so that it can go away and come back."""

    def __init__(self, path: Path) -> None:
        """Make the terminal and put the link at ``path``."""
        self._path = path
        self._master: int | None = None
        self._open()

    def connection(self) -> str:
        """The path of the link."""
        return str(self._path)

    def _open(self) -> None:
        import tty

        master, slave = os.openpty()
        tty.setraw(slave)
        os.set_blocking(master, False)
        name = os.ttyname(slave)
        os.close(slave)  # from here on the terminal tells whether anybody has it open
        self._path.unlink(missing_ok=True)
        self._path.symlink_to(name)
        self._master = master

    def tend(self, closed: bool, reset: bool) -> None:
        """Take the terminal away or bring it back."""
        if closed or reset:
            self.close()
        if not closed and self._master is None:
            self._open()

    def write(self, data: bytes) -> None:
        """Send if anybody has the port open; bytes that nobody reads are lost, as on a real line."""
        if self._master is None or self._is_alone():
            return
        with contextlib.suppress(BlockingIOError, OSError):
            os.write(self._master, data)

    def receive(self, timeout_s: float) -> bytes:
        """What the program wrote; a terminal that nobody has open is left alone for the while."""
        if self._master is None or self._is_alone():
            time.sleep(timeout_s)
            return b""
        try:
            if select.select([self._master], [], [], timeout_s)[0]:
                return os.read(self._master, 4096)
        except OSError:
            time.sleep(timeout_s)
        return b""

    def _is_alone(self) -> bool:
        poll = select.poll()
        poll.register(self._master or 0, select.POLLHUP)
        return any(event & select.POLLHUP for _, event in poll.poll(0))

    def close(self) -> None:
        """Take the terminal and its link away."""
        if self._master is not None:
            os.close(self._master)
            self._master = None
        self._path.unlink(missing_ok=True)


class StreamSocket:
    """A TCP stream (``socket://host:port``) that any number of listeners may read."""

    def __init__(self) -> None:
        """Take a free port of the loopback interface."""
        self._listener: socket.socket | None = listening_socket()
        self._port = int(self._listener.getsockname()[1])
        self._listener.setblocking(False)
        self._connections: list[socket.socket] = []

    def connection(self) -> str:
        """The URL of the port."""
        return f"socket://{HOST}:{self._port}"

    def tend(self, closed: bool, reset: bool) -> None:
        """Take new connections; close or break off those there are."""
        if closed:
            self.close()
            return
        if reset:
            for connection in self._connections:
                break_off(connection)
            self._connections = []
        if self._listener is None:
            self._listener = listening_socket(self._port)
            self._listener.setblocking(False)
        with contextlib.suppress(BlockingIOError):
            connection, _ = self._listener.accept()
            connection.setblocking(False)
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._connections.append(connection)

    def write(self, data: bytes) -> None:
        """Send to every listener; one that does not read loses bytes, one that is gone is forgotten."""
        for connection in list(self._connections):
            try:
                connection.send(data)
            except BlockingIOError:
                continue
            except OSError:
                self._connections.remove(connection)
                connection.close()

    def receive(self, timeout_s: float) -> bytes:
        """What any listener sent."""
        if not self._connections:
            time.sleep(timeout_s)
            return b""
        data = b""
        for connection in select.select(self._connections, [], [], timeout_s)[0]:
            with contextlib.suppress(OSError):
                data += connection.recv(4096)
        return data

    def close(self) -> None:
        """Close the listener and every connection."""
        for connection in self._connections:
            connection.close()
        self._connections = []
        if self._listener is not None:
            self._listener.close()
            self._listener = None


class Stream:
    """One streaming meter: writes a frame for each finished aperture.

    While nothing troubles it, on the bench's own thread, so that the frames of two meters leave in the order
    in which their apertures ended; a thread of its own tends the port and sends what a trouble delays.
    """

    def __init__(self, sheet: InstrumentSheet, port: Port, outlet: Outlet) -> None:
        """Not yet sending."""
        self.sheet = sheet
        self.port = port
        self.outlet = outlet
        self.counted = 0
        """Writes so far: one a frame."""
        self._encode = encoder(sheet)
        self._frames: queue.Queue[bytes] = queue.Queue(_LONGEST_QUEUE)
        self._lock = threading.Lock()
        self._thread = threading.Thread(target=self._work, name=sheet.name, daemon=True)

    def take(self, finished: Finished) -> None:
        """Send or queue the frame of an aperture of this instrument; never waits long."""
        if finished.instrument != self.sheet.name:
            return
        frame = self._encode(finished)
        if self._frames.empty() and self.outlet.is_clear():
            self._write(frame)
            return
        with contextlib.suppress(queue.Full):
            self._frames.put_nowait(frame)

    def start(self) -> None:
        """Begin to send."""
        self._thread.start()

    def stop(self) -> None:
        """End the thread and close the port."""
        self.outlet.stopping.set()
        if self._thread.is_alive():
            self._thread.join(_PATIENCE_S)
        self.port.close()

    def _work(self) -> None:
        while not self.outlet.stopping.is_set():
            with self._lock:
                _tend(self.port, self.outlet)
            try:
                data = self._frames.get(timeout=_LOOK_S)
            except queue.Empty:
                continue
            self.outlet.deliver(data, self._write)

    def _write(self, data: bytes) -> None:
        with self._lock:
            self.port.write(data)
        self.counted += 1


class Asked:
    """One meter on a serial line that answers when it is asked: a thread that listens."""

    def __init__(self, name: str, port: Port, outlet: Outlet, talk: Talk) -> None:
        """Not yet listening. ``talk`` takes what arrives."""
        self.name = name
        self.port = port
        self.outlet = outlet
        self._talk = talk
        self._thread = threading.Thread(target=self._work, name=name, daemon=True)

    def start(self) -> None:
        """Begin to listen."""
        self._thread.start()

    def stop(self) -> None:
        """End the thread and close the port."""
        self.outlet.stopping.set()
        if self._thread.is_alive():
            self._thread.join(_PATIENCE_S)
        self.port.close()

    def _work(self) -> None:
        while not self.outlet.stopping.is_set():
            _tend(self.port, self.outlet)
            data = self.port.receive(_LOOK_S)
            if data:
                self._talk.take(data, self.port.write)


class RequestTalk:
    """Answers one fixed request with the last finished reading."""

    def __init__(self, request: bytes, meter: SimulatedMeter, outlet: Outlet) -> None:
        """``request`` as it comes over the line."""
        self._request = request
        self._meter = meter
        self._outlet = outlet
        self._encode = encoder(meter.sheet)
        self._buffer = b""
        self.counted = 0
        """Requests taken."""

    def take(self, data: bytes, send: Write) -> None:
        """Answer each whole request; nothing before the first reading is there."""
        self._buffer = (self._buffer + data)[-256:]
        while self._request in self._buffer:
            self._buffer = self._buffer.partition(self._request)[2]
            self.counted += 1
            if self._meter.last is not None and not self._outlet.acts(Trouble.SILENT):
                self._outlet.deliver(self._encode(self._meter.last), send)


def _tend(port: Port, outlet: Outlet) -> None:
    reset = outlet.acts(Trouble.RESET)
    if reset:
        outlet.troubles.clear(Trouble.RESET)
    port.tend(outlet.acts(Trouble.CLOSED), reset)


def stream_port(name: str, folder: Path, over_tcp: bool) -> Port:
    """A pseudo-terminal in ``folder`` where there are such things, else (or when asked for) a TCP stream."""
    return StreamSocket() if over_tcp or not hasattr(os, "openpty") else PseudoTerminal(folder / name)
