"""One suite over every adaptor that measures and every fault that an instrument or its link can have.

The practice instruments answer over real sockets and pseudo-terminals; each reading they make can be told
from every other, so that an invented, a repeated or a shifted one shows.
"""

import itertools
import time
from collections.abc import Iterator
from dataclasses import dataclass

import pytest

from benchlog.bench.adaptor import Meter
from benchlog.bench.file import InstrumentConfig
from benchlog.bench.profile import Family
from benchlog.model.clock import RealClock
from benchlog.model.errors import (
    InstrumentFault,
    InstrumentTimeout,
    LinkLost,
    PortRefused,
    ProtocolFault,
    WrongInstrument,
)
from benchlog.model.quantity import Quantity
from benchlog.model.reading import Measured, Reading, Status, Unusable
from benchlog.model.role import Role
from benchlog_drivers import registry
from benchlog_drivers.practice.make import practice_server
from benchlog_drivers.practice.server import PracticeServer
from benchlog_drivers.shelf import find_profile
from benchlog_drivers.simulated.trouble import Ordered, Trouble

SCALE = 10.0
"""The instruments run ten times as fast as their profiles say."""
TIMEOUT_S = 0.25


@dataclass(frozen=True)
class Way:
    """One adaptor over one transport."""

    profile: str
    role: Role
    quantity: Quantity
    terminal: bool = False

    @property
    def name(self) -> str:
        return f"{self.profile.removeprefix('simulated-')}-{'pty' if self.terminal else 'tcp'}"


SOON = [
    Way("simulated-bench-meter", Role.SOURCE_CURRENT, Quantity.AC_CURRENT),
    Way("simulated-handheld", Role.SOURCE_CURRENT, Quantity.AC_CURRENT, terminal=True),
]
LATER = [
    Way("simulated-bench-meter", Role.SOURCE_CURRENT, Quantity.AC_CURRENT, terminal=True),
    Way("simulated-lcr-meter", Role.PROBE, Quantity.ESR, terminal=True),
    Way("simulated-handheld", Role.SOURCE_CURRENT, Quantity.AC_CURRENT),
    Way("simulated-esr-meter", Role.PROBE, Quantity.ESR, terminal=True),
    Way("simulated-segment-meter", Role.SOURCE_CURRENT, Quantity.AC_CURRENT, terminal=True),
    Way("simulated-bcd-meter", Role.OUTPUT_DC, Quantity.DC_VOLTAGE, terminal=True),
    Way("simulated-power-meter", Role.SOURCE_CURRENT, Quantity.AC_CURRENT),
    Way("simulated-power-meter", Role.SOURCE_CURRENT, Quantity.AC_CURRENT, terminal=True),
]
"""Run with ``-m campaign``; the ordinary run has the others, and one test of these."""
WAYS = SOON + LATER
FAMILIES_OF_METERS = {"scpi", "serial-text", "serial-segments", "serial-frame", "modbus"}


def test_every_registered_adaptor_that_asks_an_instrument_is_in_the_suite() -> None:
    covered = {find_profile(way.profile).family.value for way in WAYS}
    elsewhere = {"audio", "contactor", "digitiser", "played-back", "typed", "hand-set"}
    assert covered == FAMILIES_OF_METERS
    assert set(registry.TABLE) == covered | elsewhere
    assert {family.value for family in Family} <= covered | elsewhere


