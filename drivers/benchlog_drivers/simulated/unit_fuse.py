"""The unit's own mains fuse as a wire that heats with I² and cools.

Heating store dE/dt = I² − E/τ in A²s; the wire melts at its melting integral, and at ``least_ratio`` times
the rated current in the long run, which gives τ. With τ so, a time-lag 5×20 link stays inside its gates of
IEC 60127-2 sheet 3.
"""

import math

from benchlog_drivers.simulated.unit_params import MainsFuse


class FuseWire:
    """The state of one fuse."""

    def __init__(self, values: MainsFuse) -> None:
        """Cold and whole."""
        self.values = values
        self.heat_a2s = 0.0
        self.open = False
        self._tau_s = values.melting_a2s / (values.least_ratio * values.rated_a) ** 2

    def advance(self, seconds: float, mean_square_a2: float) -> bool:
        """Carry this mean square current (A²) for ``seconds``; True in the call in which it melts."""
        if self.open:
            return False
        end = mean_square_a2 * self._tau_s
        self.heat_a2s = end + (self.heat_a2s - end) * math.exp(-seconds / self._tau_s)
        self.open = self.heat_a2s >= self.values.melting_a2s
        return self.open
