"""Plausible units by seed: hidden component values, and beside them what a technician would know.

Class AB 30 VA-1 kVA, log-uniform; idle 5-18 % of the rating (× 1.4 below 100 VA); bias wakes at 3-8 V of
rail; plate W = idle + 0.57 × output × (0.8-1.3), half the plates in W, half in A. Class A 80-600 VA, idle
45-60 W per 100 VA, plate = idle × 0.92-1.15. Valve 40-350 W of idle, heaters 22-42 % of it, cold resistance
1/5-1/7, warm-up 6-12 s, cathode lag 4-15 s, 40 % with a valve rectifier. These ranges are fixed: limits are
tried on them. The plate's 0.57 is consumption at one eighth of the output (IEC 60065 test condition) at 22 %
efficiency. Class D, switch-mode supplies and the share of output in the rating are ours.
"""

import math
from dataclasses import dataclass

import numpy as np

from benchlog.model.unit import Amplifier, Core, Fuse, OutputTopology, Plate, PlateKind, Supply, Unit
from benchlog_drivers.simulated.faults import allowed_faults
from benchlog_drivers.simulated.lamp import FilamentValues
from benchlog_drivers.simulated.population_core import draw_transformer
from benchlog_drivers.simulated.population_faults import draw_faults
from benchlog_drivers.simulated.unit_params import (
    Diode,
    FrontEnd,
    MainsFuse,
    Rails,
    SwitchMode,
    UnitParams,
    ValveSet,
    Warmth,
)

_FUSES_IEC = (
    0.315,
    0.4,
    0.5,
    0.63,
    0.8,
    1.0,
    1.25,
    1.6,
    2.0,
    2.5,
    3.15,
    4.0,
    5.0,
    6.3,
    8.0,
    10.0,
    12.5,
    16.0,
)


@dataclass(frozen=True, slots=True)
class _Size:
    """Rating (VA), idle (W), rated output (W) and plate (W) of a unit being drawn."""

    va: float
    idle_w: float
    output_w: float
    plate_w: float


def draw_unit(
    amplifier: Amplifier,
    supply: Supply,
    core: Core,
    mains_v: float,
    seed: int,
    plate_va: float | None = None,
) -> tuple[UnitParams, Unit]:
    """Hidden values and the technician's view of one unit, the same for the same arguments.

    ``plate_va`` fixes the rating and the plate (VA at ``mains_v``); without it both are drawn. ``UsageError``
    for a kind of unit that there isn't.
    """
    allowed_faults(amplifier, supply)
    mains_hz = 60.0 if mains_v < 180.0 else 50.0
    kind = [
        list(Amplifier).index(amplifier),
        list(Supply).index(supply),
        list(Core).index(core),
        round(mains_v),
    ]
    dice = np.random.default_rng([seed, *kind])
    size = _draw_size(dice, amplifier, supply, plate_va)
    rail_v = 48.0 * (size.va / 300.0) ** 0.42 * math.exp(dice.normal(0.0, 0.08))
    if amplifier is Amplifier.VALVE:
        rail_v = dice.uniform(150.0, 235.0)
    transformer = draw_transformer(dice, core, size.va, mains_v, mains_hz, rail_v)
    valves = _draw_valves(dice, size, mains_v) if amplifier is Amplifier.VALVE else None
    rails = _draw_rails(dice, size, rail_v)
    heater_w = valves.heaters.rated_w if valves else 0.0
    dc_w = size.idle_w - mains_v**2 / transformer.core_loss_ohm - heater_w
    if supply is Supply.SWITCH_MODE:
        dc_w = 0.8 * 0.88 * size.idle_w
    front = _draw_front_end(dice, amplifier, rails, size, dc_w)
    plate = _draw_plate(dice, size, mains_v, plate_va)
    unit = Unit(
        amplifier=amplifier,
        supply=supply,
        core=core if supply is Supply.LINEAR else None,
        mains_v=mains_v,
        mains_hz=mains_hz,
        plate=plate,
        topology=OutputTopology.UNKNOWN if amplifier is Amplifier.VALVE else OutputTopology.DIRECT,
        protective_earth=True,
    )
    fuse, mains_fuse = _choose_fuse(unit)
    params = UnitParams(
        amplifier=amplifier,
        supply=supply,
        core=core,
        mains_v=mains_v,
        mains_hz=mains_hz,
        seed=seed,
        transformer=transformer,
        diode=Diode(series_ohm=0.015 * (300.0 / size.va) ** 0.5),
        rails=rails,
        front_end=front,
        warmth=Warmth(
            dice.uniform(-0.10, 0.10), dice.uniform(40.0, 200.0), heatsink_k_per_w=30.0 / size.idle_w
        ),
        faults=draw_faults(dice, amplifier, size.va, mains_v, rails, front),
        fuse=mains_fuse,
        valves=valves,
        switch_mode=_draw_switch_mode(dice, size, rails, mains_v) if supply is Supply.SWITCH_MODE else None,
        start_flux=float(dice.choice([-1.0, 1.0])) * transformer.magnetising.remanence,
    )
    return params, Unit(**{name: getattr(unit, name) for name in unit.__struct_fields__} | {"fuse": fuse})


