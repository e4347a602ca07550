"""What a stretch of simulated waveform amounts to: the integrals from which every true figure follows."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Rates:
    """Means over a stretch of time (per second of it), and its largest current.

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

    def toward(self, other: "Rates", share: float) -> "Rates":
        """Linear mixture: this at share 0, the other at share 1 (beyond that extrapolated, squares kept ≥ 0)."""

        def mix(mine: float, theirs: float) -> float:
            return mine + (theirs - mine) * share

        return Rates(
            max(0.0, mix(self.i2, other.i2)),
            mix(self.i_dc, other.i_dc),
            max(0.0, mix(self.i_abs, other.i_abs)),
            max(0.0, mix(self.v2, other.v2)),
            mix(self.power_w, other.power_w),
            mix(self.plus_v, other.plus_v),
            mix(self.minus_v, other.minus_v),
            mix(self.peak_a, other.peak_a),
        )


DEAD = Rates(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
"""Nothing connected."""


def measure_stretch(currents: Floats, inlet_v: Floats, plus_v: float, minus_v: float) -> Rates:
    """Rates of a stretch of even steps.

    ``currents`` (n + 1 values, A, at the step ends) run straight between; ``inlet_v`` (n values, V) stand at
    the middle of each step.
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
