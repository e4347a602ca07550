"""How severe each fault of a drawn unit would be.

Rail-short 0.5-4 Ω and a junction; a shorted device with nothing connected 0.7-3 Ω rail to rail (scaled by the
rating) once both rails pass 1-1.5 times the bias wake voltage + 1 V, 40 % with a current limiter of 1.5-5 A;
bias 2-5 times. These are fixed. The leak of a reservoir, shorted turns, soft start and tap are ours.
"""

import math

import numpy as np

from benchlog.model.unit import Amplifier
from benchlog_drivers.simulated.population_runaway import runaway_values
from benchlog_drivers.simulated.transformer import TransformerValues
from benchlog_drivers.simulated.unit_params import FaultValues, FrontEnd, Rails


def draw_faults(
    dice: np.random.Generator,
    amplifier: Amplifier,
    transformer: TransformerValues,
    mains_v: float,
    rails: Rails,
    front: FrontEnd,
) -> FaultValues:
    """Severities for one unit at ``mains_v``."""
    va = transformer.va
    rail_v = rails.nominal_v
    scale = va / 300.0 * 48.0 / rail_v
    limited = dice.random() < 0.4
    limit_a = dice.uniform(1.5, 5.0)
    factor = dice.uniform(1.0, 1.5)
    short = dice.uniform(0.5, 4.0) * (1.0 if amplifier is not Amplifier.VALVE else 20.0)
    device = dice.uniform(0.7, 3.0) * min(4.0, max(0.3, 300.0 / va))
    base_ohm = mains_v**2 / va
    gain, tau_s = runaway_values(front, rails, transformer)
    return FaultValues(
        rail_short_ohm=short,
        device_ohm=device,
        device_wake_v=factor * front.wake_v + 1.0,
        device_limit_a=limit_a if limited else math.inf,
        device_sign=int(dice.choice([-1, 1])),
        bias_factor=dice.uniform(2.0, 5.0),
        leak_ohm=330.0 / scale * math.exp(dice.uniform(-0.7, 0.7)),
        leak_a=1e-3 * scale * math.exp(dice.uniform(-0.7, 0.7)),
        leak_v=9.0 * rail_v / 48.0,
        reform_a=0.008 * scale * math.exp(dice.uniform(-0.7, 0.7)),
        reform_v=rail_v * dice.uniform(0.15, 0.5),
        turns_ohm=base_ohm / math.exp(dice.uniform(math.log(0.15), math.log(0.8))),
        open_rail=int(dice.choice([-1, 1])),
        soft_start_ohm=base_ohm * dice.uniform(0.1, 0.3),
        runaway_gain=gain,
        runaway_tau_s=tau_s,
        tap_share=100.0 / 120.0 if mains_v < 180.0 else float(dice.choice([0.5, 200.0 / 230.0])),
    )
