"""What a meter could know of one aperture: true averages of the unit's terminals over a stretch of time."""

import math
from typing import Protocol

import msgspec


class Averages(Protocol):
    """What the physics gives for one stretch of time (SI units; r.m.s., means and a peak over it)."""

    @property
    def current_rms_a(self) -> float: ...  # noqa: D102
    @property
    def current_ac_rms_a(self) -> float: ...  # noqa: D102
    @property
    def current_dc_a(self) -> float: ...  # noqa: D102
    @property
    def current_peak_a(self) -> float: ...  # noqa: D102
    @property
    def current_rectified_mean_a(self) -> float: ...  # noqa: D102
    @property
    def voltage_rms_v(self) -> float: ...  # noqa: D102
    @property
    def power_w(self) -> float: ...  # noqa: D102
    @property
    def rail_plus_v(self) -> float: ...  # noqa: D102
    @property
    def rail_minus_v(self) -> float: ...  # noqa: D102
    @property
    def output_dc_v(self) -> float: ...  # noqa: D102
    @property
    def heatsink_c(self) -> float: ...  # noqa: D102
    @property
    def bias_a(self) -> float: ...  # noqa: D102


class Truth(msgspec.Struct, frozen=True):
    """True values over one whole aperture of a meter, in SI units."""

    current_rms_a: float
    current_ac_rms_a: float
    current_dc_a: float
    current_peak_a: float
    current_rectified_mean_a: float
    voltage_rms_v: float
    power_w: float
    rail_plus_v: float
    rail_minus_v: float
    output_dc_v: float
    heatsink_c: float
    bias_a: float

    destroyed: bool = False
    """Whether a part of the unit has been destroyed by the end of it."""


def truth_of(part: Averages, destroyed: bool = False) -> Truth:
    """The same figures as a `Truth`."""
    values = {name: getattr(part, name) for name in Truth.__struct_fields__ if name != "destroyed"}
    return Truth(**values, destroyed=destroyed)


class Collector:
    """Adds up stretches of unequal length into one aperture.

    Squares and means are weighted with time, so that an r.m.s. over two stretches is the r.m.s. of both.
    """

    __slots__ = ("_dc", "_i2", "_mean", "_peak", "_v2", "seconds")

    def __init__(self) -> None:
        """Begin empty."""
        self.clear()

    def clear(self) -> None:
        """Forget everything."""
        self.seconds = 0.0
        self._i2 = self._v2 = self._dc = self._peak = 0.0
        self._mean = [0.0] * 7

    def add(self, part: Averages, seconds: float) -> None:
        """Add a stretch of ``seconds``."""
        self.seconds += seconds
        self._i2 += (part.current_ac_rms_a**2 + part.current_dc_a**2) * seconds
        self._v2 += part.voltage_rms_v**2 * seconds
        self._dc += part.current_dc_a * seconds
        if abs(part.current_peak_a) > abs(self._peak):
            self._peak = part.current_peak_a
        mean = self._mean
        mean[0] += part.current_rectified_mean_a * seconds
        mean[1] += part.power_w * seconds
        mean[2] += part.rail_plus_v * seconds
        mean[3] += part.rail_minus_v * seconds
        mean[4] += part.output_dc_v * seconds
        mean[5] += part.heatsink_c * seconds
        mean[6] += part.bias_a * seconds

    def truth(self) -> Truth:
        """The averages over all that was added. ``ZeroDivisionError`` when nothing was."""
        t = self.seconds
        rectified, power, plus, minus, output, heatsink, bias = (total / t for total in self._mean)
        dc = self._dc / t
        mean_square = self._i2 / t
        return Truth(
            current_rms_a=math.sqrt(mean_square),
            current_ac_rms_a=math.sqrt(max(mean_square - dc * dc, 0.0)),
            current_dc_a=dc,
            current_peak_a=self._peak,
            current_rectified_mean_a=rectified,
            voltage_rms_v=math.sqrt(self._v2 / t),
            power_w=power,
            rail_plus_v=plus,
            rail_minus_v=minus,
            output_dc_v=output,
            heatsink_c=heatsink,
            bias_a=bias,
        )
