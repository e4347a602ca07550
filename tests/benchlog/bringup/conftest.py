"""A bench made of numbers: readings at fixed periods, a source that answers, keys; no simulator."""

from collections.abc import Callable
from typing import Any

import pytest

from benchlog.bringup.plan import make_plan, set_up
from benchlog.bringup.watch import BringUp
from benchlog.model.clock import US
from benchlog.model.event import (
    Ended,
    Instruct,
    Judged,
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
from benchlog.model.instrument import Accuracy, MeterSheet
from benchlog.model.quantity import Quantity
from benchlog.model.reading import Channel, Measured, Setting, Status, Unusable
from benchlog.model.role import Role
from benchlog.model.run import RunSetup
from benchlog.model.step import StepVerdict
from benchlog.model.unit import Fuse, Plate, PlateKind, Unit

QUANTITY = {
    Role.SOURCE_CURRENT: Quantity.AC_CURRENT,
    Role.INLET_VOLTAGE: Quantity.AC_VOLTAGE,
    Role.SOURCE_POWER: Quantity.ACTIVE_POWER,
    Role.OUTPUT_DC: Quantity.DC_VOLTAGE,
    Role.RAIL_PLUS: Quantity.DC_VOLTAGE,
    Role.RAIL_MINUS: Quantity.DC_VOLTAGE,
    Role.HEATSINK: Quantity.TEMPERATURE,
}
AMMETER = MeterSheet((Accuracy(Quantity.AC_CURRENT, 0.003, 10, 0.001),))
CLAMP = MeterSheet((Accuracy(Quantity.AC_CURRENT, 0.02, 5, 0.010, least=0.05),))
VOLTMETER = MeterSheet((Accuracy(Quantity.AC_VOLTAGE, 0.005, 2, 0.1),))
SOURCE = MeterSheet(rated_current_a=10.0, rated_voltage_v=150.0, regulation=0.02)
DIAL = MeterSheet(rated_current_a=10.0, rated_voltage_v=130.0)
UNIT = Unit(mains_v=120.0, plate=Plate(PlateKind.VOLT_AMPERES, 300.0), fuse=Fuse("T5AL250V", 5.0))

Level = float | Callable[[float, float], float]
"""A value, or a function of inlet volts and seconds since the last arrival."""


def make_setup(unit: Unit = UNIT, **options: Any) -> RunSetup:
    """A run with a fine ammeter and a voltmeter at ten readings a second, unless told otherwise."""
    hand_set = options.get("hand_set", False)
    sheets = {
        Role.SOURCE_CURRENT: options.pop("ammeter", AMMETER),
        Role.INLET_VOLTAGE: options.pop("voltmeter", VOLTMETER),
        Role.SOURCE: options.pop("source", DIAL if hand_set else SOURCE),
    }
    periods = {Role.SOURCE_CURRENT: 0.1, Role.INLET_VOLTAGE: 0.1} | options.pop("periods", {})
    periods = {role: period for role, period in periods.items() if period}
    planned = {name: options[name] for name in ("lamp_w", "reference", "hand_set") if name in options}
    plan = make_plan(unit, sheets, periods, file=options.pop("file", None), **planned)
    return set_up(plan, unit, sheets, periods, **options)


class Rig:
    """Runs a `BringUp` against numbers that a test sets."""

    def __init__(self, setup: RunSetup, tick_s: float | None = 0.25) -> None:
        self.setup = setup
        self.watch = BringUp(setup)
        self.tick_us = None if tick_s is None else round(tick_s * US)
        self.now_us = 0
        self.volts = 0.0
        self.level: dict[Role, Level] = {
            role: 0.0 for role in setup.periods_s if role is not Role.INLET_VOLTAGE
        }
        self.silent: set[Role] = set()
        self.answers = True
        self.said: list[tuple[int, Said]] = []
        self.told: list[tuple[int, Told]] = []
        self._next = {role: round(p * US) for role, p in setup.periods_s.items()}
        self.frozen = False
        """Whether the ammeter may show the very same value again and again; a live one never quite does."""
        self._count = 0
        self.closed: set[int] = set()
        """Steps whose window is over."""
        self.arrived_us = 0

    def begin(self) -> "Rig":
        self._hear(self.watch.begin(self.now_us))
        return self

    def tell(self, event: Told) -> list[Said]:
        """Tell it something now; what it says at once."""
        before = len(self.said)
        self.now_us += 1
        self.told.append((self.now_us, event))
        self._hear(self.watch.feed(event, self.now_us))
        return [said for _, said in self.said[before:]]

    def press(self, key: Key, reason: str = "", fuse_intact: bool | None = None) -> list[Said]:
        return self.tell(KeyPressed(key, reason, fuse_intact=fuse_intact))

    def turn(self, volts: float) -> None:
        """A hand, or a source, that is at once somewhere else."""
        self.volts = volts
        self.arrived_us = self.now_us

    def run(self, duration_s: float, until: Callable[["Rig"], object] | None = None) -> "Rig":
        """Let readings come for a while, or until something holds."""
        end_us = self.now_us + round(duration_s * US)
        while self.now_us < end_us and not (until and until(self)):
            at_us = min(self._next.values(), default=end_us)
            at_us = min(at_us, end_us)
            self._tick_to(at_us)
            self.now_us = max(self.now_us, at_us)
            for role, due_us in sorted(self._next.items()):
                if due_us <= at_us:
                    self._read(role, due_us)
        return self

    def _tick_to(self, t_us: int) -> None:
        while self.tick_us and self.now_us + self.tick_us < t_us:
            self.now_us += self.tick_us
            self._hear(self.watch.advance(self.now_us))

    def _read(self, role: Role, end_us: int) -> None:
        period_us = round(self.setup.periods_s[role] * US)
        self._next[role] = end_us + period_us
        if role not in self.silent:
            self.tell(ReadingTaken(self.reading(role, end_us - period_us, end_us)))

    def value(self, role: Role) -> float:
        if role is Role.INLET_VOLTAGE:
            return self.volts
        level = self.level[role]
        value = level(self.volts, (self.now_us - self.arrived_us) / US) if callable(level) else level
        if role is Role.SOURCE_CURRENT and not self.frozen:
            self._count += 1
            value += 1e-12 * (self._count % 2)
        return value

    def reading(self, role: Role, start_us: int, end_us: int) -> Measured | Unusable:
        channel = Channel(role, QUANTITY[role], role.value)
        value = self.value(role)
        if value == float("inf"):
            return Unusable(channel, Status.OVERLOAD, start_us, end_us, Setting(range=10.0))
        return Measured(channel, value, start_us, end_us)

    def _hear(self, answer: tuple[tuple[int, Said], ...]) -> None:
        self.said += answer
        for _, said in answer:
            if isinstance(said, SetSource) and self.answers:
                self.turn(said.set_v)
                self.tell(SourceAnswered(said.set_v, output_on=True))
            elif isinstance(said, SwitchOff):
                self.turn(0.0)
            elif isinstance(said, Marked) and said.what == "window-closed" and said.step is not None:
                self.closed.add(said.step)

    def all(self, kind: type[Any]) -> list[Any]:
        return [said for _, said in self.said if isinstance(said, kind)]

    def when(self, kind: type[Any], k: int = -1) -> float:
        """Instant in s of something said."""
        return [t for t, said in self.said if isinstance(said, kind)][k] / US

    @property
    def verdict(self) -> Judged:
        last = self.all(Judged)[-1]
        assert isinstance(last, Judged)
        return last

    @property
    def ended(self) -> Ended | None:
        return self.watch.ended

    def marks(self, what: str) -> list[Marked]:
        return [m for m in self.all(Marked) if m.what == what]

    def lines(self) -> list[Instruct]:
        return self.all(Instruct)

    def to_step(self, fraction: float, current_a: Level = 0.05) -> "Rig":
        """On by good steps until the one with this fraction has arrived and its window is over."""
        self.level[Role.SOURCE_CURRENT] = current_a
        k = next(i for i, s in enumerate(self.setup.steps) if abs(s.fraction - fraction) < 1e-6)
        self.run(1500.0, until=lambda r: k in r.closed)
        assert k in self.closed, self.verdict
        return self

    def to_step_by_hand(self, fraction: float) -> "Rig":
        """A hand that turns at once to where it is told, until this step's window is over."""
        k = next(i for i, s in enumerate(self.setup.steps) if abs(s.fraction - fraction) < 1e-6)
        for _ in range(200):
            if k in self.closed:
                return self
            target_v = self.lines()[-1].target_v if self.lines() else None
            if target_v and target_v != self.volts:
                self.turn(target_v)
            self.run(1.0)
        raise AssertionError(self.verdict)

    def at(self, verdict: StepVerdict) -> bool:
        return bool(self.all(Judged)) and self.verdict.verdict is verdict


@pytest.fixture(scope="session")
def setup() -> Callable[..., RunSetup]:
    return make_setup


@pytest.fixture
def rig() -> Callable[..., Rig]:
    """A rig that has begun."""

    def make(unit: Unit = UNIT, tick_s: float | None = 0.25, **options: Any) -> Rig:
        return Rig(make_setup(unit, **options), tick_s).begin()

    return make
