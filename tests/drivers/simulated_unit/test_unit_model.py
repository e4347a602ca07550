"""Specimens of one model: alike, not the same, and drawn the same each time."""

import math
import statistics
from dataclasses import replace

import pytest

from benchlog.model.unit import Amplifier, Core, Supply
from benchlog_drivers.simulated.population import draw_unit
from benchlog_drivers.simulated.population_model import another
from benchlog_drivers.simulated.unit import SimulatedUnit
from benchlog_drivers.simulated.unit_params import UnitParams

KINDS = [
    (Amplifier.CLASS_AB, Supply.LINEAR),
    (Amplifier.VALVE, Supply.LINEAR),
    (Amplifier.CLASS_D, Supply.SWITCH_MODE),
]


def model(amplifier: Amplifier, supply: Supply) -> UnitParams:
    return draw_unit(amplifier, supply, Core.FRAME, 230.0, 41)[0]


@pytest.mark.parametrize(("amplifier", "supply"), KINDS)
def test_specimens_are_drawn_the_same_each_time_and_differ(amplifier: Amplifier, supply: Supply) -> None:
    params = model(amplifier, supply)
    assert another(params, 0) is params
    assert another(params, 3) == another(params, 3)
    assert len({another(params, k).front_end.bias_a for k in range(6)}) == 6
    kept = replace(another(params, 3), fuse=params.fuse, faults=params.faults)
    assert kept == another(params, 3), "fuse and severities of faults stay"


def idle_a(params: UnitParams) -> float:
    unit = SimulatedUnit(params)
    unit.set_source(params.mains_v, True, 90.0)
    unit.advance(3.0)
    return unit.advance(0.2).current_rms_a


def test_specimens_idle_within_a_tenth_or_so_of_each_other() -> None:
    params = model(Amplifier.CLASS_AB, Supply.LINEAR)
    spread = statistics.stdev(math.log(idle_a(another(params, k))) for k in range(1, 9))
    wider = statistics.stdev(math.log(idle_a(another(params, k, 3.0))) for k in range(1, 9))
    assert 0.01 < spread < 0.15
    assert wider > 1.5 * spread


def test_no_spread_is_the_model_itself_but_for_phase_and_remanence() -> None:
    params = model(Amplifier.CLASS_AB, Supply.LINEAR)
    same = another(params, 1, 0.0)
    assert replace(same, seed=params.seed, start_flux=params.start_flux) == params