class Bench:
    """One practice instrument with the adaptor that reads it."""

    def __init__(self, way: Way, timeout_s: float = TIMEOUT_S) -> None:
        self.way = way
        self._timeout_s = timeout_s
        self.server: PracticeServer = practice_server(
            find_profile(way.profile), pseudo_terminal=way.terminal, scale=SCALE, seed=1
        )
        self.server.start()
        self.clock = RealClock(SCALE)
        self.meter = self._made()
        self.longest_s = 0.0
        self.faults: list[InstrumentFault] = []

    def _made(self) -> Meter:
        profile = find_profile(self.way.profile)
        made = registry.make(
            InstrumentConfig(
                name="instrument", adaptor=profile.family.value, roles=(self.way.role,),
                connection=self.server.connection, profile=self.way.profile, timeout_s=self._timeout_s,
            ),
            self.clock,
        )  # fmt: skip
        assert isinstance(made, Meter)
        return made

    def order(self, kind: Trouble, **more: float) -> None:
        self.server.troubles.order(Ordered("practice", kind, **more))

    def clear(self) -> None:
        self.server.troubles.clear()

    def take(self, seconds: float, enough: int = 1_000_000) -> list[Reading]:
        """Readings of so many real seconds; a lost link is opened again, as the recorder does."""
        found: list[Reading] = []
        until = time.monotonic() + seconds
        lost = False
        while time.monotonic() < until and len(found) < enough:
            begun = time.monotonic()
            try:
                if lost:
                    self.meter.open()
                    lost = False
                found.extend(r for r in self.meter.read() if r.channel.quantity is self.way.quantity)
            except InstrumentFault as fault:
                self.faults.append(fault)
                lost = lost or isinstance(fault, LinkLost | PortRefused | WrongInstrument)
            self.longest_s = max(self.longest_s, time.monotonic() - begun)
            if lost:
                time.sleep(0.02)
        return found

    def sent_values(self) -> list[float]:
        return [
            float(f"{value:.6g}")
            for _, values in self.server.meter.sent
            if isinstance(value := values.get(self.way.quantity), float)
        ]

    def check(self, readings: list[Reading], repeats: bool = False) -> list[float]:
        """No reading is invented, repeated or out of order; what they are."""
        values = [reading.value for reading in readings if isinstance(reading, Measured)]
        sent = self.sent_values()
        step = {Quantity.AC_CURRENT: 2e-3, Quantity.ESR: 2e-3, Quantity.DC_VOLTAGE: 5e-3}[self.way.quantity]
        place = 0
        for value in values:
            later = next((i for i in range(place, len(sent)) if abs(sent[i] - value) < step / 2), None)
            assert later is not None, f"{value} was never sent, or is given again"
            place = later if repeats else later + 1
        instants = [reading.end_us for reading in readings]
        assert instants == sorted(instants)
        assert all(reading.start_us <= reading.end_us <= self.clock.now() for reading in readings)
        return values

    def close(self) -> None:
        self.meter.close()
        self.server.stop()


@pytest.fixture
def bench(way: Way, request: pytest.FixtureRequest) -> Iterator[Bench]:
    on_time = request.function is test_readings_come_on_time_and_each_once
    made = Bench(way, 3.0 if on_time else TIMEOUT_S)  # nothing is late there, however busy the machine is
    made.meter.open()
    yield made
    made.close()


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """Every way in the first test; in the others the slower half belongs to the campaign."""
    if "bench" not in metafunc.fixturenames:
        return
    everywhere = metafunc.function.__name__ == "test_readings_come_on_time_and_each_once"
    later = () if everywhere else (pytest.mark.campaign,)
    ways = [pytest.param(way, id=way.name) for way in SOON]
    ways += [pytest.param(way, id=way.name, marks=later) for way in LATER]
    metafunc.parametrize("way", ways)


