"""Modbus against a server written by others (pymodbus), over TCP and a pair of pseudo-terminals (socat)."""

import asyncio
import contextlib
import shutil
import socket
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from pymodbus.server import ModbusSerialServer, ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from benchlog.bench.adaptor import Contactor
from benchlog.bench.file import InstrumentConfig
from benchlog.model.clock import RealClock
from benchlog.model.errors import InstrumentTimeout, LinkLost, PortRefused, ProtocolFault
from benchlog.model.reading import Measured, Reading, Status, Unusable
from benchlog.model.role import Role
from benchlog_drivers import registry
from benchlog_drivers.adaptors.modbus_meter import ModbusMeter

ROLES = (Role.INLET_VOLTAGE, Role.SOURCE_CURRENT, Role.SOURCE_POWER)
HIGH = 0x7FFF


class Device:
    """A register map served by pymodbus; every reading of the first register is a new set."""

    def __init__(self, make: Callable[[SimDevice], object]) -> None:
        self.sets = 0
        self.moving = True
        self.coils: list[bool] = []
        self.delay_s = 0.0
        self.registers = [0, 1205, 0, 250, 0, 175, 0, 301, 581, 6000, 0x3FC0, 0, 0]
        self._make = make
        self._stop = threading.Event()
        self._started = threading.Event()
        self._thread = threading.Thread(target=lambda: asyncio.run(self._serve()), daemon=True)
        self._thread.start()
        assert self._started.wait(10)

    async def _act(self, function, start, address, count, registers, values):
        if self.delay_s:
            await asyncio.sleep(self.delay_s)
        if function == 4 and address == 0:
            self.sets += self.moving
            registers[0 : len(self.registers)] = [self.sets % 0x10000, *self.registers[1:]]
        if values is not None:
            self.coils += [bool(v) for v in values]

    async def _serve(self) -> None:
        bits = [SimData(0, values=[False] * 16, datatype=DataType.BITS)]
        inputs = [
            SimData(0, values=[0] * 13, datatype=DataType.REGISTERS),
            SimData(100, values=[1, 2, 3, 4], datatype=DataType.REGISTERS),
        ]
        holding = [SimData(0, values=[0] * 4, datatype=DataType.REGISTERS)]
        server = self._make(SimDevice(id=1, simdata=(bits, bits, holding, inputs), action=self._act))
        await server.serve_forever(background=True)
        self._started.set()
        while not self._stop.is_set():
            await asyncio.sleep(0.01)
        await server.shutdown()

    def close(self) -> None:
        self._stop.set()
        self._thread.join(10)


@pytest.fixture
def tcp() -> Iterator[tuple[Device, str]]:
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    device = Device(lambda d: ModbusTcpServer(d, address=("127.0.0.1", port)))
    yield device, f"tcp://127.0.0.1:{port}"
    device.close()


@pytest.fixture
def pair(tmp_path: Path) -> Iterator[tuple[str, str]]:
    socat = shutil.which("socat")
    if socat is None:
        pytest.skip("socat is not installed")
    ends = [str(tmp_path / name) for name in ("here", "there")]
    process = subprocess.Popen([socat, *(f"pty,raw,echo=0,link={end}" for end in ends)])
    until = time.monotonic() + 5.0
    while not all(Path(end).exists() for end in ends) and time.monotonic() < until:
        time.sleep(0.005)
    yield ends[0], ends[1]
    process.terminate()
    process.wait(5)


@pytest.fixture
def rtu(pair: tuple[str, str]) -> Iterator[tuple[Device, str]]:
    here, there = pair
    device = Device(lambda d: ModbusSerialServer(d, port=there, baudrate=19200))
    yield device, here
    device.close()


def meter_of(connection: str, clock: RealClock, **changes: object) -> ModbusMeter:
    facts: dict[str, object] = {
        "name": "power meter", "adaptor": "modbus", "roles": ROLES, "profile": "simulated-power-meter",
        "connection": connection,
    }  # fmt: skip
    made = registry.make(InstrumentConfig(**{**facts, **changes}), clock)  # type: ignore[arg-type]
    assert isinstance(made, ModbusMeter)
    made.pace.period_s = 0.01
    return made


def take(meter: ModbusMeter, sets: int, patience_s: float = 5.0) -> list[Reading]:
    found: list[Reading] = []
    until = time.monotonic() + patience_s
    while len(found) < sets * len(meter.channels) and time.monotonic() < until:
        found.extend(meter.read())
    return found


@pytest.mark.parametrize("way", ["tcp", "rtu"])
def test_a_set_is_read_in_one_transaction(way: str, clock: RealClock, request: pytest.FixtureRequest) -> None:
    device, connection = request.getfixturevalue(way)
    meter = meter_of(connection, clock)
    assert meter.open().serial_number == "0001000200030004"
    assert meter.consistent
    readings = take(meter, 3)
    meter.close()
    assert [r.value for r in readings[:3]] == pytest.approx([120.5, 0.25, 17.5])
    assert len({r.end_us for r in readings}) == 3
    assert device.sets >= 4


