"""Calibration of an input by the bench's own meter, and whether it still holds.

    fit_level(points) -> Level                       what full scale stands for, by two loads or more
    input_delay(v, i, rate_hz, mains_hz) -> Delay    by how much the current comes late, on a resistive load
    nominal_scale(full_scale_v, ...) -> float        the same from the sensor's figures
    LevelWatch(u_fraction)                           the ratio against the meter while the bench is in use
    looks_swapped(...) -> bool                       voltage on the current's input and the other way round
    noise_floor(x) -> float                          r.m.s. of an input with nothing on it

The meter's own error is common to all points and does not average out: its fractions are added with the
weights of the points (full correlation, JCGM 100:2008, 5.2.2 note 1); scatter, and what the points disagree
by, come on top as independent contributions.
"""

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from benchlog.measure.crossings import Samples
from benchlog.measure.student import t95
from benchlog.model.errors import UsageError

LEAST_RATIO = 1.8
"""The larger of the loads draws at least so many times the current of the smaller."""
LEAST_RMS = 0.002
"""R.m.s. of digital full scale below which a load is too small to calibrate with."""
AGREE = 3.0
"""The points may disagree by so many times their scatter and the meter's counts before it is told."""


@dataclass(frozen=True, slots=True)
class Point:
    """One steady load: what input and meter said of it meanwhile."""

    raw: float
    """R.m.s. of digital full scale (low frequencies put back), mean over the load."""
    raw_scatter: float
    """Standard uncertainty of that mean."""
    meter: float
    meter_u: float
    """Expanded uncertainty of the meter's mean, in its unit."""
    meter_counts_u: float = 0.0
    """The part of it that is not a fraction of reading."""


@dataclass(frozen=True, slots=True)
class Level:
    """What digital full scale stands for."""

    per_full_scale: float
    u_fraction: float
    """Expanded uncertainty, as a fraction."""
    spread: float
    """Largest departure of a point from it, as a fraction."""


def nominal_scale(full_scale_v: float, ratio: float, burden_ohm: float | None, turns: int = 1) -> float:
    """Amperes (or volts) for digital full scale from the figures of sensor and input.

    ``full_scale_v`` peak volts at the input for full scale. With a burden: a current transformer of
    ``ratio`` : 1 loaded with so many ohms, ``turns`` of the conductor through it. Without one: a sensor that
    gives 1/``ratio`` volts a unit. `UsageError` where a figure is not above zero.
    """
    if not (full_scale_v > 0.0 and ratio > 0.0 and turns >= 1 and (burden_ohm is None or burden_ohm > 0.0)):
        raise UsageError("Full scale, ratio, burden and turns of a sensor must be above zero.")
    return full_scale_v * ratio / ((1.0 if burden_ohm is None else burden_ohm) * turns)


def fit_level(points: Sequence[Point]) -> Level:
    """What full scale stands for, from two steady loads or more.

    `UsageError` says what is wrong: too few loads, too much alike, too small, or not in proportion (a
    sensor that saturates, a gain that was moved in between, an input that is not the one meant).
    """
    _check(points)
    raw = np.array([p.raw for p in points])
    meter = np.array([p.meter for p in points])
    own = np.array([math.hypot(p.raw_scatter / p.raw, p.meter_counts_u / (2.0 * p.meter)) for p in points])
    own = np.maximum(own, 1e-6)
    weights = own**-2.0 / float((own**-2.0).sum())
    scales = meter / raw
    scale = float(weights @ scales)
    off = scales / scale - 1.0
    worst = int(np.argmax(np.abs(off)))
    if abs(off[worst]) > AGREE * math.hypot(float(own[worst]), float(own.min())) + 0.005:
        raise UsageError(
            f"The loads are not in proportion: {meter[worst]:.4g} on the meter gives {off[worst]:+.1%} "
            "against the others. The sensor saturates, the gain was moved in between, or this is not the "
            "input meant. Lock the gain and calibrate again."
        )
    fractions = np.array([p.meter_u / p.meter for p in points])
    common = float(weights @ fractions)
    spread = float(np.abs(off).max())
    dof = len(points) - 1
    scatter = t95(float(dof)) * spread / math.sqrt(len(points)) if dof < 4 else 2.0 * spread
    scatter = min(scatter, 2.0 * spread)
    raw_u = 2.0 * math.sqrt(float(np.square(weights * [p.raw_scatter / p.raw for p in points]).sum()))
    return Level(scale, math.sqrt(common**2 + scatter**2 + raw_u**2), spread)


