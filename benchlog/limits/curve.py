"""The idle current that a nameplate lets one expect at a fraction v of nominal mains voltage.

    expect(unit) -> Expectation            the constants of one unit
    load_a(e, v) -> float                  I_L(v): what the supply and the amplifier draw
    magnetising_a(e, v) -> float           Im(v): what the core draws
    nameplate_a(e, v) -> float             1.25·√(Im² + I_L²)
    maker_a(e, v) -> float | None          the curve scaled to the maker's idle figure, × 1.15

All currents are r.m.s. amperes; v is dimensionless and may be any number from 0 up. Source: ours, tried on
simulated units; class D and switch-mode supplies are untried.
"""

import math
from bisect import bisect_right
from dataclasses import dataclass

from benchlog.model.unit import Amplifier, Core, Supply, Unit

_V = (0.0, 0.05, 0.10, 0.15, 0.20, 0.30, 0.50, 1.0)
_S = (0.05, 0.12, 0.23, 0.37, 0.46, 0.60, 0.76, 1.0)
_IDLE_SHARE = {
    Amplifier.CLASS_AB: 0.335,
    Amplifier.CLASS_D: 0.325,
    Amplifier.CLASS_A: 1.0,
    Amplifier.VALVE: 0.85,
}
_IDLE_POWER_FACTOR = {Amplifier.CLASS_A: 0.7, Amplifier.VALVE: 0.8}

X_FARAD = 0.47e-6
"""X-capacitors of a switch-mode supply: 34 mA at 230 V 50 Hz, 21 mA at 120 V 60 Hz (usual sizes, ours)."""
STRETCH_VA = 170.0
"""Plate from which larger units count as waking earlier. A plate states little more than half of its
transformer's rating; with 300 VA here and 0.325 of Ir as idle current, 5 of 1500 good class AB units drew
more than their stop limit on the way up, by 16 % at most; now none (ours)."""
SWITCH_MODE_START = 0.5
"""Fraction below which a switch-mode supply for one mains voltage is expected not to run."""
UNIVERSAL_START_V = 70.0
"""Volts from which a supply for all mains voltages may run: they start at 75-90 V and stop at 60-75 V
(common practice, no source). Without it a dial turned up at 230 V cut off 29 of 160
good ones on its way (ours)."""


@dataclass(frozen=True, slots=True)
class Expectation:
    """Constants of the expected idle current of one unit. Currents in A."""

    rated_a: float
    idle_a: float
    core_share: float
    """m: no-load current of the core as a share of the rated current."""
    stretch: float
    """v′ ÷ v."""
    switch_mode: bool
    start: float
    """Fraction from which a switch-mode supply may run."""
    x_a: float
    """What X-capacitors of a switch-mode supply draw at nominal voltage; 0 elsewhere."""
    valve: bool
    maker_a: float | None
    """The maker's idle figure, or None."""


def idle_share(s_v: float) -> float:
    """Share s(v′) of the full idle current that flows at v′, 0.05 at rest and 1 from v′ = 1 on."""
    if s_v >= 1.0:
        return 1.0
    k = bisect_right(_V, s_v) - 1
    if k < 0:
        return _S[0]
    return _S[k] + (_S[k + 1] - _S[k]) * (s_v - _V[k]) / (_V[k + 1] - _V[k])


def core_share(unit: Unit) -> float:
    """m of the core: 0.02 toroidal, 0.10 frame, below 50 VA 0.35 (class D 0.50); unknown counts as frame.

    A switch-mode supply has no mains core: 0.
    """
    if unit.supply is Supply.SWITCH_MODE:
        return 0.0
    if unit.core is Core.TOROIDAL:
        return 0.02
    if unit.plate_va >= 50.0:
        return 0.10
    # A class D plate states about half of what the same transformer would carry in class AB.
    return 0.50 if unit.amplifier is Amplifier.CLASS_D else 0.35


def maker_idle_a(unit: Unit) -> float | None:
    """The maker's idle figure in A: as stated, or from its watts; None where there is none.

    √((watts ÷ (V·0.6))² + Im²), class A 0.7, valve 0.8. Im is what the core draws at nominal, or a
    switch-mode supply's X-capacitors: at a right angle to the watts, so that a figure in watts leaves it out.
    On a small frame core it is the larger part (ours).
    """
    if unit.idle_a is not None:
        return unit.idle_a
    if unit.idle_w is None:
        return None
    by_watts = unit.idle_w / (unit.mains_v * _IDLE_POWER_FACTOR.get(unit.amplifier, 0.6))
    return math.hypot(by_watts, unit.rated_a * core_share(unit) + _x_capacitor_a(unit))


def expect(unit: Unit) -> Expectation:
    """Work out the constants once a unit. `UsageError` where the unit has no nameplate figure."""
    valve = unit.amplifier is Amplifier.VALVE
    return Expectation(
        rated_a=unit.rated_a,
        idle_a=_IDLE_SHARE[unit.amplifier] * unit.rated_a,
        core_share=core_share(unit),
        stretch=1.0 if valve else min(max(math.sqrt(unit.plate_va / STRETCH_VA), 1.0), 1.5),
        switch_mode=unit.supply is Supply.SWITCH_MODE,
        start=min(SWITCH_MODE_START, UNIVERSAL_START_V / unit.mains_v),
        x_a=_x_capacitor_a(unit),
        valve=valve,
        maker_a=maker_idle_a(unit),
    )


def _x_capacitor_a(unit: Unit) -> float:
    """2π·f·C·V of the largest usual X-capacitors: they draw at any load, at a right angle to the rest."""
    if unit.supply is not Supply.SWITCH_MODE:
        return 0.0
    return 2.0 * math.pi * unit.mains_hz * X_FARAD * unit.mains_v


def load_a(e: Expectation, v: float) -> float:
    """I_L(v). Switch-mode: nothing below half voltage or 70 V, above it I_idle/v, the same power at any v."""
    if e.switch_mode:
        return 0.0 if v < e.start else e.idle_a / v
    load = e.idle_a * idle_share(v * e.stretch)
    return max(load, 0.45 * e.rated_a * v**0.55) if e.valve and v > 0.0 else load


def magnetising_a(e: Expectation, v: float) -> float:
    """Im(v) = Ir·m·(0.4·v + 0.6·v⁸); of a switch-mode supply its X-capacitors, ∝ v."""
    return e.rated_a * e.core_share * (0.4 * v + 0.6 * v**8) + e.x_a * v


def expected_a(e: Expectation, v: float) -> float:
    """√(Im² + I_L²), before any allowance."""
    return math.hypot(magnetising_a(e, v), load_a(e, v))


def nameplate_a(e: Expectation, v: float) -> float:
    """The nameplate row of the acceptance limit: 1.25·√(Im² + I_L²)."""
    return 1.25 * expected_a(e, v)


def maker_a(e: Expectation, v: float) -> float | None:
    """The maker's row of the acceptance limit: the curve scaled to the maker's figure at v = 1, × 1.15."""
    if e.maker_a is None:
        return None
    return 1.15 * e.maker_a * expected_a(e, v) / expected_a(e, 1.0)
