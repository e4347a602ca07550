"""The mains transformer: its magnetising curve, its remanence and its values referred to the primary.

The core is a flux state with a saturable magnetising branch. A toroidal core has a sharp knee (softplus
between the unsaturated and the air-core inductance); a frame core (laminations with gaps) a power law.
Flux linkage Φ̂ = √2·V/(2πf) (textbook transformer equation).
"""

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

CELLS = 480
"""Cells of the tabulated magnetising curve, from zero to ``REACH`` times the design flux."""
REACH = 3.0


@dataclass(frozen=True, slots=True)
class Magnetising:
    """The magnetising branch, referred to the primary.

    ``design_vs`` is the peak flux linkage (V·s) at nominal voltage and frequency; ``main_h`` the unsaturated,
    ``air_h`` the saturated inductance. ``knee`` and ``knee_width`` (of the design flux) belong to the
    softplus knee; a ``power`` above zero replaces the knee by ``power_a``·(flux/design flux)^power.
    ``remanence`` is the flux that stays after switching off, as a share of the flux reached.
    """

    design_vs: float
    main_h: float
    air_h: float
    knee: float = 1.17
    knee_width: float = 0.035
    power: float = 0.0
    power_a: float = 0.0
    remanence: float = 0.5

    def excess_a(self, flux: Floats) -> Floats:
        """Magnetising current above the linear part, in A, at positive flux (V·s)."""
        if self.power > 0.0:
            bend = self.power_a * (flux / self.design_vs) ** self.power
            # Where the power law would be steeper than air, the core is saturated: go on with air's slope.
            steepest = self.design_vs / (self.air_h * self.power * self.power_a)
            edge = self.design_vs * steepest ** (1.0 / (self.power - 1.0))
            at_edge = self.power_a * (edge / self.design_vs) ** self.power
            return np.where(flux < edge, bend, at_edge + (flux - edge) / self.air_h)
        width = self.knee_width * self.design_vs
        return np.logaddexp(0.0, (flux - self.knee * self.design_vs) / width) * width / self.air_h

    def straight_vs(self) -> float:
        """Flux up to which the curve is straight for practical purposes, in V·s."""
        share = 0.85 if self.power > 0.0 else self.knee - 3.0 * self.knee_width
        return share * self.design_vs

    def no_load_rms_a(self) -> float:
        """R.m.s. magnetising current in A at nominal voltage, core loss not included."""
        flux = self.design_vs * np.sin(np.linspace(0.0, math.pi / 2, 181))
        current = flux / self.main_h + self.excess_a(flux)
        return float(np.sqrt(np.trapezoid(current**2, dx=1.0 / 180.0)))

    def table(self) -> tuple[list[float], list[float], float, int]:
        """The curve in straight pieces by cell of |flux|: offsets, slopes, cells per V·s, last cell.

        Magnetising current = offset (A) + slope (A per V·s)·|flux|, signed; the last piece goes on.
        """
        edges = np.linspace(0.0, REACH * self.design_vs, CELLS + 1)
        current = edges / self.main_h + self.excess_a(edges)
        slopes = np.diff(current) / np.diff(edges)
        offsets = current[:-1] - slopes * edges[:-1]
        return offsets.tolist(), slopes.tolist(), CELLS / (REACH * self.design_vs), CELLS - 1


@dataclass(frozen=True, slots=True)
class TransformerValues:
    """A transformer with two equal secondaries about a centre tap.

    ``ratio`` is one secondary's turns over the primary's; resistances in Ω, leakages in H, each at its own
    winding; ``core_loss_ohm`` lies across the magnetising branch.
    """

    va: float
    primary_ohm: float
    primary_leak_h: float
    ratio: float
    secondary_ohm: float
    secondary_leak_h: float
    core_loss_ohm: float
    magnetising: Magnetising

    def on_tap(self, share: float) -> "TransformerValues":
        """The same transformer fed on a tap with ``share`` of the primary's turns (flux rises by 1/share)."""
        square = share * share
        iron = self.magnetising
        return replace(
            self,
            primary_ohm=self.primary_ohm * share,
            primary_leak_h=self.primary_leak_h * square,
            ratio=self.ratio / share,
            core_loss_ohm=self.core_loss_ohm * square,
            magnetising=replace(
                iron,
                design_vs=iron.design_vs * share,
                main_h=iron.main_h * square,
                air_h=iron.air_h * square,
                power_a=iron.power_a / share,
            ),
        )


def design_flux_vs(volts: float, hertz: float) -> float:
    """Peak flux linkage in V·s of a winding at ``volts`` r.m.s. and ``hertz`` (transformer equation)."""
    return math.sqrt(2.0) * volts / (2.0 * math.pi * hertz)
