"""The cut-off contactor: modem line over RFC 2217 (a pseudo-terminal has no modem lines), and SCPI."""

import contextlib
import socket
import threading
import time
from collections.abc import Iterator

import pytest
import serial
import serial.rfc2217

from benchlog.bench.adaptor import Contactor, Openable
from benchlog.bench.file import InstrumentConfig
from benchlog.model.clock import RealClock
from benchlog.model.errors import LinkLost, PortRefused
from benchlog.model.role import Role
from benchlog_drivers import registry


class PortServer:
    """A serial port served by RFC 2217 with pyserial's own server side; its modem lines can be looked at."""

    def __init__(self) -> None:
        self.port = serial.serial_for_url("loop://", timeout=0.01)
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.url = f"rfc2217://127.0.0.1:{self._listener.getsockname()[1]}"
        self._connection: socket.socket | None = None
        self._thread = threading.Thread(target=self._work, daemon=True)
        self._thread.start()

    def write(self, data: bytes) -> None:
        assert self._connection is not None
        self._connection.sendall(data)

    def _work(self) -> None:
        with contextlib.suppress(OSError):
            self._connection, _ = self._listener.accept()
            manager = serial.rfc2217.PortManager(self.port, self)
            while data := self._connection.recv(1024):
                self.port.write(b"".join(manager.filter(data)))

    @property
    def rts(self) -> bool:
        return bool(self.port.cts)  # a looped port reads its own RTS as CTS

    def drop_connection(self) -> None:
        if self._connection is not None:
            with contextlib.suppress(OSError):
                self._connection.shutdown(socket.SHUT_RDWR)
            self._connection.close()

    def close(self) -> None:
        with contextlib.suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        self.drop_connection()
        self._thread.join(5)
        self.port.close()


@pytest.fixture
def server() -> Iterator[PortServer]:
    made = PortServer()
    yield made
    made.close()


def contactor(connection: str, profile: str, clock: RealClock) -> object:
    return registry.make(
        InstrumentConfig(
            name="contactor",
            adaptor="contactor",
            roles=(Role.CUT_OFF,),
            connection=connection,
            profile=profile,
        ),
        clock,
    )


def wait_for(state: bool, server: PortServer) -> bool:
    until = time.monotonic() + 2.0
    while server.rts is not state and time.monotonic() < until:
        time.sleep(0.002)
    return server.rts is state


@pytest.mark.filterwarnings("ignore:set(Daemon|Name):DeprecationWarning")  # pyserial 3.5
def test_each_beat_changes_the_line_and_a_drop_leaves_it_low(server: PortServer, clock: RealClock) -> None:
    box = contactor(server.url, "simulated-contactor-line", clock)
    assert isinstance(box, Contactor)
    assert isinstance(box, Openable)
    box.open()
    assert wait_for(False, server)
    for state in (True, False, True):
        box.beat()
        assert wait_for(state, server)
    box.drop()
    assert wait_for(False, server)
    box.beat()
    box.drop()
    assert wait_for(False, server)
    box.close()


def test_a_box_that_can_not_be_reached_is_refused(clock: RealClock) -> None:
    with pytest.raises(PortRefused):
        contactor("rfc2217://127.0.0.1:1", "simulated-contactor-line", clock).open()
    with pytest.raises(LinkLost):
        contactor("rfc2217://127.0.0.1:1", "simulated-contactor-line", clock).beat()


def test_a_relay_instrument_is_told_by_scpi(scpi_peer, clock: RealClock) -> None:
    box = contactor(scpi_peer.resource, "simulated-contactor-scpi", clock)
    assert isinstance(box, Contactor)
    box.open()
    box.beat()
    box.beat()
    box.drop()
    until = time.monotonic() + 2.0
    while not any(line == "ROUT:OPEN" for _, line in scpi_peer.asked) and time.monotonic() < until:
        time.sleep(0.002)
    box.close()
    lines = [line for _, line in scpi_peer.asked if line.startswith("ROUT")]
    assert lines == ["ROUT:HOLD 0.5", "ROUT:HOLD 0.5", "ROUT:OPEN"]
