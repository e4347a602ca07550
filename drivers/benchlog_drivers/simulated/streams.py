"""Hand-held meters that send a text line a reading, over a pseudo-terminal or a TCP stream.

The line is the one described in the profile ``simulated-handheld``:
``AC +0.1234 A R6 A--`` and CR LF; ``OL`` beyond the range, ``----`` while the range changes.
"""

import contextlib
import os
import queue
import select
import socket
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Protocol

from benchlog.model.quantity import Quantity
from benchlog.model.reading import Status
from benchlog_drivers.simulated.link import Outlet
from benchlog_drivers.simulated.meters import Finished, Indication
from benchlog_drivers.simulated.server import HOST, break_off, listening_socket
from benchlog_drivers.simulated.sheets import InstrumentSheet
from benchlog_drivers.simulated.trouble import Trouble

_WORDS = {
    Quantity.AC_CURRENT: ("AC", "A"),
    Quantity.DC_CURRENT: ("DC", "A"),
    Quantity.AC_VOLTAGE: ("AC", "V"),
    Quantity.DC_VOLTAGE: ("DC", "V"),
}
_LOOK_S = 0.02
_PATIENCE_S = 5.0
_LONGEST_QUEUE = 100


def line_text(indication: Indication, autorange: bool = False) -> str:
    """One reading as the meter writes it, without line end. `KeyError` for a quantity it has no words for."""
    kind, unit = _WORDS[indication.quantity]
    milli = indication.range is not None and indication.range < 1.0
    factor = 1e3 if milli else 1.0
    places = max(1, -_exponent(indication.count * factor))
    full_scale = f"{(indication.range or 0.0) * factor:g}"
    flags = f"{'A' if autorange else '-'}--"
    return f"{kind} {_value(indication, factor, places)} {'m' if milli else ''}{unit} R{full_scale} {flags}"


def _value(indication: Indication, factor: float, places: int) -> str:
    if indication.value is not None:
        return f"{indication.value * factor:+.{places}f}"
    return "OL" if indication.status is Status.OVERLOAD else "----"


def _exponent(count: float) -> int:
    return int(f"{count:e}".partition("e")[2])


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
            while select.select([self._master], [], [], 0)[0]:
                os.read(self._master, 4096)

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

    def close(self) -> None:
        """Close the listener and every connection."""
        for connection in self._connections:
            connection.close()
        self._connections = []
        if self._listener is not None:
            self._listener.close()
            self._listener = None


class Stream:
    """One streaming meter: a thread that writes a line for each finished aperture."""

    def __init__(self, sheet: InstrumentSheet, port: Port, outlet: Outlet) -> None:
        """Not yet sending."""
        self.sheet = sheet
        self.port = port
        self.outlet = outlet
        self.sent = 0
        self._lines: queue.Queue[bytes] = queue.Queue(_LONGEST_QUEUE)
        self._thread = threading.Thread(target=self._work, name=sheet.name, daemon=True)

    def take(self, finished: Finished) -> None:
        """Queue the line of an aperture of this instrument; never waits."""
        if finished.instrument != self.sheet.name:
            return
        text = line_text(finished.indications[0], self.sheet.autorange)
        with contextlib.suppress(queue.Full):
            self._lines.put_nowait(text.encode("ascii") + b"\r\n")

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
            reset = self.outlet.acts(Trouble.RESET)
            if reset:
                self.outlet.troubles.clear(Trouble.RESET)
            self.port.tend(self.outlet.acts(Trouble.CLOSED), reset)
            try:
                data = self._lines.get(timeout=_LOOK_S)
            except queue.Empty:
                continue
            self.outlet.deliver(data, self.port.write)
            self.sent += 1


def stream_port(name: str, folder: Path, over_tcp: bool) -> Port:
    """A pseudo-terminal in ``folder`` where there are such things, else (or when asked for) a TCP stream."""
    return StreamSocket() if over_tcp or not hasattr(os, "openpty") else PseudoTerminal(folder / name)


StreamListener = Callable[[Finished], None]
