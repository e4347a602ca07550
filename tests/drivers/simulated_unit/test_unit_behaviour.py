"""What the simulated unit does as a whole: time, faults, fuse, rails, waveform."""

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchlog.model.unit import Amplifier, Core, Supply
from benchlog_drivers.simulated.faults import Fault
from benchlog_drivers.simulated.population import draw_unit
from benchlog_drivers.simulated.unit import Aperture, SimulatedUnit
from benchlog_drivers.simulated.unit_params import SourceImpedance


def unit_with(fault: Fault = Fault.NONE, at_s: float = 0.0, seed: int = 1, **words: float) -> SimulatedUnit:
    params, _ = draw_unit(
        Amplifier.CLASS_AB, Supply.LINEAR, Core.TOROIDAL, words.pop("mains_v", 120.0), seed, 300.0
    )
    return SimulatedUnit(params, fault, at_s, words.get("lamp_w"))


def step_to(unit: SimulatedUnit, fraction: float, seconds: float = 3.0) -> Aperture:
    unit.set_source(fraction * unit.params.mains_v, True)
    unit.advance(seconds)
    return unit.advance(0.5)


def computed_throughout(unit: SimulatedUnit) -> SimulatedUnit:
    """The same unit with every cycle computed as a waveform, nothing jumped or held."""
    follower = unit.follower

    def close_cycle(spare_s: float) -> tuple[int, object]:
        follower._parts.clear()
        return 0, None

    follower._close_cycle = close_cycle  # type: ignore[method-assign, assignment]
    return unit


@pytest.mark.parametrize(
    ("fault", "mains_v"),
    [
        (Fault.NONE, 230.0),
        (Fault.RAIL_SHORT, 120.0),
        (Fault.SHORTED_RECTIFIER, 120.0),
        (Fault.HIGH_BIAS, 120.0),
    ],
)
def test_jumps_and_held_states_agree_with_the_waveform(fault: Fault, mains_v: float) -> None:
    """True r.m.s. over apertures of 0.1 s, in the transient and after, within 3 % of plain waveform."""
    quick = unit_with(fault, mains_v=mains_v, seed=3)
    slow = computed_throughout(unit_with(fault, mains_v=mains_v, seed=3))
    for fraction in (0.1, 0.2, 0.3):
        for unit in (quick, slow):
            unit.set_source(fraction * mains_v, True, 90.0)
        for _ in range(8):
            a, b = quick.advance(0.1), slow.advance(0.1)
            assert a.current_rms_a == pytest.approx(b.current_rms_a, rel=0.03, abs=1e-3)
            assert a.power_w == pytest.approx(b.power_w, rel=0.03, abs=0.02)
            assert a.rail_minus_v == pytest.approx(b.rail_minus_v, rel=0.05, abs=0.02)


@settings(max_examples=12, deadline=None)
@given(cuts=st.lists(st.floats(0.003, 0.2), min_size=3, max_size=9))
def test_charge_and_heat_do_not_depend_on_the_apertures(cuts: list[float]) -> None:
    """I²t, ampere-seconds and watt-seconds of a transient add up, however the time is cut."""
    total = sum(cuts)
    in_pieces, at_once = unit_with(), unit_with()
    for unit in (in_pieces, at_once):
        unit.set_source(60.0, True, 90.0)
    whole = at_once.advance(total)
    parts = [in_pieces.advance(cut) for cut in cuts]
    seconds = sum(part.seconds for part in parts)
    # One block of 1/16 cycle may be owed at the end.
    assert seconds == pytest.approx(total, abs=0.0011)
    heat = sum(part.current_rms_a**2 * part.seconds for part in parts)
    assert heat == pytest.approx(whole.current_rms_a**2 * whole.seconds, rel=0.03)
    energy = sum(part.power_w * part.seconds for part in parts)
    assert energy == pytest.approx(whole.power_w * whole.seconds, rel=0.03)


