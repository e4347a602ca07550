"""Plays an invented scene in virtual time: unit, source, meters, and the limit watch that judges them."""

import math
from collections.abc import Iterable, Iterator

import msgspec

from benchlog.bringup.watch import BringUp
from benchlog.model.clock import US
from benchlog.model.event import (
    Ended,
    Instruct,
    Key,
    KeyPressed,
    Marked,
    ReadingTaken,
    Said,
    SetSource,
    SourceAnswered,
    SwitchOff,
    Told,
)
from benchlog.model.protocol import (
    Hello,
    LimitsNow,
    Live,
    Point,
    PowerState,
    RunClosed,
    SaidNow,
    StorageState,
    ToWindow,
)
from benchlog.model.quantity import Quantity
from benchlog.model.reading import Channel, Measured, Setting
from benchlog.model.role import Role
from benchlog_ui.scenes import MAINS_V, Scene, current_a, job, rail_v, setup

_TICK_US = US // 10
_MOST_US = 900 * US
_HAND_V_S = 5.0
_HAND_LATE_US = 1_300_000
_AFTER_US = 5 * US
CHANNELS = {
    Role.SOURCE_CURRENT: Channel(Role.SOURCE_CURRENT, Quantity.AC_CURRENT, "ammeter"),
    Role.INLET_VOLTAGE: Channel(Role.INLET_VOLTAGE, Quantity.AC_VOLTAGE, "voltmeter"),
    Role.RAIL_PLUS: Channel(Role.RAIL_PLUS, Quantity.DC_VOLTAGE, "rails"),
    Role.RAIL_MINUS: Channel(Role.RAIL_MINUS, Quantity.DC_VOLTAGE, "rails"),
    Role.OUTPUT_DC: Channel(Role.OUTPUT_DC, Quantity.DC_VOLTAGE, "output"),
    Role.SOURCE_POWER: Channel(Role.SOURCE_POWER, Quantity.ACTIVE_POWER, "source"),
}
_COUNT = {
    Role.SOURCE_CURRENT: 0.001,
    Role.INLET_VOLTAGE: 0.1,
    Role.RAIL_PLUS: 0.01,
    Role.RAIL_MINUS: 0.01,
    Role.OUTPUT_DC: 0.001,
    Role.SOURCE_POWER: 0.1,
}


