"""Instruments and a small limit watch for tests of the recorder: real sockets and real threads."""

import contextlib
import json
import socket
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from benchlog.bench.adaptor import Identity, SourceState, StandbyOrder
from benchlog.bench.file import Bench, InstrumentConfig, Simulation
from benchlog.model.clock import US, Clock
from benchlog.model.errors import InstrumentTimeout, LinkLost
from benchlog.model.event import (
    AttentionChanged,
    Ended,
    Instruct,
    Judged,
    Key,
    KeyPressed,
    LinkChanged,
    ReadingTaken,
    Said,
    SetSource,
    SourceAnswered,
    StorageChanged,
    SwitchOff,
    Told,
)
from benchlog.model.history import RunBegun
from benchlog.model.instrument import Accuracy, MeterSheet
from benchlog.model.pattern import FaultPattern
from benchlog.model.protocol import LimitsNow
from benchlog.model.quantity import Quantity
from benchlog.model.reading import Channel, Measured, Reading
from benchlog.model.role import Role
from benchlog.model.run import RunSetup
from benchlog.model.step import Outcome, StepRecord, StepVerdict
from benchlog.model.unit import Plate, PlateKind, Unit

CURRENT = Channel(Role.SOURCE_CURRENT, Quantity.AC_CURRENT, "ammeter")
VOLTAGE = Channel(Role.INLET_VOLTAGE, Quantity.AC_VOLTAGE, "voltmeter")


class SourceServer:
    """A source on loopback TCP: a line a command, a JSON line an answer; several callers at once.

    ``V 12``, ``ON``, ``LIMIT 2 4``, ``OFF`` (no answer), ``?`` (state). It remembers each off.
    """

    def __init__(self) -> None:
        self.state = {"set_v": 0.0, "output_on": False, "limit_a": None, "trip_delay_s": None}
        self.off_ns: list[int] = []
        self.seen: list[str] = []
        self.deaf = False
        """Obeys no *off*, but answers."""
        self.mute_connections: set[int] = set()
        """Connections (0 is the first) that get no answer and are not obeyed."""
        self.on = threading.Event()
        self.off = threading.Event()
        self._lock = threading.Lock()
        self._open: list[socket.socket] = []
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._server.getsockname()[1]
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        while True:
            try:
                line, _ = self._server.accept()
            except OSError:
                return
            line.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            number = len(self._open)
            self._open.append(line)
            threading.Thread(target=self._serve, args=(line, number), daemon=True).start()

    def _serve(self, line: socket.socket, number: int) -> None:
        with contextlib.suppress(OSError), line, line.makefile("r") as words:
            for word in words:
                if number not in self.mute_connections:
                    self._obey(line, word.strip())

    def _obey(self, line: socket.socket, word: str) -> None:
        with self._lock:
            if word != "?":
                self.seen.append(word)
            command, *numbers = word.split()
            if command == "V":
                self.state["set_v"] = float(numbers[0])
            elif command == "ON":
                self.state["output_on"] = True
                self.on.set()
            elif command == "LIMIT":
                self.state["limit_a"], self.state["trip_delay_s"] = map(float, numbers)
            elif command == "OFF":
                self.off_ns.append(time.monotonic_ns())
                if not self.deaf:
                    self.state["output_on"] = False
                    self.state["set_v"] = 0.0
                    self.off.set()
            elif command == "?":
                line.sendall(json.dumps(self.state).encode() + b"\n")

    def drop_all(self, listening: bool = True) -> None:
        """Break every connection; with ``listening`` false nobody can come back either."""
        if not listening:
            with contextlib.suppress(OSError):
                self._server.shutdown(socket.SHUT_RDWR)
            self._server.close()
        for line in self._open:
            with contextlib.suppress(OSError):
                line.shutdown(socket.SHUT_RDWR)
            line.close()

    def close(self) -> None:
        self.drop_all(listening=False)


