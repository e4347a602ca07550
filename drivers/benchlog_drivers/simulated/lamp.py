"""A glowing filament: the series lamp, and the heaters of valves.

Resistance follows temperature as T^n with n from the cold-to-hot ratio; the filament radiates as T⁴
(Stefan-Boltzmann) and stores heat. For a tungsten lamp, cold 1/15 of hot at 2800 K against 293 K, this gives
I ∝ V^0.54 near full volts (the usual handbook exponent is 0.55 to 0.6).
"""

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class FilamentValues:
    """A filament at its rating: volts, watts, cold ÷ hot resistance, cold ÷ hot kelvin, stored heat.

    ``heat_s`` is the heat stored at rated temperature, in seconds of rated power.
    """

    rated_v: float
    rated_w: float
    cold_ratio: float
    cold_temperature: float
    heat_s: float

    @property
    def hot_ohm(self) -> float:
        """Resistance at the rating in Ω."""
        return self.rated_v**2 / self.rated_w


class Filament:
    """A filament's temperature over time."""

    def __init__(self, values: FilamentValues) -> None:
        """Start cold."""
        self.values = values
        self.temperature = values.cold_temperature
        """Of rated temperature in kelvin."""
        self._exponent = math.log(values.cold_ratio) / math.log(values.cold_temperature)
        self._cold4 = values.cold_temperature**4

    def ohm(self) -> float:
        """Resistance in Ω at the present temperature."""
        return float(self.values.hot_ohm * self.temperature**self._exponent)

    def shift(self, temperature: float) -> None:
        """Add to the temperature (of rated)."""
        self.temperature = min(1.5, max(self.values.cold_temperature, self.temperature + temperature))

    def advance(self, seconds: float, mean_square_a2: float) -> None:
        """Heat for ``seconds`` with this mean square of the current (A²), or cool."""
        left = seconds
        values = self.values
        while left > 0.0:
            heating = mean_square_a2 * self.ohm() / values.rated_w
            cooling = (self.temperature**4 - self._cold4) / (1.0 - self._cold4)
            rate = (heating - cooling) / values.heat_s
            step = min(left, 0.04 * self.temperature / max(abs(rate), 1e-9))
            self.temperature = max(values.cold_temperature, self.temperature + rate * step)
            left -= step

    def advance_on_volts(self, seconds: float, rms_v: float) -> None:
        """Heat for ``seconds`` at a fixed r.m.s. voltage, or cool."""
        left = seconds
        while left > 0.0:
            step = min(left, 0.05 * self.values.heat_s)
            ohm = self.ohm()
            self.advance(step, (rms_v / ohm) ** 2)
            left -= step


def series_lamp(watts: float, mains_v: float) -> FilamentValues:
    """A tungsten series lamp of ``watts`` at ``mains_v``: cold 1/15 of hot (handbook range 1:10 to 1:15)."""
    return FilamentValues(mains_v, watts, 1.0 / 15.0, 293.0 / 2800.0, 0.11)