class Story:
    """One scene, told message by message."""

    def __init__(self, scene: Scene) -> None:
        """At its beginning."""
        self.scene = scene
        self.setup = setup(scene)
        self.watch = BringUp(self.setup)
        self.now_us = 0
        self._volts = 0.0
        self._target_v = 0.0
        self._moves_us = 0
        self._rose_us = 0
        self._rail = 0.0
        self._answer: SourceAnswered | None = None
        self._power = PowerState(False, False, True)
        self._stop_us: int | None = None
        self._silent_us: int | None = None
        self._ticks = 0
        self._said: list[tuple[int, Said]] = []

    def messages(self) -> Iterator[ToWindow]:
        """All messages of a recorder, in order."""
        yield self._hello()
        yield StorageState(self.scene.storing, "" if self.scene.storing else "The disk does not answer.")
        yield self._power
        yield from self._hear(self.watch.begin(self.now_us))
        while self.now_us < _MOST_US and (self._stop_us is None or self.now_us < self._stop_us):
            yield from self._tick()

    def _hello(self) -> Hello:
        s = self.scene
        hello = Hello("", job(s.plate_va), self.setup.steps, MAINS_V, s.programmed, True, s.time_scale, 0)
        bench = "/bench/invented.toml"
        return msgspec.structs.replace(hello, takes_requests=True, bench_path=bench, benches=(bench,))

    def _tick(self) -> Iterator[ToWindow]:
        self.now_us += _TICK_US
        self._ticks += 1
        self._move()
        if self._answer is not None and self.now_us >= self._moves_us:
            answer, self._answer = self._answer, None
            yield from self._tell(answer)
        if self._ticks % (4 if self.scene.coarse else 1) == 0:
            yield from self._read()
        yield from self._hear(self.watch.advance(self.now_us))
        if self._ticks % 10 == 0:
            yield from self._technician()
        yield from self._states()

    def _move(self) -> None:
        if self.now_us < self._moves_us:
            return
        before = self._volts
        if self.scene.programmed:
            self._volts = self._target_v
        else:
            most = _HAND_V_S * _TICK_US / US
            self._volts += min(max(self._target_v - self._volts, -most), most)
        if self._volts > before + 0.05:
            self._rose_us = self.now_us
        rail = rail_v(self.scene, self._volts)
        self._rail = rail if rail >= self._rail else rail + (self._rail - rail) * math.exp(-0.1 / 14.0)

    def _values(self) -> dict[Role, float]:
        since_s = (self.now_us - self._rose_us) / US
        amps = current_a(self.scene, self._volts, since_s) if self._volts > 0.5 else 0.0
        wobble = 1 + 0.002 * math.sin(self._ticks * 12.9898) * math.cos(self._ticks * 4.1414)
        return {
            Role.SOURCE_CURRENT: amps * wobble,
            Role.INLET_VOLTAGE: self._volts * (1 + (wobble - 1) / 3),
            Role.RAIL_PLUS: self._rail * wobble,
            Role.RAIL_MINUS: -self._rail * 0.994 * wobble,
            Role.OUTPUT_DC: 0.011 * min(self._rail / 5.0, 1.0) + 0.001 * (wobble - 1) * 300,
            Role.SOURCE_POWER: self._volts * amps * 0.56,
        }

    def _read(self) -> Iterator[ToWindow]:
        """One reading of every channel: to the watch, and on the live path."""
        values, points = self._values(), []
        silent = self._silent_us is not None and self.now_us >= self._silent_us
        took_us = 4 * _TICK_US if self.scene.coarse else _TICK_US
        for role in self.setup.periods_s:
            if silent and role is Role.SOURCE_CURRENT:
                continue
            count = 0.01 if self.scene.coarse and role is Role.SOURCE_CURRENT else _COUNT[role]
            value = round(round(values[role] / count) * count, 6)
            setting = Setting(resolution=count)
            reading = Measured(CHANNELS[role], value, self.now_us - took_us, self.now_us, setting)
            yield from self._tell(ReadingTaken(reading))
            points.append(Point(role.value, self.now_us - took_us // 2, value))
        yield Live(self.now_us, tuple(points))

    def _technician(self) -> Iterator[ToWindow]:
        """Goes on where the program can't judge, until the scene stops."""
        step = self.watch.records[-1].fraction if self.watch.records else 0.0
        if self.scene.coarse and step < 0.05 and self.now_us > 24 * US:
            yield from self._tell(KeyPressed(Key.GO_ON, "lamp stays dark, nothing warm"))

    def _states(self) -> Iterator[ToWindow]:
        limits = self.watch.limits_now()
        if limits is not None and self._ticks % 2 == 0:
            yield LimitsNow(
                limits.fraction,
                limits.acceptance_a,
                limits.acceptance_source,
                limits.stop_a,
                limits.stop_source,
            )
        power = self._power_now()
        if power != self._power:
            self._power = power
            yield power

    def _power_now(self) -> PowerState:
        latched = self.watch.latched
        if self.scene.programmed:
            on = self._target_v > 0.0 or self._volts > 0.5
            return PowerState(on, latched, not on)
        return PowerState(not self.watch.power_gone, latched, self.watch.power_gone)

    def _tell(self, event: Told) -> Iterator[ToWindow]:
        yield from self._hear(self.watch.feed(event, self.now_us))

    def _hear(self, answer: Iterable[tuple[int, Said]]) -> Iterator[ToWindow]:
        for t_us, said in answer:
            yield SaidNow(t_us, said)
            self._obey(said)
            if isinstance(said, Ended):
                yield RunClosed(said.outcome, said.reason)

    def _obey(self, said: Said) -> None:
        """What source, hand and story do on hearing something."""
        match said:
            case SetSource():
                self._target_v, self._moves_us = said.set_v, self.now_us + 2 * _TICK_US
                self._answer = SourceAnswered(said.set_v, output_on=True)
            case SwitchOff():
                self._target_v, self._moves_us = 0.0, self.now_us + _TICK_US
                self._answer = SourceAnswered(0.0, output_on=False)
            case Instruct() if said.target_v is not None and not said.urgent:
                if not self.scene.programmed:
                    self._target_v, self._moves_us = said.target_v, self.now_us + _HAND_LATE_US
            case Marked() if said.what == "arrival" and said.step == self.scene.stop_step:
                self._stop_at()
            case Ended():
                self._stop_us = self.now_us + (_AFTER_US if self.scene.programmed else US * 12 // 10)

    def _stop_at(self) -> None:
        if self._stop_us is None:
            self._stop_us = self.now_us + int(self.scene.stop_after_s * US)
            if self.scene.silent_s is not None:
                self._silent_us = self.now_us + int(self.scene.silent_s * US)
