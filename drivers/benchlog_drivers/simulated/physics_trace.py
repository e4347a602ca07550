"""What a stretch of simulated waveform amounts to: the means from which every true figure follows."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Rates:
    """Means over a stretch of time, and its largest current.

    ``i2`` A², ``i_dc`` A, ``i_abs`` A, ``v2`` V², ``power_w`` W, ``plus_v`` and ``minus_v`` the reservoirs'
    mean voltages in V (minus below zero), ``peak_a`` the largest magnitude with its sign.
    """

    i2: float
    i_dc: float
    i_abs: float
    v2: float
    power_w: float
    plus_v: float
    minus_v: float
    peak_a: float

    def moved(self, start: "Rates", end: "Rates", share: float) -> "Rates":
        """These rates plus ``share`` of the way from ``start`` to ``end``.

        Extrapolated figures stay possible: squares are kept ≥ 0 and the power within volt-amperes.
        """
        i2 = max(0.0, self.i2 + share * (end.i2 - start.i2))
        v2 = max(0.0, self.v2 + share * (end.v2 - start.v2))
        power_w, most_w = self.power_w + share * (end.power_w - start.power_w), math.sqrt(i2 * v2)
        return Rates(
            i2,
            self.i_dc + share * (end.i_dc - start.i_dc),
            min(math.sqrt(i2), max(0.0, self.i_abs + share * (end.i_abs - start.i_abs))),
            v2,
            min(most_w, max(-most_w, power_w)),
            self.plus_v + share * (end.plus_v - start.plus_v),
            self.minus_v + share * (end.minus_v - start.minus_v),
            self.peak_a + share * (end.peak_a - start.peak_a),
        )


NOTHING = Rates(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
"""No voltage, no current."""


def merge(parts: Sequence[tuple[float, Rates]]) -> Rates:
    """Rates over consecutive parts, each with its duration as weight (any unit); at least one part."""
    total, merged = parts[0]
    for weight, rates in parts[1:]:
        total += weight
        share = weight / total
        mine = 1.0 - share
        merged = Rates(
            mine * merged.i2 + share * rates.i2,
            mine * merged.i_dc + share * rates.i_dc,
            mine * merged.i_abs + share * rates.i_abs,
            mine * merged.v2 + share * rates.v2,
            mine * merged.power_w + share * rates.power_w,
            mine * merged.plus_v + share * rates.plus_v,
            mine * merged.minus_v + share * rates.minus_v,
            merged.peak_a if abs(merged.peak_a) >= abs(rates.peak_a) else rates.peak_a,
        )
    return merged


def measure_stretch(currents: Floats, inlet_v: Floats, plus_v: float, minus_v: float) -> Rates:
    """Rates of a stretch of even steps.

    ``currents`` (n + 1 values, A, at the step ends) run straight between; ``inlet_v`` (n values, V) stand at
    the middle of each step; the rails' means (V) are passed on.
    """
    first, second = currents[:-1], currents[1:]
    middle = 0.5 * (first + second)
    square = float(np.dot(first, first) + np.dot(first, second) + np.dot(second, second)) / 3.0
    count = len(inlet_v)
    high, low = float(currents.max()), float(currents.min())
    return Rates(
        square / count,
        float(middle.sum()) / count,
        float(np.abs(middle).sum()) / count,
        float(np.dot(inlet_v, inlet_v)) / count,
        float(np.dot(inlet_v, middle)) / count,
        plus_v,
        minus_v,
        high if high >= -low else low,
    )
