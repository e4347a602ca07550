"""Unit, source, hand and meters in simulated time, with a resistor for a unit: everything can be computed."""

from dataclasses import dataclass, replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchlog.model.role import Role
from benchlog_drivers.simulated.bench import SimulatedBench, Wander
from benchlog_drivers.simulated.hand import Hand, HandKind
from benchlog_drivers.simulated.meters import Finished, SimulatedMeter
from benchlog_drivers.simulated.sheets import MeterKind, instruments
from benchlog_drivers.simulated.source import ProgrammedSource, programmed_rating


@dataclass(frozen=True)
class Part:
    current_rms_a: float = 0.0
    current_ac_rms_a: float = 0.0
    current_dc_a: float = 0.0
    current_peak_a: float = 0.0
    current_rectified_mean_a: float = 0.0
    voltage_rms_v: float = 0.0
    power_w: float = 0.0
    rail_plus_v: float = 0.0
    rail_minus_v: float = 0.0
    output_dc_v: float = 0.0
    heatsink_c: float = 25.0
    bias_a: float = 0.0
    destroyed: bool = False


class Resistor:
    """Draws V/R; notes what it was given and when."""

    def __init__(self, ohm: float = 100.0) -> None:
        self.ohm = ohm
        self.now_s = 0.0
        self.volts = 0.0
        self.given: list[tuple[float, float]] = []

    def set_source(self, volts_rms: float, on: bool) -> None:
        self.volts = volts_rms if on else 0.0
        self.given.append((self.now_s, self.volts))

    def advance(self, seconds: float) -> Part:
        assert seconds > 0.0
        self.now_s += seconds
        current = self.volts / self.ohm
        return replace(
            Part(), current_rms_a=current, current_ac_rms_a=current, current_peak_a=1.414 * current,
            current_rectified_mean_a=0.9 * current, voltage_rms_v=self.volts, power_w=current * self.volts,
        )  # fmt: skip


def programmed(kind: MeterKind = MeterKind.BENCH, ohm: float = 100.0) -> SimulatedBench:
    meters = tuple(SimulatedMeter(sheet, 1) for sheet in instruments(kind))
    return SimulatedBench(Resistor(ohm), meters, source=ProgrammedSource(programmed_rating(120.0)))


def hand_set(hand: HandKind, wander: float = 0.0, seed: int = 1) -> SimulatedBench:
    meters = tuple(
        SimulatedMeter(sheet, 1, 0.1 * k) for k, sheet in enumerate(instruments(MeterKind.HANDHELD))
    )
    return SimulatedBench(
        Resistor(), meters, hand=Hand(hand, 130.0, 120.0, seed), wander=Wander(wander, seed)
    )


def shown(done: list[Finished], role: Role) -> list[float | None]:
    return [one.value for f in done for one in f.indications if one.role is role]


def test_current_and_voltage_follow_ohm() -> None:
    bench = programmed()
    assert bench.source is not None
    bench.source.set_voltage(60.0, 0.0)
    bench.source.switch(True, 0.0)
    done = bench.advance(10.0)
    assert len(done) == 100
    assert shown(done, Role.SOURCE_CURRENT)[-1] == pytest.approx(0.6, abs=0.003 * 0.6 + 0.012)
    assert shown(done, Role.INLET_VOLTAGE)[-1] == pytest.approx(60.0, abs=0.3 + 0.4)
    assert shown(done, Role.SOURCE_POWER)[-1] == pytest.approx(36.0, abs=1.0)


def test_a_command_acts_at_its_own_instant() -> None:
    bench = programmed()
    assert bench.source is not None
    bench.source.set_voltage(100.0, 0.0)
    bench.source.switch(True, 1.0371)
    bench.source.switch(False, 2.5532)
    done = bench.advance(5.0)
    unit = bench.unit
    assert isinstance(unit, Resistor)
    switched = [(at, volts) for at, volts in unit.given[1:]]
    assert switched == [(pytest.approx(1.0371, abs=1e-6), 100.0), (pytest.approx(2.5532, abs=1e-6), 0.0)]
    # the aperture in which it was switched on holds the r.m.s. of the part that was on
    partly = shown(done, Role.SOURCE_CURRENT)[10]
    assert partly == pytest.approx((0.0629 / 0.1) ** 0.5, abs=0.02)
    assert bench.witness.first_power_s == pytest.approx(1.0371, abs=1e-6)
    assert bench.witness.zero_voltage_s == pytest.approx(2.5532, abs=1e-6)
    assert bench.witness.zero_current_s == pytest.approx(2.5532, abs=1e-6)


@settings(max_examples=40, deadline=None)
@given(st.lists(st.floats(0.001, 0.7), min_size=1, max_size=60))
def test_readings_do_not_depend_on_how_time_is_cut(cuts: list[float]) -> None:
    whole, pieces = hand_set(HandKind.STEADY), hand_set(HandKind.STEADY)
    for bench in (whole, pieces):
        assert bench.hand is not None
        bench.hand.instruct("Turn", 60.0, False, 0.0)
    end_s = sum(cuts)
    at_once = whole.advance_to(end_s)
    bit_by_bit = [f for cut in cuts for f in pieces.advance_to(min(pieces.now_s + cut, end_s))]
    assert len(at_once) - len(bit_by_bit) in (0, 1)
    for a, b in zip(at_once, bit_by_bit, strict=False):
        assert (a.instrument, a.sequence) == (b.instrument, b.sequence)
        # a turning dial is followed in steps of a tick: cutting a step moves it by its own length at most
        assert a.indications[0].value == pytest.approx(b.indications[0].value, abs=0.8)


def test_the_dial_ramps_the_voltage() -> None:
    bench = hand_set(HandKind.STEADY)
    assert bench.hand is not None
    bench.hand.instruct("Turn", 120.0, False, 0.0)
    start_s = bench.hand.next_change_s(0.0)
    bench.advance_to(start_s + 3.0)
    assert bench.witness.inlet_v == pytest.approx(bench.hand.dial_at(start_s + 2.95), abs=1.5)
    bench.hand.instruct("Bench switch off. Dial to zero.", 0.0, True, bench.now_s)
    bench.advance(5.0)
    assert bench.witness.inlet_v == 0.0
    assert bench.witness.zero_voltage_s is not None


def test_wandering_mains_stay_in_their_band() -> None:
    wander = Wander(0.02, 5)
    factors = [wander.factor(0.5 * k) for k in range(20000)]
    mean = sum(factors) / len(factors)
    sd = (sum((f - mean) ** 2 for f in factors) / len(factors)) ** 0.5
    assert mean == pytest.approx(1.0, abs=0.003)
    assert sd == pytest.approx(0.02, rel=0.15)
    assert Wander(0.0, 5).factor(7.3) == 1.0


def test_the_source_s_own_trip_takes_the_voltage_away() -> None:
    bench = programmed(ohm=20.0)
    assert bench.source is not None
    bench.source.set_limit(3.0)
    bench.source.set_delay(2.0)
    bench.source.set_voltage(100.0, 0.0)
    bench.source.switch(True, 0.0)
    bench.advance(10.0)
    assert bench.source.tripped
    assert bench.witness.tripped_s == pytest.approx(2.1, abs=0.11)
    assert bench.witness.inlet_v == 0.0


def test_one_of_source_and_hand() -> None:
    with pytest.raises(ValueError, match="one of"):
        SimulatedBench(Resistor(), ())