def fit_one(point: Point) -> Level:
    """The same from one load, for a quantity that does not change from load to load (the voltage).

    `UsageError` where it is too small. Nothing tells then whether the input is in proportion.
    """
    if not (point.raw >= LEAST_RMS and point.meter > 0.0):
        raise UsageError(
            f"The input gives {point.raw:.2%} of full scale at {point.meter:.4g} on the meter: too little to "
            "calibrate with. Check sensor, lead and gain."
        )
    own = 2.0 * point.raw_scatter / point.raw
    return Level(point.meter / point.raw, math.hypot(point.meter_u / point.meter, own), 0.0)


def _check(points: Sequence[Point]) -> None:
    if len(points) < 2:
        raise UsageError("Calibrating needs two loads: a lamp, and a larger one (two lamps).")
    for p in points:
        if not (p.raw >= LEAST_RMS and p.meter > 0.0):
            raise UsageError(
                f"A load gives {p.raw:.2%} of full scale at {p.meter:.4g} on the meter: too little to "
                "calibrate with. Use a larger load, more turns, or more gain."
            )
    smallest, largest = min(p.meter for p in points), max(p.meter for p in points)
    if largest < LEAST_RATIO * smallest:
        raise UsageError(
            f"The loads are too much alike ({smallest:.4g} and {largest:.4g}). Take one that draws about "
            "twice as much."
        )


@dataclass(frozen=True, slots=True)
class Delay:
    """By how much the current comes late against the voltage, and its expanded uncertainty."""

    seconds: float
    u_s: float


def input_delay(v: Samples, i: Samples, rate_hz: float, mains_hz: float) -> Delay:
    """How late the current's input is, from a resistive load (lamp, heater), low frequencies put back.

    Fundamentals of whole cycles (at least five) are compared; the scatter of the cycles gives the
    uncertainty. `UsageError` where there are fewer, or nothing in either input.
    """
    period = rate_hz / mains_hz
    count = int(len(v) / period)
    if count < 5:
        raise UsageError("The phase between the inputs needs at least five cycles of a resistive load.")
    angles = []
    for k in range(count):
        begin = round(k * period)
        n = np.arange(begin, begin + round(period))
        turn = np.exp(-2j * math.pi * n / period)
        a, b = np.dot(v[n].astype(np.float64), turn), np.dot(i[n].astype(np.float64), turn)
        if not (abs(a) > 0.0 and abs(b) > 0.0):
            raise UsageError("One of the inputs is silent: there is no phase to measure. Check its lead.")
        angles.append(np.angle(a / b))
    middle = np.unwrap(np.array(angles))
    seconds = middle / (2.0 * math.pi * mains_hz)
    spread = float(np.std(seconds, ddof=1)) / math.sqrt(count)
    return Delay(float(seconds.mean()), t95(float(count - 1)) * spread)


def noise_floor(x: Samples) -> float:
    """R.m.s. of an input about its own zero, in its unit."""
    return float(np.std(x, dtype=np.float64))


def looks_swapped(
    raw_v: float, raw_i: float, volts: float, amperes: float, per_v: float, per_i: float
) -> bool:
    """Whether voltage and current stand on each other's inputs, by what the bench's meters read.

    ``raw_v``, ``raw_i`` r.m.s. of digital full scale; ``volts``, ``amperes`` of the meters; ``per_…`` what
    full scale stands for. True where both are off by more than two fifths as they are and neither is when
    they are exchanged.
    """
    as_is = (raw_v * per_v, raw_i * per_i)
    exchanged = (raw_i * per_v, raw_v * per_i)
    meters = (volts, amperes)
    if min(meters) <= 0.0:
        return False

    def off(pair: tuple[float, float]) -> list[float]:
        return [abs(math.log(max(a, 1e-12) / b)) for a, b in zip(pair, meters, strict=True)]

    return min(off(as_is)) > math.log(1.4) > max(off(exchanged))


class LevelWatch:
    """Follows the ratio of the input to the bench's meter; a moved gain knob shows as a changed ratio."""

    def __init__(self, u_fraction: float, readings: int = 5) -> None:
        """``u_fraction``: expanded uncertainty of the input's scale; ``readings`` that must agree."""
        self._u = u_fraction
        self._ratios: deque[float] = deque(maxlen=readings)

    def take(self, own: float, meter: float, meter_u: float) -> float | None:
        """One pair over the same time; the ratio where it is off by more than both can be, else None.

        ``own`` and ``meter`` in one unit, ``meter_u`` the meter's expanded uncertainty. Small readings, of
        which the meter itself is not sure to a tenth, say nothing.
        """
        if not meter > 0.0 or meter_u > 0.1 * meter:
            self._ratios.clear()
            return None
        self._ratios.append(own / meter)
        if len(self._ratios) < (self._ratios.maxlen or 0):
            return None
        ratio = float(np.median(self._ratios))
        allowed = math.hypot(self._u, meter_u / meter) + 0.03
        off = all(abs(one / ratio - 1.0) < 0.02 for one in self._ratios) and abs(ratio - 1.0) > allowed
        return ratio if off else None
