"""Plausible units by seed: hidden component values, and beside them what a technician would know.

Class AB 30 VA-1 kVA, log-uniform; idle 5-18 % of the rating (× 1.4 below 100 VA); bias wakes at 3-8 V of
rail; plate W = idle + 0.57 × output × (0.8-1.3), half the plates in W, half in A. Class A 80-600 VA, idle
45-60 W per 100 VA, plate = idle × 0.92-1.15. Valve 40-350 W of idle, heaters 22-42 % of it, cold resistance
1/5-1/7, warm-up 6-12 s, cathode lag 4-15 s, 40 % with a valve rectifier. These ranges are fixed: limits are
tried on them. The plate's 0.57 is consumption at one eighth of the output (IEC 60065 test condition) at 22 %
efficiency. Class D, switch-mode supplies and the share of output in the rating are ours.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
from msgspec import structs

from benchlog.model.unit import Amplifier, Core, OutputTopology, Plate, Supply, Unit
from benchlog_drivers.simulated.faults import allowed_faults
from benchlog_drivers.simulated.population_amplifier import (
    draw_front_end,
    draw_rail_v,
    draw_rails,
    draw_valves,
    fit_valve_idle,
)
from benchlog_drivers.simulated.population_core import draw_transformer
from benchlog_drivers.simulated.population_faults import draw_faults
from benchlog_drivers.simulated.population_plate import (
    bulk_inrush_a2s,
    choose_fuse,
    draw_plate,
    fixed_plate,
    inrush_a2s,
)
from benchlog_drivers.simulated.population_switch import draw_switch_mode
from benchlog_drivers.simulated.unit_params import Diode, MainsFuse, UnitParams, Warmth

_SOFT_START_VA = 300.0
"""Rating from which a soft start is usual (common practice)."""
_CONVERTER_SHARE = 0.8 * 0.88
"""Share of a switch-mode unit's idle watts that reaches the rails."""


@dataclass(frozen=True, slots=True)
class _Size:
    """Rating (VA), idle (W), rated output (W), plate (W) and the plate's power factor of a unit."""

    va: float
    idle_w: float
    output_w: float
    plate_w: float
    factor: float


def draw_unit(
    amplifier: Amplifier,
    supply: Supply,
    core: Core,
    mains_v: float,
    seed: int,
    plate_va: float | None = None,
    extras: bool = False,
) -> tuple[UnitParams, Unit]:
    """Hidden values and the technician's view of one unit, the same for the same arguments.

    ``plate_va`` fixes the plate (VA at ``mains_v``; class AB and D: the transformer's rating too); without it
    rating and plate are drawn. ``extras`` goes beyond the fixed population: half the linear units from 300 VA
    have a soft start whose relay pulls in. ``UsageError`` for a kind of unit that there isn't.
    """
    allowed_faults(amplifier, supply)
    kinds = (list(Amplifier).index(amplifier), list(Supply).index(supply), list(Core).index(core))
    dice = np.random.default_rng([seed, *kinds, round(mains_v)])
    size = _draw_size(dice, amplifier, supply, plate_va)
    plate = (
        fixed_plate(dice, plate_va, mains_v)
        if plate_va
        else draw_plate(dice, size.plate_w, size.factor, mains_v)
    )
    unit = _describe(amplifier, supply, core, mains_v, plate)
    params = _draw_params(dice, unit, core, seed, size)
    if params.switch_mode is not None:
        inrush = bulk_inrush_a2s(params.switch_mode, mains_v)
    else:
        inrush = inrush_a2s(params.transformer, mains_v, unit.mains_hz)
    fuse, mains_fuse = choose_fuse(dice, unit.rated_a, mains_v, inrush)
    params = replace(params, fuse=mains_fuse)
    if extras and supply is Supply.LINEAR and size.va >= _SOFT_START_VA and dice.random() < 0.5:
        params = replace(params, soft_start_ohm=params.faults.soft_start_ohm)
    if amplifier is Amplifier.VALVE:
        params = fit_valve_idle(params, size.idle_w)
    return params, structs.replace(unit, fuse=fuse)


