"""Peers over real transports: a SCPI instrument on a loopback socket, a meter on a pseudo-terminal."""

import contextlib
import os
import re
import socket
import sys
import threading
import time
import tty
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from benchlog.model.clock import RealClock

sys.path.append(str(Path(__file__).parent))

from standard_device import Device, HislipPeer, SocketPeer, Vxi11Peer


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """The campaigns of this folder run only when asked for with ``-m campaign``."""
    if "campaign" in (config.getoption("-m") or ""):
        return
    here = Path(__file__).parent
    for item in items:
        if here in item.path.parents and item.get_closest_marker("campaign"):
            item.add_marker(pytest.mark.skip(reason="a campaign: run with -m campaign"))


@dataclass
class ScpiPeer:
    """A SCPI instrument whose k-th set of values tells its own number, so that a wrong one shows.

    ``trouble`` is asked before each answer and may change, delay or swallow it.
    """

    trouble: Callable[[str, bytes], bytes | None] = lambda query, reply: reply
    identity: str = "INVENTED,METER,S1,1.0"
    asked: list[tuple[float, str]] = field(default_factory=list)
    state: dict[str, str] = field(default_factory=lambda: {"VOLT": "0", "OUTP": "0", "PROT": "5", "DEL": "1"})
    errors: list[str] = field(default_factory=list)
    count: int = 0
    taken_s: dict[int, float] = field(default_factory=dict)
    busy_until: float = 0.0
    measure_s: float = 0.02
    autocount: bool = True

    def __post_init__(self) -> None:
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._listener.getsockname()[1])
        self._open: list[socket.socket] = []
        self._threads: list[threading.Thread] = []
        self._start(self._accept)

    @property
    def resource(self) -> str:
        return f"TCPIP0::127.0.0.1::{self.port}::SOCKET"

    def _start(self, work: Callable[..., None], *args: object) -> None:
        thread = threading.Thread(target=work, args=args, daemon=True)
        self._threads.append(thread)
        thread.start()

    def _accept(self) -> None:
        while True:
            try:
                connection, _ = self._listener.accept()
            except OSError:
                return
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._open.append(connection)
            self._start(self._serve, connection)

    def _serve(self, connection: socket.socket) -> None:
        buffer = b""
        try:
            while data := connection.recv(4096):
                buffer += data
                while b"\n" in buffer:
                    line, _, buffer = buffer.partition(b"\n")
                    self._line(connection, line.decode("ascii"))
        except OSError:
            pass
        finally:
            connection.close()

    def _line(self, connection: socket.socket, line: str) -> None:
        self.asked.append((time.monotonic(), line))
        replies = [
            reply for unit in line.split(";") if (reply := self._unit(unit.strip().lstrip(":"))) is not None
        ]
        if replies:
            answer = self.trouble(line, ";".join(replies).encode("ascii") + b"\n")
            if answer:
                connection.sendall(answer)

    def _unit(self, unit: str) -> str | None:
        if unit == "FETC?":
            if self.autocount:
                self.count += 1
            self.taken_s[self.count] = time.monotonic()
            k = self.count
            return f"{k},{k}.25,{1000 + k}.5,{2000 + k},{3000 + k},{-4000 - k},{5000 + k}"
        if unit == "READ?":
            self.count += 1
            self.taken_s[self.count] = time.monotonic()
            return f"{self.count}.25"
        if found := re.fullmatch(r"\*ESE (\d+)", unit):
            self.state["ESE"] = found[1]
            return None
        return self._word(unit)

    def _word(self, unit: str) -> str | None:
        head, _, value = unit.partition(" ")
        names = {"VOLT": "VOLT", "OUTP": "OUTP", "CURR:PROT": "PROT", "CURR:PROT:DEL": "DEL"}
        if head in names:
            if head == "VOLT" and float(value) > 300:
                self.errors.append('-222,"Data out of range"')
                return None
            self.state[names[head]] = {"ON": "1", "OFF": "0"}.get(value, value)
            return None
        if head == "INIT":
            self.busy_until = time.monotonic() + self.measure_s
            return None
        if head == "*CLS":
            self.errors.clear()
            return None
        answers: dict[str, Callable[[], str]] = {
            "*IDN?": lambda: self.identity,
            "*ESE?": lambda: self.state.get("ESE", "0"),
            "SYST:ERR?": lambda: self.errors.pop(0) if self.errors else '0,"No error"',
            "VOLT?": lambda: self.state["VOLT"],
            "OUTP?": lambda: self.state["OUTP"],
            "CURR:PROT?": lambda: self.state["PROT"],
            "CURR:PROT:DEL?": lambda: self.state["DEL"],
            "CURR:PROT:TRIP?": lambda: "0",
            "STAT:OPER:COND?": lambda: "16" if time.monotonic() < self.busy_until else "0",
            "FETC:VOLT?": lambda: "120.5",
            "CURR?": lambda: "0.25",
            "POW?": lambda: "17.5",
        }
        if unit not in answers:
            self.errors.append('-113,"Undefined header"')
            return None
        return answers[unit]()

    def break_off(self) -> None:
        """Close every connection, keep listening."""
        for connection in self._open:
            with contextlib.suppress(OSError):
                connection.shutdown(socket.SHUT_RDWR)
        self._open.clear()

    def close(self) -> None:
        with contextlib.suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        self.break_off()
        for thread in self._threads:
            thread.join(5)


@pytest.fixture
def scpi_peer() -> Iterator[ScpiPeer]:
    peer = ScpiPeer()
    yield peer
    peer.close()


class PtyPeer:
    """The instrument's end of a pseudo-terminal."""

    def __init__(self) -> None:
        self._open()

    def _open(self) -> None:
        self.master, self._slave = os.openpty()
        tty.setraw(self.master)
        tty.setraw(self._slave)
        self.path = os.ttyname(self._slave)

    def send(self, data: bytes) -> None:
        os.write(self.master, data)

    def receive(self) -> bytes:
        return os.read(self.master, 4096)

    def unplug(self) -> None:
        for descriptor in (self.master, self._slave):
            with contextlib.suppress(OSError):
                os.close(descriptor)


@pytest.fixture
def pty_peer() -> Iterator[PtyPeer]:
    peer = PtyPeer()
    yield peer
    peer.unplug()


@pytest.fixture
def clock() -> RealClock:
    return RealClock()


@pytest.fixture(autouse=True)
def _no_thread_left() -> Iterator[None]:
    """A test that leaves a thread behind fails."""
    before = set(threading.enumerate())
    yield
    until = time.monotonic() + 2.0
    while (left := set(threading.enumerate()) - before) and time.monotonic() < until:
        time.sleep(0.005)
    assert not left, f"threads left behind: {left}"


PEERS = {
    "socket": SocketPeer,
    "socket CRLF": lambda d: SocketPeer(d, b"\r\n"),
    "HiSLIP": HislipPeer,
    "VXI-11": Vxi11Peer,
}


@pytest.fixture
def device() -> Device:
    return Device()


@pytest.fixture(params=list(PEERS))
def peer(request: pytest.FixtureRequest, device: Device) -> Iterator[SocketPeer]:
    made = PEERS[request.param](device)
    yield made
    made.close()


@pytest.fixture
def plain(device: Device) -> Iterator[SocketPeer]:
    made = SocketPeer(device)
    yield made
    made.close()
