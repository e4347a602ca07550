"""Drawn units: the fixed ranges of the population, plates as marked, and the idle they really show."""

import math
from dataclasses import replace

import pytest

from benchlog.model.unit import Amplifier, Core, PlateKind, Supply, Unit
from benchlog_drivers.simulated.faults import Fault
from benchlog_drivers.simulated.population import draw_unit
from benchlog_drivers.simulated.unit import Aperture, SimulatedUnit
from benchlog_drivers.simulated.unit_params import UnitParams

KINDS = [
    (Amplifier.CLASS_AB, Supply.LINEAR),
    (Amplifier.CLASS_A, Supply.LINEAR),
    (Amplifier.CLASS_D, Supply.LINEAR),
    (Amplifier.VALVE, Supply.LINEAR),
    (Amplifier.CLASS_AB, Supply.SWITCH_MODE),
    (Amplifier.CLASS_D, Supply.SWITCH_MODE),
]


def draw(amplifier: Amplifier, supply: Supply, seed: int) -> tuple[UnitParams, Unit]:
    core = Core.TOROIDAL if seed % 2 else Core.FRAME
    return draw_unit(amplifier, supply, core, 120.0 if seed % 4 < 2 else 230.0, seed)


def settled(params: UnitParams, fraction: float = 1.0, seconds: float = 4.0) -> Aperture:
    """Straight to a voltage, heaters and cathodes as they will be after long."""
    unit = SimulatedUnit(params)
    if unit.load.heaters is not None:
        unit.load.heaters.advance_on_volts(120.0, fraction * params.mains_v)
        unit.load.cathode = unit.load.heaters.temperature
    unit.set_source(fraction * params.mains_v, True)
    unit.advance(seconds)
    return unit.advance(0.5)


@pytest.mark.parametrize(("amplifier", "supply"), KINDS)
def test_the_same_seed_draws_the_same_unit_and_another_does_not(amplifier: Amplifier, supply: Supply) -> None:
    first, again, other = (draw(amplifier, supply, seed) for seed in (8, 8, 12))
    assert first == again
    assert first[0] != other[0]
    assert first[1].fuse is not None
    assert first[1].rated_a < first[1].fuse.rated_a


@pytest.mark.parametrize("plate_va", [40.0, 300.0, 800.0])
def test_a_given_plate_is_marked_as_given(plate_va: float) -> None:
    for amplifier, supply in KINDS:
        _, unit = draw_unit(amplifier, supply, Core.TOROIDAL, 230.0, 3, plate_va)
        assert unit.plate_va == pytest.approx(plate_va, rel=0.005)


def test_half_the_plates_are_in_watts_and_half_in_amperes() -> None:
    plates = [draw(Amplifier.CLASS_AB, Supply.LINEAR, seed)[1].plate for seed in range(80)]
    watts = sum(plate is not None and plate.kind is PlateKind.WATTS for plate in plates)
    assert 26 <= watts <= 54  # 99.8 % of a binomial of 80 at one half


def test_class_ab_idle_is_in_its_range() -> None:
    """Idle 5-18 % of the rating, × 1.4 below 100 VA; 30 VA to 1 kVA."""
    for seed in range(24):
        params, _ = draw(Amplifier.CLASS_AB, Supply.LINEAR, seed)
        va = params.transformer.va
        factor = 1.4 if va < 100.0 else 1.0
        share = settled(params).power_w / va / factor
        assert 30.0 <= va <= 1000.0
        assert 0.05 * 0.9 <= share <= 0.18 * 1.05


def test_class_a_idles_near_its_plate() -> None:
    """Idle 45-60 W per 100 VA, plate = idle × 0.92-1.15."""
    for seed in range(12):
        params, unit = draw(Amplifier.CLASS_A, Supply.LINEAR, seed)
        idle_w = settled(params).power_w
        assert 0.45 * 0.9 <= idle_w / params.transformer.va <= 0.60 * 1.05
        if unit.plate is not None and unit.plate.kind is PlateKind.WATTS:
            assert 0.85 <= unit.plate.value / idle_w <= 1.25


def test_valve_idle_and_heaters_are_in_their_range() -> None:
    """Idle 40-350 W, heaters 22-42 % of it; at low volts a resistive load (power factor above 0.85)."""
    for seed in range(10):
        params, _ = draw(Amplifier.VALVE, Supply.LINEAR, seed)
        assert params.valves is not None
        now = settled(params)
        assert 40.0 * 0.93 <= now.power_w <= 350.0 * 1.07
        assert 0.20 <= params.valves.heaters.rated_w / now.power_w <= 0.45
        low = settled(params, 0.2)
        assert low.power_w / (low.current_rms_a * low.voltage_rms_v) > 0.85


