"""Plausible mains transformers, drawn by rating and core.

Ranges: no-load current of rated, toroidal 0.5-4 % with a sharp knee at 1.08-1.35 of the design flux, frame
5-15 % (below 50 VA 20-50 %) with a power law of 7-10; iron loss toroidal 0.3-1 %, frame 2-8 % of the rating;
remanence toroidal 0.6-0.8, frame 0.2-0.4 (common practice, no source). Regulation and leakage are scaled from
a 300 VA toroid of 5 % (ours).
"""

import math
from dataclasses import replace

import numpy as np

from benchlog.model.unit import Core
from benchlog_drivers.simulated.transformer import Magnetising, TransformerValues, design_flux_vs

SMALL_FRAME_VA = 50.0


def draw_magnetising(
    dice: np.random.Generator, core: Core, va: float, volts: float, hertz: float, idle_w: float
) -> tuple[Magnetising, float]:
    """A magnetising branch and its core-loss resistance (Ω) for a primary of ``volts`` at ``hertz``.

    Of the idle watts at most half are iron loss.
    """
    rated_a, base_ohm, omega = va / volts, volts**2 / va, 2.0 * math.pi * hertz
    design = design_flux_vs(volts, hertz)
    if core is Core.TOROIDAL:
        no_load, loss = dice.uniform(0.005, 0.04), dice.uniform(0.003, 0.01)
        knee, remanence = dice.uniform(1.08, 1.35), dice.uniform(0.6, 0.8)
        share, power, air = dice.uniform(0.2, 0.5), 0.0, 0.039 * dice.uniform(0.8, 1.3)
    else:
        no_load = dice.uniform(0.20, 0.50) if va < SMALL_FRAME_VA else dice.uniform(0.05, 0.15)
        loss, knee, remanence = dice.uniform(0.02, 0.08), 1.17, dice.uniform(0.2, 0.4)
        share, power, air = dice.uniform(0.5, 0.7), dice.uniform(7.0, 10.0), 0.08 * dice.uniform(0.8, 1.3)
    loss = min(loss, 0.7 * no_load, 0.5 * idle_w / va)
    target_a = math.sqrt(no_load**2 - loss**2) * rated_a
    air_h = air * base_ohm / omega
    iron = Magnetising(design, 1.0, air_h, knee, 0.03, power, 0.0, remanence)
    iron = _bend(iron, share * math.sqrt(2.0) * target_a)
    return _fit_main(iron, target_a), base_ohm / loss


def _bend(iron: Magnetising, peak_a: float) -> Magnetising:
    """Give the curve a bend of ``peak_a`` (A) at the design flux."""
    if iron.power > 0.0:
        return replace(iron, power_a=2.0 * peak_a)
    low, high = 0.002, 0.2
    for _ in range(40):
        width = 0.5 * (low + high)
        here = float(replace(iron, knee_width=width).excess_a(np.array([iron.design_vs]))[0])
        low, high = (low, width) if here > peak_a else (width, high)
    return replace(iron, knee_width=low)


def _fit_main(iron: Magnetising, target_a: float) -> Magnetising:
    """Choose the unsaturated inductance so that the no-load magnetising current is ``target_a`` r.m.s."""
    low, high = 1e-3, 1e5
    for _ in range(60):
        middle = math.sqrt(low * high)
        over = replace(iron, main_h=middle).no_load_rms_a() > target_a
        low, high = (middle, high) if over else (low, middle)
    return replace(iron, main_h=high)


def draw_transformer(
    dice: np.random.Generator,
    core: Core,
    va: float,
    volts: float,
    hertz: float,
    rail_v: float,
    idle_w: float,
) -> TransformerValues:
    """A transformer of ``va`` for ``volts`` at ``hertz``; a split supply on it gives about ±``rail_v``."""
    iron, loss_ohm = draw_magnetising(dice, core, va, volts, hertz, idle_w)
    base_ohm, omega = volts**2 / va, 2.0 * math.pi * hertz
    regulation = 0.05 * (300.0 / va) ** 0.3 * dice.uniform(0.85, 1.25)
    leak = 0.0039
    if core is Core.FRAME:
        regulation *= 1.3
        leak *= 3.0
    ratio = (1.02 * rail_v + 0.9) / (math.sqrt(2.0) * volts)
    half = 0.5 * regulation * base_ohm
    return TransformerValues(
        va=va,
        primary_ohm=half,
        primary_leak_h=leak * base_ohm / omega,
        ratio=ratio,
        secondary_ohm=half * 2.0 * ratio**2,
        secondary_leak_h=leak * 0.5 * base_ohm / omega * ratio**2,
        core_loss_ohm=loss_ohm,
        magnetising=iron,
    )
