"""How the DC offset of a transformer's flux dies away while its supply is held in a steady state.

The mean voltage across the magnetising branch is what the primary's resistance drops of the DC:
dΦ/dt = −R·i. The DC follows flux less remanence through an inductance measured on the last cycles (the main
inductance, more where the rectifier bypasses some of it, less where the core saturates), and the remanence is
wiped by the swing of the flux.
"""

import math
from dataclasses import dataclass


@dataclass(slots=True)
class FluxOffset:
    """Primary DC (A), remanence (V·s) and how they go on; all constant where ``ohm`` is 0."""

    dc_a: float
    remanent_vs: float = 0.0
    wipe_per_s: float = 0.0
    """Rate at which the remanence was wiped over the last cycle."""
    ohm: float = 0.0
    henry: float = 1.0
    swing_vs: float = 1.0
    """Amplitude of the flux."""
    distance_vs: float = 0.0
    """Mean flux less remanence over the last cycle."""
    moved_vs: float = 0.0
    """By how much the flux has moved since it was held."""
    wiped_vs: float = 0.0
    """By how much the remanence has."""

    def advance(self, seconds: float) -> None:
        """Move on by ``seconds``."""
        if self.ohm <= 0.0:
            return
        wiped = self.remanent_vs * -math.expm1(-self._rate_per_s() * seconds)
        end_a = wiped / (max(seconds, 1e-9) * self.ohm)
        after_a = end_a + (self.dc_a - end_a) * math.exp(-seconds * self.ohm / self.henry)
        self.moved_vs += (after_a - self.dc_a) * self.henry - wiped
        self.remanent_vs -= wiped
        self.wiped_vs -= wiped
        self.dc_a = after_a

    def _rate_per_s(self) -> float:
        """Wiping grows with the mean square distance of the flux from the remanence (|v|-weighted: Â²/3)."""
        steady = self.swing_vs**2 / 3.0
        now = self.distance_vs + self.moved_vs - self.wiped_vs
        return self.wipe_per_s * (steady + now * now) / (steady + self.distance_vs**2)