def _draw_size(
    dice: np.random.Generator, amplifier: Amplifier, supply: Supply, plate_va: float | None
) -> _Size:
    def rating(low: float, high: float) -> float:
        drawn = math.exp(dice.uniform(math.log(low), math.log(high)))
        return plate_va if plate_va is not None else drawn

    if amplifier is Amplifier.VALVE:
        idle = rating(40.0, 350.0) * (0.7 if plate_va is not None else 1.0)
        return _Size(idle / 0.65, idle, 0.8 * idle, idle * dice.uniform(1.0, 1.5))
    if amplifier is Amplifier.CLASS_A:
        va = rating(80.0, 600.0)
        idle = va * dice.uniform(0.45, 0.60)
        return _Size(va, idle, 0.3 * idle, idle * dice.uniform(0.92, 1.15))
    va = rating(30.0, 1000.0)
    output = va * dice.uniform(0.55, 0.75)
    if amplifier is Amplifier.CLASS_D:
        idle = 5.0 * min(1.0, va / 100.0) + dice.uniform(0.01, 0.04) * output
        return _Size(va, idle, output, idle + 0.25 * output * dice.uniform(0.8, 1.3))
    idle = va * dice.uniform(0.05, 0.18) * (1.4 if va < 100.0 else 1.0)
    if supply is Supply.SWITCH_MODE:
        idle = va * dice.uniform(0.045, 0.12)
    return _Size(va, idle, output, idle + 0.57 * output * dice.uniform(0.8, 1.3))


def _draw_rails(dice: np.random.Generator, size: _Size, rail_v: float) -> Rails:
    """Reservoirs by stored energy: 36 mJ per VA about ± a factor of two, bleeders of 10 s."""
    joule = 0.036 * size.va * math.exp(dice.uniform(-0.6, 0.7))
    farad = joule / rail_v**2
    return Rails(farad, 0.02 * (0.0047 / farad) ** 0.7, 10.3 / farad, rail_v)


def _draw_front_end(
    dice: np.random.Generator, amplifier: Amplifier, rails: Rails, size: _Size, dc_w: float
) -> FrontEnd:
    """Split the DC watts of idle between bias and small stages."""
    rail_v = rails.nominal_v
    wake_v = dice.uniform(3.0, 8.0)
    width_v = dice.uniform(4.0, 8.0)
    if amplifier is Amplifier.CLASS_D:
        wake_v, width_v = rail_v * dice.uniform(0.35, 0.6), 2.0
    total_a = max(0.2, dc_w / size.idle_w) * size.idle_w / (2.0 * (rail_v + 1.2))
    stage_a = 0.12 * total_a if amplifier is not Amplifier.VALVE else 0.05 * total_a
    stage_ohm = rail_v / (0.04 * total_a)
    bleed_a = rail_v / rails.bleeder_ohm
    bias_a = max(0.3 * total_a, total_a - stage_a - 0.04 * total_a - bleed_a)
    return FrontEnd(bias_a, wake_v, width_v, stage_a, 15.0 * rail_v / 48.0, stage_ohm)