def _describe(amplifier: Amplifier, supply: Supply, core: Core, mains_v: float, plate: Plate) -> Unit:
    return Unit(
        amplifier=amplifier,
        supply=supply,
        core=core if supply is Supply.LINEAR else None,
        mains_v=mains_v,
        mains_hz=60.0 if mains_v < 180.0 else 50.0,
        plate=plate,
        topology=OutputTopology.UNKNOWN if amplifier is Amplifier.VALVE else OutputTopology.DIRECT,
        protective_earth=True,
    )


def _draw_params(dice: np.random.Generator, unit: Unit, core: Core, seed: int, size: _Size) -> UnitParams:
    """The hidden values of a unit of this size, its fuse yet to be chosen."""
    mains_v, amplifier = unit.mains_v, unit.amplifier
    rail_v = draw_rail_v(dice, amplifier, size.va)
    transformer = draw_transformer(dice, core, size.va, mains_v, unit.mains_hz, rail_v, size.idle_w)
    rails = draw_rails(dice, size.va, size.idle_w, rail_v)
    valves = draw_valves(dice, size.idle_w, mains_v, rail_v) if amplifier is Amplifier.VALVE else None
    switch_mode = None
    dc_w = size.idle_w - mains_v**2 / transformer.core_loss_ohm
    dc_w -= valves.heaters.rated_w if valves else 0.0
    if unit.supply is Supply.SWITCH_MODE:
        switch_mode = draw_switch_mode(dice, size.plate_w, size.output_w, size.idle_w, rails, mains_v)
        dc_w = _CONVERTER_SHARE * size.idle_w
    front = draw_front_end(dice, amplifier, rails, dc_w)
    warmth = Warmth(dice.uniform(-0.10, 0.10), dice.uniform(40.0, 200.0), 30.0 / size.idle_w)
    return UnitParams(
        amplifier=amplifier,
        supply=unit.supply,
        core=core,
        mains_v=mains_v,
        mains_hz=unit.mains_hz,
        seed=seed,
        transformer=transformer,
        diode=Diode(series_ohm=0.015 * (300.0 / size.va) ** 0.5),
        rails=rails,
        front_end=front,
        warmth=warmth,
        faults=draw_faults(dice, amplifier, transformer, mains_v, rails, front),
        fuse=MainsFuse(math.inf, math.inf),
        valves=valves,
        switch_mode=switch_mode,
        start_flux=float(dice.choice([-1.0, 1.0])) * transformer.magnetising.remanence,
    )


def _draw_size(
    dice: np.random.Generator, amplifier: Amplifier, supply: Supply, plate_va: float | None
) -> _Size:
    if amplifier is Amplifier.VALVE:
        idle, margin = _log_uniform(dice, 40.0, 350.0), dice.uniform(1.0, 1.5)
        idle = 0.7 * plate_va / margin if plate_va else idle
        return _Size(idle / 0.65, idle, 0.8 * idle, idle * margin, dice.uniform(0.75, 0.9))
    if amplifier is Amplifier.CLASS_A:
        va, share, margin = (
            _log_uniform(dice, 80.0, 600.0),
            dice.uniform(0.45, 0.60),
            dice.uniform(0.92, 1.15),
        )
        va = 0.7 * plate_va / margin / share if plate_va else va
        return _Size(va, share * va, 0.3 * share * va, share * va * margin, dice.uniform(0.62, 0.75))
    va = plate_va or _log_uniform(dice, 30.0, 1000.0)
    factor = dice.uniform(0.62, 0.75) if supply is Supply.LINEAR else dice.uniform(0.52, 0.68)
    spread = dice.uniform(0.8, 1.3)
    if amplifier is Amplifier.CLASS_D:
        output = va * dice.uniform(0.8, 1.1)
        idle = 5.0 * min(1.0, va / 100.0) + dice.uniform(0.01, 0.04) * output
        return _Size(va, idle, output, idle + 0.4 * output * spread, factor)
    output = va * dice.uniform(0.45, 0.60)
    idle = va * dice.uniform(0.05, 0.18) * (1.4 if va < 100.0 else 1.0)
    if supply is Supply.SWITCH_MODE:
        idle = va * dice.uniform(0.035, 0.09)
    return _Size(va, idle, output, idle + 0.57 * output * spread, factor)


def _log_uniform(dice: np.random.Generator, low: float, high: float) -> float:
    return math.exp(dice.uniform(math.log(low), math.log(high)))