def test_readings_come_on_time_and_each_once(bench: Bench) -> None:
    readings = bench.take(10.0, 12)
    assert len(bench.check(readings)) >= 10
    assert bench.faults == []
    assert {reading.channel.role for reading in readings} == {bench.way.role}
    assert all(isinstance(reading, Measured) for reading in readings)
    gaps = [b.end_us - a.end_us for a, b in itertools.pairwise(readings)]
    period_us = 1e6 * find_profile(bench.way.profile).measure.period_s
    assert 0.5 * period_us < sorted(gaps)[len(gaps) // 2] < 10.0 * period_us


@pytest.mark.parametrize("kind", [Trouble.SILENT, Trouble.SWITCHED_OFF])
def test_silence_is_a_timeout_and_it_comes_back(bench: Bench, kind: Trouble) -> None:
    bench.take(1.0, 3)
    bench.order(kind)
    bench.take(0.2)
    assert [r for r in bench.take(0.7) if isinstance(r, Measured)] == []
    assert any(isinstance(fault, InstrumentTimeout) for fault in bench.faults)
    assert bench.longest_s < 10.0 * TIMEOUT_S
    bench.clear()
    assert len(bench.check(bench.take(3.0, 5))) >= 3


def test_a_slow_answer_is_still_the_right_one(bench: Bench) -> None:
    bench.order(Trouble.SLOW, delay_s=0.03)
    assert len(bench.check(bench.take(3.0, 6))) >= 4


@pytest.mark.parametrize("share", [0.3, 1.0])
def test_late_answers_are_never_taken_for_others(bench: Bench, share: float) -> None:
    bench.order(Trouble.LATE, delay_s=1.5 * TIMEOUT_S, share=share)
    bench.check(bench.take(2.0))
    bench.clear()
    assert len(bench.check(bench.take(4.0, 6))) >= 4


def test_dribbling_bytes_make_no_wrong_number(bench: Bench) -> None:
    bench.order(Trouble.DRIBBLING, delay_s=0.004)
    bench.check(bench.take(1.0))
    bench.clear()
    assert len(bench.check(bench.take(3.0, 4))) >= 3


@pytest.mark.parametrize("kind", [Trouble.HALF_A_REPLY, Trouble.GARBAGE])
@pytest.mark.parametrize("share", [0.3, 1.0])
def test_half_answers_and_garbage_are_no_readings(bench: Bench, kind: Trouble, share: float) -> None:
    bench.order(kind, share=share)
    bench.check(bench.take(1.5))
    bench.clear()
    assert len(bench.check(bench.take(4.0, 4))) >= 3
    assert all(isinstance(fault, InstrumentTimeout | ProtocolFault) for fault in bench.faults)


def test_a_broken_connection_is_told_and_opened_again(bench: Bench) -> None:
    if bench.way.terminal:
        pytest.skip("a pseudo-terminal has no connection to break; see the unplugged port below")
    bench.take(1.0, 3)
    bench.order(Trouble.RESET)
    readings = bench.take(3.0, 8)
    assert any(isinstance(fault, LinkLost) for fault in bench.faults)
    assert len(bench.check(readings)) >= 5


def test_a_closed_port_is_refused_until_it_is_back(bench: Bench) -> None:
    if bench.way.terminal:
        pytest.skip("a pseudo-terminal does not come back under its name")
    bench.take(1.0, 3)
    bench.order(Trouble.CLOSED)
    bench.take(0.1)
    assert [r for r in bench.take(0.4) if isinstance(r, Measured)] == []
    assert {type(fault) for fault in bench.faults} <= {LinkLost, PortRefused}
    bench.clear()
    assert len(bench.check(bench.take(3.0, 5))) >= 3


def test_an_unplugged_terminal_is_lost(bench: Bench) -> None:
    if not bench.way.terminal:
        pytest.skip("a socket is closed, not unplugged")
    bench.take(1.0, 2)
    bench.server.stop()
    bench.take(1.0)
    assert any(isinstance(fault, LinkLost) for fault in bench.faults)
    assert any(isinstance(fault, PortRefused | LinkLost) for fault in bench.faults)
    bench.server.stop = lambda: None


def test_another_instrument_after_a_reconnect_is_found_out(bench: Bench) -> None:
    profile = find_profile(bench.way.profile)
    if bench.way.terminal or profile.family not in (Family.SCPI, Family.MODBUS):
        pytest.skip("it can't be asked who it is, and its profile says so")
    bench.take(1.0, 3)
    bench.order(Trouble.WRONG_INSTRUMENT)
    bench.order(Trouble.RESET)
    assert [r for r in bench.take(1.0) if isinstance(r, Measured)][3:] == []
    assert any(isinstance(fault, WrongInstrument) for fault in bench.faults)


def test_a_profile_says_when_its_meter_can_not_be_asked_who_it_is() -> None:
    for way in WAYS:
        profile = find_profile(way.profile)
        if (
            profile.family in (Family.SERIAL_TEXT, Family.SERIAL_SEGMENTS)
            or way.profile == "simulated-bcd-meter"
        ):
            assert "be asked who it is" in profile.cannot


def test_an_overload_and_a_blank_display_are_a_status(bench: Bench) -> None:
    bench.take(1.0, 2)
    bench.order(Trouble.OVERLOAD)
    bench.take(0.15)
    readings = bench.take(1.0, 4)
    assert readings
    assert {r.status for r in readings if isinstance(r, Unusable)} <= {Status.OVERLOAD, Status.OPEN_LEADS}
    assert not any(isinstance(r, Measured) for r in readings)
    bench.clear()
    bench.order(Trouble.AUTORANGE_BLANKING)
    bench.take(0.15)
    assert not any(isinstance(r, Measured) for r in bench.take(0.5, 4))
    bench.clear()
    assert len(bench.check(bench.take(3.0, 5))) >= 3


def test_a_frozen_or_drifting_value_is_given_as_it_is(bench: Bench) -> None:
    bench.take(0.5, 2)
    bench.order(Trouble.FROZEN)
    bench.take(0.2)
    values = bench.check(bench.take(2.0, 5), repeats=True)
    assert len(set(values)) == 1, "identical readings are normal; whether one should have moved, others judge"
    bench.clear()
    bench.order(Trouble.DRIFTING, per_minute=1.0)
    assert len(bench.take(2.0, 5)) >= 3


def test_closing_twice_and_reading_a_closed_one_is_harmless(bench: Bench) -> None:
    bench.meter.close()
    bench.meter.close()
    with pytest.raises(LinkLost, match="not open"):
        until = time.monotonic() + 2.0
        while time.monotonic() < until:
            bench.meter.read()
