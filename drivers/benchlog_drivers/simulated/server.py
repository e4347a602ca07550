"""A TCP socket that serves several connections at once, each by a talk of its own."""

import contextlib
import socket
import struct
import threading
from collections.abc import Callable
from typing import Protocol

from benchlog_drivers.simulated.link import Outlet, Write
from benchlog_drivers.simulated.trouble import Trouble

HOST = "127.0.0.1"
_LOOK_S = 0.02
_PATIENCE_S = 5.0
_LONGEST_LINE = 65536

Handle = Callable[[str, bool], bytes | str | None]
"""Takes a line and whether this connection reaches the wrong instrument; gives the answer or None."""


class Talk(Protocol):
    """One connection's side of the instrument."""

    def take(self, data: bytes, send: Write) -> None:
        """Take what arrived; answers go out by ``send``."""
        ...


Begin = Callable[[bool], Talk]
"""Begins the talk of a new connection; told whether it reaches the wrong instrument."""


def listening_socket(port: int = 0) -> socket.socket:
    """A loopback listener; port 0 takes a free one."""
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    listener.bind((HOST, port))
    listener.listen(16)
    listener.settimeout(_LOOK_S)
    return listener


def break_off(connection: socket.socket) -> None:
    """Close with a reset instead of an orderly end."""
    with contextlib.suppress(OSError):
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    connection.close()


class LineTalk:
    """Program messages, one a line; answers pass through the instrument's troubles."""

    def __init__(self, handle: Handle, outlet: Outlet, wrong: bool) -> None:
        """``wrong``: this connection reaches another instrument."""
        self._handle = handle
        self._outlet = outlet
        self._wrong = wrong
        self._buffer = bytearray()

    def take(self, data: bytes, send: Write) -> None:
        """Carry out every whole line."""
        buffer = self._buffer
        buffer += data
        if len(buffer) > _LONGEST_LINE:
            del buffer[:-_LONGEST_LINE]
        while (end := buffer.find(b"\n")) >= 0:
            line = bytes(buffer[:end]).decode("ascii", errors="replace").strip()
            del buffer[: end + 1]
            if self._outlet.acts(Trouble.SILENT) or self._outlet.acts(Trouble.SWITCHED_OFF):
                continue
            reply = self._handle(line, self._wrong)
            if reply is not None:
                answer = reply if isinstance(reply, bytes) else reply.encode("latin-1")
                self._outlet.deliver(answer + b"\n", send)


def line_talk(handle: Handle, outlet: Outlet) -> Begin:
    """Talks of an instrument that answers lines."""
    return lambda wrong: LineTalk(handle, outlet, wrong)


class Server:
    """Listens, and serves each connection with a thread of its own until ``stop``."""

    def __init__(self, name: str, begin: Begin, outlet: Outlet) -> None:
        """Take a free port of the loopback interface; not yet serving."""
        self.name = name
        self.outlet = outlet
        self._begin = begin
        self._listener: socket.socket | None = listening_socket()
        self.port = int(self._listener.getsockname()[1])
        self._lock = threading.Lock()
        self._connections: dict[socket.socket, threading.Thread] = {}
        self._acceptor = threading.Thread(target=self._accept, name=f"{name}-accept", daemon=True)

    def start(self) -> None:
        """Begin to accept."""
        self._acceptor.start()

    def stop(self) -> None:
        """Close everything and wait for the threads."""
        self.outlet.stopping.set()
        if self._acceptor.is_alive():
            self._acceptor.join(_PATIENCE_S)
        self._shut()
        with self._lock:
            serving = dict(self._connections)
        for connection, thread in serving.items():
            with contextlib.suppress(OSError):
                connection.shutdown(socket.SHUT_RDWR)
            thread.join(_PATIENCE_S)

    def _shut(self) -> None:
        if self._listener is not None:
            self._listener.close()
            self._listener = None

    def _accept(self) -> None:
        while not self.outlet.stopping.is_set():
            if self.outlet.acts(Trouble.CLOSED):
                self._shut()
                self.outlet.stopping.wait(_LOOK_S)
                continue
            if self._listener is None:
                self._listener = listening_socket(self.port)
            try:
                connection, _ = self._listener.accept()
            except (TimeoutError, OSError):
                continue
            self._serve_in_thread(connection)

    def _serve_in_thread(self, connection: socket.socket) -> None:
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        connection.settimeout(_LOOK_S)
        thread = threading.Thread(target=self._serve, args=(connection,), name=self.name, daemon=True)
        with self._lock:
            self._connections[connection] = thread
        thread.start()

    def _serve(self, connection: socket.socket) -> None:
        talk = self._begin(self.outlet.acts(Trouble.WRONG_INSTRUMENT))
        try:
            while not self.outlet.stopping.is_set() and not self._is_broken():
                data = self._receive(connection)
                if data is None:
                    break
                if data:
                    talk.take(data, connection.sendall)
        except OSError:
            pass  # the other end is gone: nothing to tell anybody
        finally:
            with self._lock:
                self._connections.pop(connection, None)
            connection.close()

    def _is_broken(self) -> bool:
        """Whether a trouble ends the connections now."""
        if self.outlet.acts(Trouble.RESET):
            with self._lock:
                others = list(self._connections)
            self.outlet.troubles.clear(Trouble.RESET)
            for one in others:
                break_off(one)
            return True
        return self.outlet.acts(Trouble.CLOSED)

    @staticmethod
    def _receive(connection: socket.socket) -> bytes | None:
        """What has arrived; None when the other end closed."""
        try:
            return connection.recv(4096) or None
        except TimeoutError:
            return b""