def test_idle_current_is_nearly_flat_from_a_third_of_mains_on() -> None:
    """Sound class AB above 200 VA: log-log slope up to 0.6 from v = 0.5 to 0.85, steep from 0.1 to 0.25."""
    for seed in range(1, 41, 2):
        params, _ = draw(Amplifier.CLASS_AB, Supply.LINEAR, seed)
        if params.transformer.va < 200.0:
            continue
        current = {v: settled(params, v, 2.0).current_rms_a for v in (0.1, 0.25, 0.5, 0.85)}
        flat = math.log(current[0.85] / current[0.5]) / math.log(0.85 / 0.5)
        steep = math.log(current[0.25] / current[0.1]) / math.log(2.5)
        assert 0.0 < flat < 0.6
        assert steep > 1.2


@pytest.mark.parametrize("fraction", [0.29, 0.5, 1.0])
def test_runaway_is_stable_below_30_percent_and_quick_at_full_mains(fraction: float) -> None:
    """Stable below 30 %, destroyed in about 150 s at 50 % and 45 s at 100 % (units awake at half mains)."""
    for seed in (4, 9, 21):
        params, _ = draw_unit(Amplifier.CLASS_AB, Supply.LINEAR, Core.TOROIDAL, 120.0, seed, 300.0)
        unit = SimulatedUnit(params, Fault.BIAS_RUNAWAY)
        unit.set_source(fraction * 120.0, True)
        unit.advance(600.0 if fraction < 0.3 else 300.0 if fraction == 0.5 else 80.0)
        assert unit.load.destroyed == (fraction >= 0.3)
        if fraction < 0.3:
            assert unit.load.bias_ratio() < 2.0


@pytest.mark.parametrize(("fraction", "expected_s"), [(0.5, 150.0), (1.0, 45.0)])
def test_runaway_takes_its_time(fraction: float, expected_s: float) -> None:
    times = []
    for seed in (4, 9, 21):
        params, _ = draw_unit(Amplifier.CLASS_AB, Supply.LINEAR, Core.TOROIDAL, 120.0, seed, 300.0)
        unit, now_s = SimulatedUnit(params, Fault.BIAS_RUNAWAY), 0.0
        unit.set_source(fraction * 120.0, True)
        while not unit.load.destroyed:
            unit.advance(1.0)
            now_s += 1.0
        times.append(now_s)
    assert all(0.85 * expected_s <= time <= 1.35 * expected_s for time in times), times


def test_extras_add_soft_starts_and_change_nothing_else() -> None:
    found = 0
    for seed in range(8):
        plain, _ = draw_unit(Amplifier.CLASS_AB, Supply.LINEAR, Core.TOROIDAL, 230.0, seed, 600.0)
        more, _ = draw_unit(Amplifier.CLASS_AB, Supply.LINEAR, Core.TOROIDAL, 230.0, seed, 600.0, extras=True)
        assert plain.soft_start_ohm == 0.0
        assert replace(more, soft_start_ohm=0.0) == plain
        if more.soft_start_ohm > 0.0:
            found += 1
            unit = SimulatedUnit(more)
            unit.set_source(230.0, True, 0.0)
            first, later = unit.advance(0.1), unit.advance(0.2)
            # The resistor takes the first inrush; the relay then lets what is left of it through.
            assert abs(first.current_peak_a) < 1.5 * 325.0 / more.soft_start_ohm
            assert unit.supply.inside_ohm == 0.0
            assert later.current_rms_a > 0.0
    assert found >= 2


@pytest.mark.parametrize("amplifier", [Amplifier.CLASS_AB, Amplifier.CLASS_D])
def test_a_good_switch_mode_unit_keeps_its_fuse(amplifier: Amplifier) -> None:
    """The fuse was chosen to outlive the charging of the bulk capacitor."""
    for seed in range(12):
        params, _ = draw_unit(amplifier, Supply.SWITCH_MODE, Core.TOROIDAL, 230.0, seed)
        unit = SimulatedUnit(params)
        for fraction in (0.1, 0.9, 1.0):
            unit.set_source(230.0 * fraction, True)
            unit.advance(2.0)
        assert not unit.fuse_open
