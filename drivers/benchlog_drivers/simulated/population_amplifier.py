"""Plausible amplifiers: reservoirs, front end, heaters and cathodes, drawn to a given idle."""

import math
from dataclasses import replace

import numpy as np

from benchlog.model.unit import Amplifier
from benchlog_drivers.simulated.lamp import FilamentValues
from benchlog_drivers.simulated.unit import SimulatedUnit
from benchlog_drivers.simulated.unit_params import FrontEnd, Rails, UnitParams, ValveSet

_DIODE_V = 1.2
"""Loss on the way from winding to rail at idle, in V."""


def draw_rail_v(dice: np.random.Generator, amplifier: Amplifier, va: float) -> float:
    """Each rail at idle in V: ±48 V at 300 VA, rising with the rating; valves half an HT of 300-470 V."""
    spread = math.exp(dice.normal(0.0, 0.08))
    return (
        dice.uniform(150.0, 235.0) if amplifier is Amplifier.VALVE else 48.0 * (va / 300.0) ** 0.42 * spread
    )


def draw_rails(dice: np.random.Generator, va: float, idle_w: float, rail_v: float) -> Rails:
    """Reservoirs by stored energy, 36 mJ per VA within a factor of two; bleeders of 10 s or weaker."""
    farad = 0.036 * va * math.exp(dice.uniform(-0.6, 0.7)) / rail_v**2
    bleeder_ohm = max(10.3 / farad, 2.0 * rail_v**2 / (0.1 * idle_w))
    return Rails(farad, 0.02 * (0.0047 / farad) ** 0.7, bleeder_ohm, rail_v)


def draw_front_end(dice: np.random.Generator, amplifier: Amplifier, rails: Rails, dc_w: float) -> FrontEnd:
    """Split ``dc_w`` (W drawn from both rails at idle) between bias, small stages and bleeders.

    Bias wakes at 3-8 V of rail; a class D modulator at 0.35-0.6 of its rail (ours).
    """
    rail_v = rails.nominal_v
    wake_v, width_v = dice.uniform(3.0, 8.0), dice.uniform(4.0, 8.0)
    if amplifier is Amplifier.CLASS_D:
        wake_v, width_v = rail_v * dice.uniform(0.35, 0.6), 2.0
    total_a = dc_w / (2.0 * (rail_v + _DIODE_V))
    stage_a = (0.05 if amplifier is Amplifier.VALVE else 0.12) * total_a
    rest_a = total_a - stage_a - 0.04 * total_a - rail_v / rails.bleeder_ohm
    stage_ohm = rail_v / (0.04 * total_a)
    return FrontEnd(max(0.4 * total_a, rest_a), wake_v, width_v, stage_a, 15.0 * rail_v / 48.0, stage_ohm)


def draw_valves(dice: np.random.Generator, idle_w: float, mains_v: float, rail_v: float) -> ValveSet:
    """Heaters 22-42 % of idle, cold 1/5-1/7, warm in 6-12 s; cathodes 4-15 s behind; 40 % valve rectifiers.

    Half emission at 0.80-0.88 of rated cathode temperature, which heaters reach at about 0.55-0.7 of rated
    volts; a hot valve rectifier drops about a tenth of the HT (both ours).
    """
    heater_w = idle_w * dice.uniform(0.22, 0.42)
    cold = 1.0 / dice.uniform(5.0, 7.0)
    heaters = FilamentValues(mains_v, heater_w, cold, 293.0 / 1100.0, 1.1 * dice.uniform(6.0, 12.0))
    lag_s, onset = dice.uniform(4.0, 15.0), dice.uniform(0.80, 0.88)
    has_valve, drop = dice.random() < 0.4, dice.uniform(0.03, 0.08)
    plate_a = 0.65 * idle_w / (2.0 * rail_v)
    # The charging pulses are about four times the mean current.
    return ValveSet(heaters, lag_s, onset, drop * rail_v / (4.0 * plate_a) if has_valve else 0.0)


def fit_valve_idle(params: UnitParams, idle_w: float) -> UnitParams:
    """The same valve unit with its HT as it is and its plate current set to idle at ``idle_w`` (W), warm."""
    for _ in range(3):
        unit = SimulatedUnit(params)
        if unit.load.heaters is not None:
            unit.load.heaters.temperature = unit.load.cathode = 1.0
        unit.set_source(params.mains_v, True, 90.0)
        unit.advance(1.5)
        now = unit.advance(0.2)
        rail_v, rails, front = 0.5 * (now.rail_plus_v - now.rail_minus_v), params.rails, params.front_end
        missing_a = (idle_w - now.power_w) / (2.0 * rail_v * 1.1)
        # The plate current there, by the three-halves law, is what the new nominal rail has.
        plate_a = front.bias_a * (rail_v / rails.nominal_v) ** 1.5 * unit.load.emission()
        bias_a = max(0.3 * plate_a, plate_a + missing_a) / unit.load.emission()
        params = replace(
            params, rails=replace(rails, nominal_v=rail_v), front_end=replace(front, bias_a=bias_a)
        )
    return params
