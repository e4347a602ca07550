"""Heat against bias in a runaway: stable below 30 % of mains, about 150 s at 50 % and 45 s at 100 %.

The bias obeys dx/dt = (G·p(v, x) − x)/τ with bias ∝ e^x and p its power relative to nominal. G and τ are
found for each unit so that these times to destruction come out with its own wake-up and regulation; where the
bias sleeps at half the mains, only the time at full mains can be met.
"""

import math

from benchlog_drivers.simulated.physics_load import DESTROYED_NEPERS, bias_share
from benchlog_drivers.simulated.transformer import TransformerValues
from benchlog_drivers.simulated.unit_params import FrontEnd, Rails

HALF_S, FULL_S = 150.0, 45.0
"""Seconds to destruction from cold at 50 % and at 100 % of mains."""
_POINTS = 24
_DIODE_V = 1.6
"""Of winding voltage lost on the way to a rail at idle, in V."""


def rail_ohm(transformer: TransformerValues) -> float:
    """Output resistance of each DC rail in Ω: about 3.5 windings' resistance, the pulses being narrow."""
    return 3.5 * (2.0 * transformer.ratio**2 * transformer.primary_ohm + transformer.secondary_ohm)


def runaway_values(front: FrontEnd, rails: Rails, transformer: TransformerValues) -> tuple[float, float]:
    """Loop gain at nominal rails (dimensionless) and time constant in s of this unit's runaway."""
    sag = rail_ohm(transformer) * front.bias_a / rails.nominal_v

    def time(gain: float, fraction: float) -> float:
        """Time to destruction in time constants; infinite where the bias settles before."""
        return _time_constants(front, rails.nominal_v, sag, gain, fraction)

    low, high = 0.3, 6.0
    for _ in range(30):
        gain = math.sqrt(low * high)
        half = time(gain, 0.5)
        if math.isinf(half) or half > HALF_S / FULL_S * time(gain, 1.0):
            low = gain
        else:
            high = gain
    gain = high
    while gain > 0.4 and (not math.isinf(time(gain, 0.29)) or gain >= 5.9):
        gain *= 0.93
    full = time(gain, 1.0)
    return gain, FULL_S / full if math.isfinite(full) else FULL_S


def _time_constants(front: FrontEnd, nominal_v: float, sag: float, gain: float, fraction: float) -> float:
    total, width = 0.0, DESTROYED_NEPERS / _POINTS
    for point in range(_POINTS):
        nepers = (point + 0.5) * width
        hot = math.exp(nepers)
        open_rail = fraction - _DIODE_V / nominal_v * (1.0 - fraction)
        rail = open_rail
        for _ in range(3):
            rail = open_rail / (1.0 + sag * hot * bias_share(front, rail * nominal_v))
        slope = gain * hot * bias_share(front, rail * nominal_v) * rail - nepers
        if slope <= 1e-3:
            return math.inf
        total += width / slope
    return total