class TcpSource:
    """The adaptor for `SourceServer`."""

    def __init__(
        self, port: int, serial_number: str = "1", second_way: bool = True, timeout_s: float = 0.3
    ) -> None:
        self.port = port
        self.serial_number = serial_number
        self.second_way = second_way
        self.timeout_s = timeout_s
        self._line: socket.socket | None = None
        self._rest = b""

    def open(self) -> Identity:
        try:
            self._line = socket.create_connection(("127.0.0.1", self.port), 1.0)
        except OSError as error:
            raise LinkLost(f"The source does not answer: {error}.") from error
        self._line.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._line.settimeout(self.timeout_s)
        self._rest = b""
        return Identity("loopback source", self.serial_number)

    def close(self) -> None:
        if self._line is not None:
            self._line.close()
            self._line = None

    def _ask(self, words: str) -> SourceState:
        if self._line is None:
            raise LinkLost("The source is not open.")
        try:
            self._line.sendall(words.encode() + b"?\n")
            while b"\n" not in self._rest:
                some = self._line.recv(4096)
                if not some:
                    raise LinkLost("The source closed the connection.")
                self._rest += some
        except TimeoutError as error:
            raise InstrumentTimeout("The source is silent.") from error
        except OSError as error:
            raise LinkLost(f"The source is gone: {error}.") from error
        text, self._rest = self._rest.split(b"\n", 1)
        return SourceState(**json.loads(text))

    def set_limit(self, limit_a: float, trip_delay_s: float) -> SourceState:
        return self._ask(f"LIMIT {limit_a} {trip_delay_s}\n")

    def set_voltage(self, volts: float) -> SourceState:
        return self._ask(f"V {volts}\n")

    def output(self, on: bool) -> SourceState:
        return self._ask("ON\n" if on else "OFF\n")

    def off(self) -> SourceState:
        return self._ask("OFF\n")

    def state(self) -> SourceState:
        return self._ask("")

    def standby(self) -> StandbyOrder | None:
        return StandbyOrder(b"OFF\n", host="127.0.0.1", port=self.port) if self.second_way else None

    def second(self) -> "TcpSource | None":
        return TcpSource(self.port, self.serial_number) if self.second_way else None


class FakeMeter:
    """A meter that gives ``value()`` every period; ``trouble`` makes it fail."""

    def __init__(self, channel: Channel, clock: Clock, period_s: float, value: Callable[[], float]) -> None:
        self.channels = (channel,)
        self.period_s = period_s
        self.serial_number = "7"
        self.trouble: Exception | None = None
        self.silent = False
        self.opened = 0
        self._clock = clock
        self._value = value
        self._pause = threading.Event()

    def open(self) -> Identity:
        if isinstance(self.trouble, LinkLost):
            raise self.trouble
        self.opened += 1
        return Identity("loopback meter", self.serial_number)

    def read(self) -> Sequence[Reading]:
        start_us = self._clock.now()
        self._pause.wait(self.period_s)
        if self.trouble is not None:
            raise self.trouble
        if self.silent:
            raise InstrumentTimeout("The meter is silent.")
        return (Measured(self.channels[0], self._value(), start_us, self._clock.now()),)

    def close(self) -> None:
        pass


class FakeDial:
    def __init__(self) -> None:
        self.lines: list[tuple[str, float | None, bool]] = []

    def instruct(self, text: str, target_v: float | None, urgent: bool) -> None:
        self.lines.append((text, target_v, urgent))


class FakeContactor:
    def __init__(self) -> None:
        self.beats_ns: list[int] = []
        self.dropped_ns: list[int] = []

    def beat(self) -> None:
        self.beats_ns.append(time.monotonic_ns())

    def drop(self) -> None:
        self.dropped_ns.append(time.monotonic_ns())


