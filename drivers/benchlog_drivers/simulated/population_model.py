"""Other specimens of one model: the same circuit with its parts' tolerances and ageing drawn anew.

The spreads are ours, after common practice: reservoirs −20…+20 % new and less when aged; bias as a trimmer is
set (makers allow 5 to 30 % of the emitter voltage) 10 %; no-load current of a transformer 15 %, iron loss
8 %; windings 3 %, turns 0.5 %; heaters 3 %. Nothing here changes what `draw_unit` draws.
"""

import math
from dataclasses import replace

import numpy as np

from benchlog_drivers.simulated.transformer import TransformerValues
from benchlog_drivers.simulated.unit_params import FrontEnd, Rails, SwitchMode, UnitParams, ValveSet

_TAG = 0x5EC1


def another(params: UnitParams, specimen: int, spread: float = 1.0) -> UnitParams:
    """Specimen number ``specimen`` of the model that ``params`` stands for; 0 is ``params`` themselves.

    ``spread`` multiplies every tolerance. The same for the same arguments; severities of faults, the fuse and
    everything that a technician reads on the unit stay.
    """
    if specimen == 0:
        return params
    dice = np.random.default_rng([params.seed, specimen, _TAG])
    warmth = params.warmth
    gain = float(np.clip(warmth.loop_gain + spread * dice.uniform(-0.03, 0.03), -0.12, 0.12))
    return replace(
        params,
        seed=int(dice.integers(2**31)),
        transformer=_transformer(dice, params.transformer, spread),
        rails=_rails(dice, params.rails, spread),
        front_end=_front_end(dice, params.front_end, spread),
        warmth=replace(warmth, loop_gain=gain),
        valves=_valves(dice, params.valves, spread) if params.valves else None,
        switch_mode=_switch_mode(dice, params.switch_mode, spread) if params.switch_mode else None,
        start_flux=float(dice.choice([-1.0, 1.0])) * params.start_flux,
    )


def _factor(dice: np.random.Generator, sigma: float) -> float:
    """About 1, normal in the logarithm, held to three standard deviations."""
    return math.exp(sigma * float(np.clip(dice.standard_normal(), -3.0, 3.0)))


def _transformer(dice: np.random.Generator, values: TransformerValues, spread: float) -> TransformerValues:
    iron = values.magnetising
    no_load = _factor(dice, 0.15 * spread)
    iron = replace(iron, main_h=iron.main_h / no_load, power_a=iron.power_a * no_load)
    return replace(
        values,
        primary_ohm=values.primary_ohm * _factor(dice, 0.03 * spread),
        secondary_ohm=values.secondary_ohm * _factor(dice, 0.03 * spread),
        ratio=values.ratio * _factor(dice, 0.005 * spread),
        core_loss_ohm=values.core_loss_ohm * _factor(dice, 0.08 * spread),
        magnetising=iron,
    )


def _rails(dice: np.random.Generator, rails: Rails, spread: float) -> Rails:
    farad = rails.farad * (1.0 + spread * dice.uniform(-0.25, 0.15))
    return replace(rails, farad=farad, esr_ohm=rails.esr_ohm * _factor(dice, 0.25 * spread))


def _front_end(dice: np.random.Generator, front: FrontEnd, spread: float) -> FrontEnd:
    return replace(
        front,
        bias_a=front.bias_a * _factor(dice, 0.10 * spread),
        wake_v=max(0.5 * front.wake_v, front.wake_v + 0.3 * spread * float(dice.standard_normal())),
        stage_a=front.stage_a * _factor(dice, 0.03 * spread),
        stage_ohm=front.stage_ohm * _factor(dice, 0.03 * spread),
    )


def _valves(dice: np.random.Generator, valves: ValveSet, spread: float) -> ValveSet:
    heaters = replace(valves.heaters, rated_w=valves.heaters.rated_w * _factor(dice, 0.03 * spread))
    return replace(valves, heaters=heaters, rectifier_ohm=valves.rectifier_ohm * _factor(dice, 0.1 * spread))


def _switch_mode(dice: np.random.Generator, supply: SwitchMode, spread: float) -> SwitchMode:
    start = _factor(dice, 0.01 * spread)
    return replace(
        supply,
        x_farad=supply.x_farad * (1.0 + spread * dice.uniform(-0.1, 0.1)),
        standby_w=supply.standby_w * _factor(dice, 0.08 * spread),
        start_v=supply.start_v * start,
        stop_v=supply.stop_v * start,
    )