def test_the_same_seed_gives_the_same_run() -> None:
    runs = []
    for _ in range(2):
        unit = unit_with(Fault.BIAS_RUNAWAY, seed=5)
        unit.set_source(60.0, True)
        runs.append([unit.advance(0.1) for _ in range(60)])
    assert runs[0] == runs[1]


def test_a_fault_begins_at_its_moment_of_powered_time() -> None:
    unit = unit_with(Fault.RAIL_SHORT, at_s=5.0)
    unit.advance(10.0)  # not powered: does not count
    unit.set_source(36.0, True)
    before = [unit.advance(0.1) for _ in range(49)]
    unit.advance(0.2)
    after = unit.advance(0.1)
    assert max(part.current_rms_a for part in before[20:]) < 0.5
    assert after.current_rms_a > 3.0


def test_open_mains_fuse_draws_nothing_and_leaves_the_inlet_voltage() -> None:
    now = step_to(unit_with(Fault.OPEN_MAINS_FUSE), 1.0)
    assert now.current_rms_a == 0.0
    assert now.voltage_rms_v == pytest.approx(120.0)
    assert now.rail_plus_v == 0.0


def test_shorted_device_puts_the_output_at_a_rail_before_the_current_tells() -> None:
    unit = unit_with(Fault.SHORTED_DEVICE, seed=2)
    low = step_to(unit, 0.1)
    rail = low.rail_plus_v if low.output_dc_v > 0.0 else -low.rail_minus_v
    assert rail >= 3.0
    assert abs(low.output_dc_v) > 0.9 * rail
    assert low.current_rms_a < 1.2 * step_to(unit_with(seed=2), 0.1).current_rms_a
    high = step_to(unit, 0.2)
    assert high.current_rms_a > 3.0 * step_to(unit_with(seed=2), 0.2).current_rms_a


def test_open_rail_fuse_shows_behind_the_fuse_only() -> None:
    now = step_to(unit_with(Fault.OPEN_RAIL_FUSE, seed=4), 0.5)
    behind = sorted((abs(now.rail_plus_v), abs(now.rail_minus_v)))
    at_reservoirs = sorted((abs(now.reservoir_plus_v), abs(now.reservoir_minus_v)))
    assert behind[0] == 0.0
    assert at_reservoirs[0] == pytest.approx(at_reservoirs[1], rel=0.02)
    assert now.bias_a == 0.0


def test_mains_fuse_melts_on_a_rail_short_and_stays_open() -> None:
    unit = unit_with(Fault.RAIL_SHORT)
    now = step_to(unit, 1.0, 20.0)
    assert now.fuse_open
    assert now.current_rms_a == 0.0
    assert now.voltage_rms_v == pytest.approx(120.0)
    unit.set_source(0.0, False)
    unit.advance(1.0)
    assert step_to(unit, 0.2).current_rms_a == 0.0


def test_reforming_reservoir_decays_over_minutes() -> None:
    unit, sound = unit_with(Fault.REFORMING_RESERVOIR, seed=6), unit_with(seed=6)
    extra = []
    for fraction in (0.3, 0.5):
        step_to(unit, fraction), step_to(sound, fraction)
    for _ in range(6):
        extra.append(unit.advance(20.0).power_w - sound.advance(20.0).power_w)
    assert extra[0] > 0.05
    assert all(later < earlier + 0.05 for earlier, later in pairwise(extra))
    assert extra[-1] < 0.3 * extra[0]


def test_leaky_reservoir_takes_more_with_the_volts_and_does_not_decay() -> None:
    unit, sound = unit_with(Fault.LEAKY_RESERVOIR, seed=6), unit_with(seed=6)
    extra = [step_to(unit, v).power_w - step_to(sound, v).power_w for v in (0.3, 0.6, 1.0)]
    assert extra[0] < extra[1] < extra[2]
    unit.advance(60.0), sound.advance(60.0)
    assert unit.advance(1.0).power_w - sound.advance(1.0).power_w == pytest.approx(extra[2], rel=0.1)


