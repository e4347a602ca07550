"""The same component values as in the netlists, as simulated units; and their figures after one switch-on."""

import math
from dataclasses import replace

from benchlog.model.unit import Amplifier, Core, Supply
from benchlog_drivers.simulated.faults import Fault
from benchlog_drivers.simulated.lamp import FilamentValues
from benchlog_drivers.simulated.transformer import Magnetising, TransformerValues, design_flux_vs
from benchlog_drivers.simulated.unit import Aperture, SimulatedUnit
from benchlog_drivers.simulated.unit_params import (
    Diode,
    FaultValues,
    FrontEnd,
    MainsFuse,
    Rails,
    SourceImpedance,
    SwitchMode,
    UnitParams,
    ValveSet,
    Warmth,
)

LOOSE_FUSE = MainsFuse(1000.0, 1e9)
"""The netlists have no fuse."""


def toroid(mains_v: float) -> UnitParams:
    """300 VA toroid, rails of 48 V, class AB of 90 mA, 120 V 60 Hz or 230 V 50 Hz."""
    low = mains_v < 180.0
    hertz = 60.0 if low else 50.0
    iron = Magnetising(
        design_flux_vs(mains_v, hertz),
        12.0 if low else 46.0,
        0.005 if low else 0.018,
        1.17,
        0.035,
        remanence=0.5,
    )
    transformer = TransformerValues(
        va=300.0,
        primary_ohm=1.2 if low else 4.4,
        primary_leak_h=0.5e-3 if low else 1.8e-3,
        ratio=0.2916667 if low else 0.1521739,
        secondary_ohm=0.2,
        secondary_leak_h=20e-6,
        core_loss_ohm=4800.0 if low else 17600.0,
        magnetising=iron,
    )
    faults = FaultValues(
        rail_short_ohm=1.0,
        device_ohm=1.5,
        device_wake_v=7.0,
        device_limit_a=math.inf,
        device_sign=1,
        bias_factor=3.0,
        leak_ohm=330.0,
        leak_a=1e-3,
        leak_v=9.0,
        reform_a=8e-3,
        reform_v=15.0,
        turns_ohm=96.0,
        open_rail=1,
        soft_start_ohm=12.0,
        tap_share=100.0 / 120.0,
        runaway_gain=1.1,
        runaway_tau_s=42.0,
    )
    return UnitParams(
        amplifier=Amplifier.CLASS_AB,
        supply=Supply.LINEAR,
        core=Core.TOROIDAL,
        mains_v=mains_v,
        mains_hz=hertz,
        seed=1,
        transformer=transformer,
        diode=Diode(),
        rails=Rails(4.7e-3, 0.02, 2200.0, 47.6),
        front_end=FrontEnd(0.09, 5.0, 6.0, 0.025, 15.0, 6800.0),
        warmth=Warmth(0.0, 100.0),
        faults=faults,
        fuse=LOOSE_FUSE,
        start_flux=0.5,
    )


def class_a_frame() -> UnitParams:
    """Class A of 1.2 A bias at 230 V on a frame core with a power law of 8."""
    base = toroid(230.0)
    iron = Magnetising(design_flux_vs(230.0, 50.0), 9.0, 0.04, power=8.0, power_a=0.2, remanence=0.5)
    core = replace(base.transformer, primary_leak_h=8e-3, core_loss_ohm=2600.0, magnetising=iron)
    front = replace(base.front_end, bias_a=1.2)
    rails = replace(base.rails, farad=15e-3)
    return replace(
        base, amplifier=Amplifier.CLASS_A, core=Core.FRAME, transformer=core, front_end=front, rails=rails
    )


def switch_mode() -> UnitParams:
    """Switch-mode supply of constant 14 W at 120 V, nothing on its rails."""
    supply = SwitchMode(
        x_farad=0.1e-6,
        x_bleeder_ohm=470e3,
        filter_h=300e-6,
        filter_ohm=0.35,
        thermistor_ohm=5.0,
        thermistor_b_k=3000.0,
        thermistor_k_per_w=60.0,
        thermistor_j_per_k=0.5,
        bulk_farad=470e-6,
        bulk_esr_ohm=0.15,
        start_up_ohm=220e3,
        start_v=100.0,
        stop_v=75.0,
        rail_v=1e-3,
        rail_farad=1e-9,
        standby_w=14.0,
        efficiency=1.0,
        limit_w=1e6,
    )
    return replace(toroid(120.0), supply=Supply.SWITCH_MODE, switch_mode=supply)


def valve() -> UnitParams:
    """Valve amplifier at 120 V, silicon diodes, HT 400 V, heaters of 40 W, cathodes always hot."""
    base = toroid(120.0)
    transformer = replace(base.transformer, ratio=1.3, secondary_ohm=8.0, secondary_leak_h=0.8e-3)
    heaters = FilamentValues(120.0, 40.0, 1.0 / 6.0, 293.0 / 1100.0, 1e6)
    return replace(
        base,
        amplifier=Amplifier.VALVE,
        transformer=transformer,
        rails=Rails(120e-6, 1.0, 110e3, 200.0),
        front_end=FrontEnd(0.18, 5.0, 6.0, 0.01, 75.0, 1e12),
        valves=ValveSet(heaters, 1e6, -5.0, 0.0),
    )


def build(name: str) -> SimulatedUnit:
    """The unit of a netlist, behind the same source."""
    fault = Fault.NONE
    for candidate in Fault:
        if name.startswith(candidate.replace("-", "_")):
            fault = candidate
    params = toroid(230.0 if name.endswith("230") else 120.0)
    if name.startswith("soft_start"):
        fault = Fault.SOFT_START_STUCK
    if name.startswith("class_a"):
        params = class_a_frame()
    if name.startswith("switch_mode"):
        params = switch_mode()
    if name.startswith("valve"):
        params = valve()
    source = SourceImpedance(0.6, 0.4e-3) if params.mains_v < 180.0 else SourceImpedance(1.8, 1.2e-3)
    return SimulatedUnit(params, fault, lamp_w=100.0 if name.startswith("lamp") else None, source=source)


def switch_on(name: str, fraction: float, degrees: int) -> dict[str, float]:
    """The figures that the netlist measures, from the simulated unit."""
    unit = build(name)
    if unit.load.heaters is not None:
        # Warm at this voltage: radiation as the fourth power, cold 1/6 of hot.
        unit.load.heaters.temperature = fraction ** (2.0 / (4.0 + 1.354))
    unit.set_source(fraction * unit.params.mains_v, True, float(degrees))
    parts = [unit.advance(0.1) for _ in range(10)]
    peak = max((part.current_peak_a for part in parts), key=abs)
    settled = parts[8:]
    return {
        "peak_a": peak,
        "i2t_100ms_a2s": parts[0].current_rms_a ** 2 * parts[0].seconds,
        "rms_a": math.sqrt(_mean(settled, "current_rms_a", 2)),
        "power_w": _mean(settled, "power_w", 1),
        "inlet_v": math.sqrt(_mean(settled, "voltage_rms_v", 2)),
        "plus_v": _mean(settled, "reservoir_plus_v", 1),
        "minus_v": _mean(settled, "reservoir_minus_v", 1),
    }


def _mean(parts: list[Aperture], name: str, power: int) -> float:
    return sum(getattr(part, name) ** power for part in parts) / len(parts)