def test_overload_and_impossible_numbers_are_a_status(tcp, clock) -> None:
    device, connection = tcp
    device.registers[1:4] = [0xFFFF, HIGH, 0xFFFF]
    device.registers[4:6] = [1000, 0]
    meter = meter_of(connection, clock)
    meter.open()
    readings = take(meter, 1)
    meter.close()
    assert [r.status for r in readings if isinstance(r, Unusable)] == [
        Status.OVERLOAD,
        Status.OVERLOAD,
        Status.GARBLED,
    ]


def test_the_same_count_is_no_new_reading(tcp, clock) -> None:
    device, connection = tcp
    meter = meter_of(connection, clock)
    meter.open()
    take(meter, 1)
    device.moving = False
    take(meter, 1, 0.1)
    assert take(meter, 1, 0.2) == []
    meter.close()


class LateRelay:
    """Stands between client and server and holds chosen answers back; order is kept."""

    def __init__(self, port: int) -> None:
        self.delay_s = 0.0
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._listener.getsockname()[1])
        self._server_port = port
        self._threads = [threading.Thread(target=self._work, daemon=True)]
        self._threads[0].start()

    def _work(self) -> None:
        client, _ = self._listener.accept()
        server = socket.create_connection(("127.0.0.1", self._server_port))
        back = threading.Thread(target=self._copy, args=(server, client, True), daemon=True)
        back.start()
        self._copy(client, server, False)
        server.shutdown(socket.SHUT_RDWR)
        back.join(5)
        client.close()
        server.close()

    def _copy(self, source: socket.socket, sink: socket.socket, holds: bool) -> None:
        with contextlib.suppress(OSError):
            while data := source.recv(4096):
                if holds and self.delay_s:
                    time.sleep(self.delay_s)
                sink.sendall(data)

    def close(self) -> None:
        self._listener.close()
        self._threads[0].join(5)


@pytest.mark.alone
@pytest.mark.parametrize("way", ["tcp", "rtu"])
def test_late_answers_are_never_taken_for_the_next(
    way: str, clock: RealClock, request: pytest.FixtureRequest
) -> None:
    device, connection = request.getfixturevalue(way)
    relay = LateRelay(int(connection.rpartition(":")[2])) if way == "tcp" else None
    late = relay or device
    meter = meter_of(f"tcp://127.0.0.1:{relay.port}" if relay else connection, clock, timeout_s=0.06)
    until = time.monotonic() + 20.0
    while time.monotonic() < until:
        with contextlib.suppress(InstrumentTimeout):  # a busy machine, at so short a time allowed
            meter.open()
            break
    timeouts = wrong = taken = i = 0
    until = time.monotonic() + 30.0
    while i < 60 or (min(taken - 40, timeouts - 8) < 0 and time.monotonic() < until):
        i += 1
        late.delay_s = 0.09 if i % 6 == 3 else 0.0
        asked = device.sets
        try:
            words = meter.line.read_registers("input", 0, 12 + (i & 1))
        except (InstrumentTimeout, ProtocolFault):  # later than the drain: found by its length
            timeouts += 1
            continue
        taken += 1
        wrong += words[0] <= asked
        assert len(words) == 12 + (i & 1)
    meter.close()
    if relay:
        relay.close()
    assert timeouts >= 8
    assert taken >= 40
    assert wrong == 0, "an answer to a question asked before this one"


def test_a_refusal_is_told_in_words(tcp, clock) -> None:
    _, connection = tcp
    meter = meter_of(connection, clock)
    meter.open()
    with pytest.raises(ProtocolFault, match=r"refused \(2\): it has no such register"):
        meter.line.read_registers("input", 500, 2)
    assert len(take(meter, 1)) == 3, "the line goes on after a refusal"
    meter.close()


def test_a_server_that_goes_is_lost_and_one_that_is_not_there_refused(tcp, clock) -> None:
    device, connection = tcp
    meter = meter_of(connection, clock)
    meter.open()
    take(meter, 1)
    device.close()
    with pytest.raises(LinkLost):
        take(meter, 1)
    with pytest.raises(PortRefused, match="nobody listens there"):
        meter.open()
    meter.close()


def test_a_relay_is_held_in_and_dropped_by_its_coil(tcp, clock) -> None:
    device, connection = tcp
    relay = registry.make(
        InstrumentConfig(
            name="contactor", adaptor="contactor", roles=(Role.CUT_OFF,), connection=connection,
            profile="simulated-contactor-modbus",
        ),
        clock,
    )  # fmt: skip
    assert isinstance(relay, Contactor)
    relay.open()
    relay.beat()
    relay.beat()
    relay.drop()
    relay.close()
    assert device.coils == [True, True, False]


def test_readings_carry_their_setting(tcp, clock) -> None:
    _, connection = tcp
    meter = meter_of(connection, clock)
    meter.open()
    current = take(meter, 1)[1]
    meter.close()
    assert isinstance(current, Measured)
    assert (current.setting.range, current.setting.resolution) == (20.0, 0.001)
    assert current.end_us - current.start_us == 200_000