def test_wrong_tap_is_like_any_other_until_the_core_saturates() -> None:
    """Fine until about v = 0.85, then the current soars with a low power factor (common practice)."""
    unit = unit_with(Fault.WRONG_VOLTAGE_TAP, seed=8, mains_v=120.0)
    rows = {v: step_to(unit, v) for v in (0.5, 0.8, 0.95, 1.05)}
    slope = math.log(rows[1.05].current_rms_a / rows[0.95].current_rms_a) / math.log(1.05 / 0.95)
    low = math.log(rows[0.8].current_rms_a / rows[0.5].current_rms_a) / math.log(0.8 / 0.5)
    assert low < 0.6
    assert slope > 2.0
    factor = {v: row.power_w / (row.current_rms_a * row.voltage_rms_v) for v, row in rows.items()}
    assert factor[1.05] < factor[0.8]


def test_soft_start_left_in_lowers_current_and_rails() -> None:
    stuck, sound = step_to(unit_with(Fault.SOFT_START_STUCK), 1.0), step_to(unit_with(), 1.0)
    assert 0.7 < stuck.current_rms_a / sound.current_rms_a < 0.95
    assert stuck.rail_plus_v < 0.985 * sound.rail_plus_v


def test_rails_run_down_after_switching_off_and_the_next_inrush_is_smaller_with_charge_left() -> None:
    unit = unit_with()
    on = step_to(unit, 1.0)
    unit.set_source(120.0, False)
    soon, later = unit.advance(0.2), None
    for _ in range(60):
        later = unit.advance(1.0)
    assert later is not None
    assert 0.0 <= later.rail_plus_v < 0.2 * on.rail_plus_v < soon.rail_plus_v
    assert soon.current_rms_a == 0.0
    assert soon.voltage_rms_v == 0.0


@pytest.mark.parametrize("supply", list(Supply))
def test_waveform_and_apertures_are_the_same_current(supply: Supply) -> None:
    params, _ = draw_unit(Amplifier.CLASS_AB, supply, Core.TOROIDAL, 120.0, 3, 300.0)
    one, other = SimulatedUnit(params), SimulatedUnit(params)
    for unit in (one, other):
        unit.set_source(120.0, True, 90.0)
    wave = one.waveform(0.1, 20_000.0)
    part = other.advance(0.1)
    assert len(wave.i_a) == len(wave.v_v) == 2000
    assert float(np.sqrt(np.mean(wave.i_a**2))) == pytest.approx(part.current_rms_a, rel=0.02)
    assert float(np.sqrt(np.mean(wave.v_v**2))) == pytest.approx(part.voltage_rms_v, rel=0.01)
    assert float(np.mean(wave.i_a * wave.v_v)) == pytest.approx(part.power_w, rel=0.03)
    peak = float(wave.i_a[np.argmax(np.abs(wave.i_a))])
    assert peak == pytest.approx(part.current_peak_a, rel=0.03)


def test_power_in_covers_what_the_rails_deliver() -> None:
    for fault in (Fault.NONE, Fault.RAIL_SHORT, Fault.HIGH_BIAS):
        unit = unit_with(fault)
        now = step_to(unit, 0.3)
        load = unit.load.draw(now.reservoir_plus_v, now.reservoir_minus_v)
        delivered = load.watts(now.reservoir_plus_v, now.reservoir_minus_v)
        assert 1.0 < now.power_w / delivered < 2.6


def test_a_creeping_voltage_is_followed() -> None:
    """Mains that wanders by 0.1 % in 0.1 s: within 1.5 % of the waveform, at a fraction of the work."""
    quick, slow = unit_with(seed=3), computed_throughout(unit_with(seed=3))
    for unit in (quick, slow):
        unit.set_source(60.0, True, 90.0)
        unit.advance(2.0)
    held = 0
    for tick in range(60):
        volts = 60.0 * (1.0 + 0.02 * math.sin(tick / 12.0))
        for unit in (quick, slow):
            unit.set_source(volts, True)
        a, b = quick.advance(0.1), slow.advance(0.1)
        held += quick.follower.held is not None
        assert a.voltage_rms_v == pytest.approx(b.voltage_rms_v, rel=0.003)
        assert a.current_rms_a == pytest.approx(b.current_rms_a, rel=0.06)
    assert held > 40


