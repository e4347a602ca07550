"""Idle currents and watts of a simulated unit at the steps of its plan, as several meters would read them.

    stair(params, unit, meter_seed, fractions) -> [Point, ...]

The unit stands on a stiff programmed source; each step is waited for as long as currents take to settle, and
the mean of a last second of readings is kept. No limit watch runs: what is wanted is the whole curve.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np

from benchlog.bringup.plan import make_plan
from benchlog.model.role import Role
from benchlog.model.unit import Amplifier, Unit
from benchlog_drivers.simulated.aperture import Averages, Collector, Truth
from benchlog_drivers.simulated.make import bench_file, source_impedance
from benchlog_drivers.simulated.meters import NOISE_COUNTS, displayed, draw_errors, sensed
from benchlog_drivers.simulated.options import make_options
from benchlog_drivers.simulated.sheets import InstrumentSheet, MeterKind, instruments
from benchlog_drivers.simulated.unit import SimulatedUnit
from benchlog_drivers.simulated.unit_params import UnitParams

SETS = {
    "bench": (MeterKind.BENCH, 1),
    "handheld": (MeterKind.HANDHELD, 1),
    "clamp, 1 turn": (MeterKind.CLAMP, 1),
    "clamp, 5 turns": (MeterKind.CLAMP, 5),
}
WAIT_S, WAIT_VALVE_S = 14.0, 45.0
_PIECE_S = 0.1
_READ_PIECES = 12
_WAIT_PIECE_S = 0.25
_KEPT = (Role.SOURCE_CURRENT, Role.SOURCE_POWER, Role.INLET_VOLTAGE)
OUTPUTS = (Role.RAIL_PLUS, Role.RAIL_MINUS, Role.OUTPUT_DC)


@dataclass(frozen=True, slots=True)
class Point:
    """One step: inlet volts ÷ nominal and watts as the bench meter reads them, amperes by meter set."""

    fraction: float
    power_w: float
    current_a: dict[str, float]
    true_a: float = 0.0
    true_w: float = 0.0
    outputs_v: dict[Role, float] = field(default_factory=dict)
    """Rails and output DC as the bench meter reads them."""


def sheets() -> dict[str, InstrumentSheet]:
    """The instrument that reads the current, by set."""
    return {name: instruments(*kind)[0] for name, kind in SETS.items()}


def plan_fractions(unit: Unit) -> list[float]:
    """The fractions of mains that the plan of a unit goes to."""
    bench = bench_file(make_options(mains_v=unit.mains_v, meters=MeterKind.BENCH))
    by_role = {role: entry.sheet for entry in bench.instrument for role in entry.roles}
    return [step.fraction for step in make_plan(unit, by_role, _KEPT, hand_set=False).steps]


def stair(params: UnitParams, unit: Unit, meter_seed: int, fractions: Sequence[float]) -> list[Point]:
    """Currents (A) and watts at each fraction, rising; the meters' errors are drawn by ``meter_seed``."""
    source = source_impedance(make_options(mains_v=unit.mains_v))
    return list(climb(SimulatedUnit(params, source=source), unit, meter_seed, fractions))


def climb(physics: SimulatedUnit, unit: Unit, meter_seed: int, fractions: Sequence[float]) -> Iterator[Point]:
    """The same of a unit as it stands, step by step: whoever has seen enough stops asking."""
    noise = np.random.default_rng([meter_seed, 9])
    wait_s = WAIT_VALVE_S if unit.amplifier is Amplifier.VALVE else WAIT_S
    for fraction in fractions:
        physics.set_source(fraction * unit.mains_v, True)
        for _ in range(round((wait_s - _READ_PIECES * _PIECE_S) / _WAIT_PIECE_S)):
            physics.advance(_WAIT_PIECE_S)
        parts = [physics.advance(_PIECE_S) for _ in range(_READ_PIECES)]
        yield _point(parts, unit.mains_v, meter_seed, noise)


def _point(parts: Sequence[Averages], mains_v: float, meter_seed: int, noise: np.random.Generator) -> Point:
    names = sheets()
    amperes = {
        name: read(parts, sheet, Role.SOURCE_CURRENT, meter_seed, name, noise) / sheet.turns
        for name, sheet in names.items()
    }
    watts, volts, *outputs = (
        read(parts, names["bench"], role, meter_seed, "bench", noise) for role in (*_KEPT[1:], *OUTPUTS)
    )
    true = truth(parts)
    by_role = dict(zip(OUTPUTS, outputs, strict=True))
    return Point(volts / mains_v, watts, amperes, true.current_rms_a, true.power_w, by_role)


def truth(parts: Sequence[Averages]) -> Truth:
    """The true averages over some pieces."""
    collector = Collector()
    for part in parts:
        collector.add(part, _PIECE_S)
    return collector.truth()


def read(
    parts: Sequence[Averages], sheet: InstrumentSheet, role: Role, seed: int, name: str,
    noise: np.random.Generator,
) -> float:  # fmt: skip
    """Mean of the readings of one channel over the pieces, with the errors that the seed draws for it."""
    accuracy = next(c.accuracy for c in sheet.channels if c.role is role)
    draw, size = draw_errors(accuracy, seed, name, role), round(sheet.aperture_s / _PIECE_S)
    readings = [
        displayed(
            sensed(truth(parts[k : k + size]), role, sheet, accuracy.range or 1e9),
            accuracy, draw, NOISE_COUNTS * float(noise.standard_normal()),
        )
        for k in range(0, len(parts) - size + 1, size)
    ]  # fmt: skip
    return sum(readings) / len(readings)