def _draw_valves(dice: np.random.Generator, size: _Size, mains_v: float) -> ValveSet:
    watts = size.idle_w * dice.uniform(0.22, 0.42)
    cold = 1.0 / dice.uniform(5.0, 7.0)
    warm_s = dice.uniform(6.0, 12.0)
    heaters = FilamentValues(mains_v, watts, cold, 293.0 / 1100.0, warm_s * 1.1)
    with_valve = dice.random() < 0.4
    ohm = 12.0 / max(0.02, size.idle_w / 600.0) * dice.uniform(0.7, 1.4) if with_valve else 0.0
    return ValveSet(heaters, dice.uniform(4.0, 15.0), dice.uniform(0.80, 0.88), ohm)


def _draw_switch_mode(dice: np.random.Generator, size: _Size, rails: Rails, mains_v: float) -> SwitchMode:
    """Universal input, or at 230 V half of them for that range alone; bulk 1.5-3 µF per plate W at 120 V."""
    universal = mains_v < 180.0 or bool(dice.random() < 0.5)
    start_ac = dice.uniform(75.0, 90.0) * (1.0 if universal else 2.0)
    stop_ac = start_ac * dice.uniform(0.76, 0.86)
    per_watt = 3.1e-6 * dice.uniform(0.7, 1.4) * (1.0 if universal else 0.4)
    cold_ohm = (
        5.0 * (150.0 / size.plate_w) ** 0.5 * dice.uniform(0.8, 1.4) * (1.0 if mains_v < 180.0 else 2.0)
    )
    return SwitchMode(
        x_farad=float(dice.choice([0.1e-6, 0.22e-6, 0.47e-6])),
        x_bleeder_ohm=470e3,
        filter_h=300e-6,
        filter_damping_ohm=47.0,
        filter_ohm=0.35 * (150.0 / size.plate_w) ** 0.5,
        thermistor_ohm=cold_ohm,
        thermistor_b_k=3000.0,
        thermistor_k_per_w=60.0 * (150.0 / size.plate_w) ** 0.3,
        thermistor_j_per_k=0.5 * (size.plate_w / 150.0) ** 0.5,
        bulk_farad=max(47e-6, per_watt * size.plate_w),
        bulk_esr_ohm=0.15 * (150.0 / size.plate_w) ** 0.5,
        start_up_ohm=220e3,
        start_v=start_ac * math.sqrt(2.0),
        stop_v=stop_ac * math.sqrt(2.0),
        rail_v=rails.nominal_v,
        rail_farad=rails.farad * 0.2,
        standby_w=0.2 * size.idle_w,
        efficiency=0.88,
        limit_w=1.5 * size.output_w + size.idle_w,
    )


def _draw_plate(dice: np.random.Generator, size: _Size, mains_v: float, plate_va: float | None) -> Plate:
    """Half the plates in W, half in A (power factor 0.62-0.75 as the plate is measured), rounded as marked."""
    in_watts = bool(dice.random() < 0.5)
    factor = dice.uniform(0.62, 0.75)
    if plate_va is not None:
        if in_watts:
            return Plate(PlateKind.WATTS, round(0.7 * plate_va, 1))
        return Plate(PlateKind.AMPERES, round(plate_va / mains_v, 3))
    if in_watts:
        return Plate(PlateKind.WATTS, float(max(5, 5 * round(size.plate_w / 5))))
    amperes = size.plate_w / (mains_v * factor)
    return Plate(PlateKind.AMPERES, round(amperes, 1) if amperes >= 1.0 else round(amperes, 2))


def _choose_fuse(unit: Unit) -> tuple[Fuse, MainsFuse]:
    """A time-lag link of the next size above 1.3 times the plate current; melting I²t 1.5·In^2.65 A²s."""
    wanted = 1.3 * unit.rated_a
    rated = next((size for size in _FUSES_IEC if size >= wanted), _FUSES_IEC[-1])
    text = f"T{rated:g}AL250V" if rated >= 1.0 else f"T{rated * 1000:g}mAL250V"
    return Fuse(text, rated, "T", "L", "iec"), MainsFuse(rated, 1.5 * rated**2.65)