def test_a_lamp_takes_the_short_and_lets_the_idle_through() -> None:
    """100 W lamp, 120 V: about 113 V at a sound unit's inlet, about 9 V at a rail short's, I ≈ In."""
    sound = step_to(unit_with(lamp_w=100.0), 1.0, 20.0)
    short = step_to(unit_with(Fault.RAIL_SHORT, lamp_w=100.0), 1.0, 20.0)
    assert sound.voltage_rms_v > 100.0
    assert short.voltage_rms_v < 20.0
    assert short.current_rms_a == pytest.approx(100.0 / 120.0, rel=0.06)


def test_switch_mode_draws_next_to_nothing_until_it_starts() -> None:
    params, _ = draw_unit(Amplifier.CLASS_D, Supply.SWITCH_MODE, Core.TOROIDAL, 120.0, 2, 300.0)
    unit = SimulatedUnit(params)
    asleep = step_to(unit, 0.5)
    awake = step_to(unit, 0.8, 6.0)
    high = step_to(unit, 1.0, 20.0)
    assert asleep.current_rms_a < 0.02
    assert asleep.rail_plus_v == 0.0
    assert awake.rail_plus_v > 0.9 * params.rails.nominal_v
    # Constant power: less current at more volts.
    assert high.current_rms_a < awake.current_rms_a
    assert high.power_w == pytest.approx(awake.power_w, rel=0.1)


def test_switch_mode_rail_short_tries_again_and_again() -> None:
    params, _ = draw_unit(Amplifier.CLASS_AB, Supply.SWITCH_MODE, Core.TOROIDAL, 120.0, 2, 300.0)
    unit = SimulatedUnit(params, Fault.RAIL_SHORT)
    unit.set_source(108.0, True)
    unit.advance(2.0)
    readings = [unit.advance(0.1).power_w for _ in range(60)]
    bursts = sum(1 for a, b in pairwise(readings) if a < 5.0 <= b)
    # 1-3 Hz (common practice): seen at ten readings a second.
    assert 4 <= bursts <= 20


def test_valve_heaters_then_cathodes() -> None:
    params, _ = draw_unit(Amplifier.VALVE, Supply.LINEAR, Core.FRAME, 230.0, 3)
    assert params.valves is not None
    unit = SimulatedUnit(params)
    unit.set_source(230.0, True, 90.0)
    unit.advance(0.5)
    cold = unit.advance(0.5)
    unit.advance(70.0)
    warm = unit.advance(1.0)
    assert cold.bias_a < 0.05 * warm.bias_a
    assert warm.power_w > 1.5 * params.valves.heaters.rated_w
    assert unit.load.cathode == pytest.approx(1.0, abs=0.05)
    low = step_to(SimulatedUnit(params), 0.35, 90.0)
    assert low.bias_a < 0.02 * warm.bias_a


@pytest.mark.parametrize("seed", [1, 25])
def test_an_offset_of_the_flux_dies_away_without_a_surge(seed: int) -> None:
    """A held state brings the mean flux back to the remanence at most; beyond it the core saturates."""
    params, _ = draw_unit(Amplifier.CLASS_A, Supply.LINEAR, Core.TOROIDAL, 230.0, seed)
    unit = SimulatedUnit(params, source=SourceImpedance(0.37, 1.8e-4))
    for fraction in (0.05, 0.10, 0.15, 0.20, 0.30, 0.40, 0.50, 0.65, 0.80, 0.90, 1.00):
        unit.set_source(230.0 * fraction, True)
        apertures = [unit.advance(0.4).current_rms_a for _ in range(37 if fraction < 1.0 else 250)]
        assert max(apertures[15:]) < 1.5 * min(apertures[15:])