@dataclass
class SmallWatch:
    """A limit watch of one step: cuts off on two readings at or above ``stop_a``, on silence, link, key."""

    stop_a: float = 1.0
    length_s: float = 1.0
    stale_s: float = 0.6
    volts: float = 12.0
    hand_set: bool = False
    ended: Ended | None = None
    latched: bool = False
    power_gone: bool = False
    records: Sequence[StepRecord] = ()
    not_judged: Sequence[str] = ("step 1",)
    not_tested: Sequence[str] = ("everything else",)
    no_short_claim: str | None = None
    fault_patterns: Sequence[FaultPattern] = ()
    told: list[tuple[int, Told]] = field(default_factory=list)
    _begun_us: int = 0
    _heard_us: int = 0
    _high: int = 0

    def begin(self, now_us: int) -> tuple[tuple[int, Said], ...]:
        self._begun_us = self._heard_us = now_us
        if self.hand_set:
            return ((now_us, Instruct(f"Turn the dial to {self.volts:g} V.", self.volts)),)
        return ((now_us, SetSource(self.volts)), (now_us, Instruct("Watch.")))

    def feed(self, event: Told, now_us: int) -> tuple[tuple[int, Said], ...]:
        said = self.advance(now_us)
        self.told.append((now_us, event))
        return said + self._hear(event, now_us)

    def _hear(self, event: Told, now_us: int) -> tuple[tuple[int, Said], ...]:
        if isinstance(event, KeyPressed) and event.key is Key.REARM and event.fuse_intact:
            self.ended, self.latched = None, False
            self._heard_us = self._begun_us = now_us
            return ((now_us, SetSource(self.volts / 2)),)
        if self.ended is not None:
            self.power_gone = self.power_gone or self._shows_zero(event)
            return ()
        if isinstance(event, ReadingTaken) and event.reading.channel.role is Role.SOURCE_CURRENT:
            self._heard_us = now_us
            high = isinstance(event.reading, Measured) and event.reading.value >= self.stop_a
            self._high = self._high + 1 if high else 0
            return self._cut(now_us, "stop-limit") if self._high == 2 else ()
        if isinstance(event, KeyPressed) and event.key is Key.CUT_OFF:
            return self._cut(now_us, event.reason)
        if isinstance(event, KeyPressed) and event.key is Key.STOP:
            return self._end(now_us, Outcome.UNDECIDED, event.reason)
        if isinstance(event, LinkChanged) and event.role is Role.SOURCE and not event.up:
            return self._cut(now_us, "source-link")
        if isinstance(event, StorageChanged | AttentionChanged | SourceAnswered):
            return ((now_us, Judged(0, StepVerdict.WAIT, f"{event}")),)
        return ()

    @staticmethod
    def _shows_zero(event: Told) -> bool:
        """The inlet reads near zero, or the technician says so."""
        if isinstance(event, KeyPressed):
            return event.key is Key.NEAR_ZERO
        if not isinstance(event, ReadingTaken) or not isinstance(event.reading, Measured):
            return False
        return event.reading.channel.role is Role.INLET_VOLTAGE and event.reading.value < 5.0

    def advance(self, now_us: int) -> tuple[tuple[int, Said], ...]:
        if self.ended is not None:
            return ()
        if now_us - self._heard_us > self.stale_s * US:
            return self._cut(self._heard_us + int(self.stale_s * US), "stale")
        if now_us - self._begun_us >= self.length_s * US:
            return self._end(self._begun_us + int(self.length_s * US), Outcome.COMPLETED, "Done.")
        return ()

    def _cut(self, now_us: int, why: str) -> tuple[tuple[int, Said], ...]:
        self.latched = True
        self.ended = Ended(Outcome.ALARMED if self.hand_set else Outcome.CUT_OFF, why, 0.1)
        line = Instruct("Bench switch off. Dial to zero. Unplug.", 0.0, urgent=True)
        off = SwitchOff(why, latched=True)
        return (
            (now_us, Judged(0, StepVerdict.CUT_OFF, why)),
            (now_us, off),
            (now_us, line),
            (now_us, self.ended),
        )

    def _end(self, now_us: int, outcome: Outcome, why: str) -> tuple[tuple[int, Said], ...]:
        self.ended = Ended(outcome, why)
        return ((now_us, SwitchOff(why, latched=False)), (now_us, self.ended))

    def limits_now(self) -> LimitsNow | None:
        return LimitsNow(0.1, 0.5, "test", self.stop_a, "test")


SHEET = MeterSheet(accuracy=(Accuracy(Quantity.AC_CURRENT, 0.01, 5, 0.001),), rated_current_a=10.0)


def setup(hand_set: bool = False) -> RunSetup:
    """What a bring-up of a small class AB unit would be set up with: Ir = 1 A."""
    unit = Unit(plate=Plate(PlateKind.AMPERES, 1.0))
    periods = {Role.SOURCE_CURRENT: 0.05, Role.INLET_VOLTAGE: 0.05}
    sheets = {Role.SOURCE_CURRENT: SHEET, Role.SOURCE: SHEET}
    return RunSetup(unit=unit, steps=(), periods_s=periods, sheets=sheets, hand_set=hand_set)


def begun(hand_set: bool = False) -> RunBegun:
    return RunBegun(setup(hand_set))


def bench(*roles: Role, simulated: bool = True) -> Bench:
    """A bench whose instruments are named by their role."""
    return Bench(
        name="loopback",
        instrument=tuple(InstrumentConfig(name=role.value, adaptor="fake", roles=(role,)) for role in roles),
        simulated=Simulation() if simulated else None,
    )
