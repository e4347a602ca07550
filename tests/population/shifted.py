"""Models unlike those that rules and bands were set by, and what a maker states of a model.

Shifted: bias wakes at 1.6 times the rail, idle 0.6-1.6 times what goes with the plate, 1.5 times the no-load
current; between specimens twice the tolerances (`SPREAD`). All ours, chosen before anything was looked at.
"""

import math
import random
from dataclasses import replace

from benchlog_drivers.simulated.unit import SimulatedUnit
from benchlog_drivers.simulated.unit_params import UnitParams

SPREAD = 2.0


def shift(params: UnitParams) -> UnitParams:
    """The model of these values, moved out of the population."""
    dice = random.Random(f"shift {params.seed}")
    scale = math.exp(dice.uniform(math.log(0.6), math.log(1.6)))
    front, iron = params.front_end, params.transformer.magnetising
    iron = replace(iron, main_h=iron.main_h / 1.5, power_a=iron.power_a * 1.5)
    return replace(
        params,
        front_end=replace(front, bias_a=front.bias_a * scale, wake_v=1.6 * front.wake_v),
        transformer=replace(params.transformer, magnetising=iron),
    )


def nominal_w(params: UnitParams) -> float:
    """Idle watts of the nominal unit at full mains, warm, to two figures: what a maker states."""
    unit = SimulatedUnit(params)
    if unit.load.heaters is not None:
        unit.load.heaters.temperature = unit.load.cathode = 1.0
    unit.set_source(params.mains_v, True, 90.0)
    unit.advance(3.0)
    return float(f"{unit.advance(0.2).power_w:.2g}")
