"""What the settled readings of a bring-up show, put into the words that fault patterns are told by.

    features(limits, seen) -> Features

Slopes n = d ln I/d ln V come with their interval; *above* and *below* mean so beyond the meter's U and beyond
what is known of the unit (a reference unit, the maker's figure, the nameplate).
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

from benchlog.limits import curve
from benchlog.limits.bringup import StepLimits
from benchlog.measure.interpolate import value
from benchlog.model.pattern import Seen
from benchlog.model.unit import OutputTopology

_MARGIN_REFERENCE = 1.25
_MARGIN_MAKER = 1.5
_MARGIN_PLATE = 1.25


@dataclass(frozen=True, slots=True)
class Slope:
    """Local log-log slope between two steps, with its 95 % interval's half-width."""

    low_v: float
    high_v: float
    n: float
    u: float


@dataclass(frozen=True, slots=True)
class Excess:
    """Reading ÷ expected at one step, and whether that is beyond doubt."""

    fraction: float
    ratio: float
    above: bool
    below: bool


@dataclass(frozen=True, slots=True)
class Features:
    """What the patterns ask of the readings."""

    limits: StepLimits
    seen: tuple[Seen, ...]
    """Rising voltage."""
    usable: tuple[Seen, ...]
    """Those whose current stands above twice its U."""
    slopes: tuple[Slope, ...]
    excess: tuple[Excess, ...]
    basis: str
    """What the expectation rests on: reference, maker or plate."""

    def share(self, s: Seen) -> float:
        """I/Ir ÷ v: the current as a resistance, 1 for rated current at nominal voltage."""
        return s.current_a / (self.limits.expectation.rated_a * s.fraction)

    def low_share(self) -> tuple[float, Seen] | None:
        """The largest such share among the steps up to v = 0.20."""
        low = [(self.share(s), s) for s in self.usable if 0.0 < s.fraction <= 0.20]
        return max(low, key=lambda pair: pair[0]) if low else None

    def power_factor(self, low: float = 0.0, high: float = 2.0) -> float | None:
        """Median power factor of the usable steps in a range of v."""
        return _median(s.power_factor for s in self.usable if low <= s.fraction <= high)

    def crest(self, low: float = 0.0, high: float = 2.0) -> float | None:
        """Median crest factor of the usable steps in a range of v."""
        return _median(s.crest_factor for s in self.usable if low <= s.fraction <= high)

    def h2(self) -> float | None:
        """Median share of the second harmonic."""
        return _median(s.h2_ratio for s in self.usable)

    def slope_in(self, low: float, high: float) -> Slope | None:
        """The slope of the widest pair of steps whose middle lies in a range of v, from the end points."""
        inside = [s for s in self.slopes if low <= math.sqrt(s.low_v * s.high_v) <= high]
        if not inside:
            return None
        span = math.log(inside[-1].high_v / inside[0].low_v)
        n = sum(s.n * math.log(s.high_v / s.low_v) for s in inside) / span
        u = math.sqrt(sum((s.u * math.log(s.high_v / s.low_v)) ** 2 for s in inside)) / span
        return Slope(inside[0].low_v, inside[-1].high_v, n, u)

    def ratios(self, low: float, high: float) -> list[Excess]:
        """Reading ÷ expected at the steps in a range of v."""
        return [e for e in self.excess if low <= e.fraction <= high]

    def at_rail(self) -> Seen | None:
        """The first step at which the output stands at a rail: |DC| ≥ 0.7 × that rail, a rail of 3 V or more.

        Asked of direct-coupled outputs only.
        """
        if self.limits.unit.topology is not OutputTopology.DIRECT:
            return None
        return next((s for s in self.seen if _at_rail(s)), None)

    def output_near_zero(self) -> Seen | None:
        """The last step at which the output was read near 0 V although a rail had 3 V or more."""
        return next((s for s in reversed(self.seen) if _near_zero(s)), None)

    def unequal_rails(self) -> Seen | None:
        """The last step at which the rails differ by more than 10 % and 1 V."""
        return next((s for s in reversed(self.seen) if _unequal(s)), None)


def _median(values: Iterable[float | None]) -> float | None:
    present = [x for x in values if x is not None]
    return median(present) if present else None


def _at_rail(s: Seen) -> bool:
    if s.output_dc_v is None:
        return False
    rail = s.rail_plus_v if s.output_dc_v > 0 else s.rail_minus_v
    return rail is not None and abs(rail) >= 3.0 and abs(s.output_dc_v) >= 0.7 * abs(rail)


def _near_zero(s: Seen) -> bool:
    if s.output_dc_v is None or s.rail_plus_v is None or s.rail_minus_v is None:
        return False
    least = min(abs(s.rail_plus_v), abs(s.rail_minus_v))
    return least >= 3.0 and abs(s.output_dc_v) < 0.2 * least


def _unequal(s: Seen) -> bool:
    if s.rail_plus_v is None or s.rail_minus_v is None:
        return False
    a, b = abs(s.rail_plus_v), abs(s.rail_minus_v)
    return abs(a - b) > 1.0 and abs(a - b) > 0.10 * max(a, b)


def _expected(limits: StepLimits, v: float) -> tuple[float, float, str]:
    """Expected current at v, the factor within which a sound unit stays, and what it rests on."""
    line = limits.reference_curve
    if line is not None and line.x[0] <= v <= line.x[-1]:
        return math.exp(value(line, v)), _MARGIN_REFERENCE, "reference"
    scaled = curve.maker_a(limits.expectation, v)
    if scaled is not None:
        return scaled / 1.15, _MARGIN_MAKER, "maker"
    return curve.expected_a(limits.expectation, v), _MARGIN_PLATE, "plate"


def _excess(limits: StepLimits, s: Seen) -> Excess:
    expected, margin, basis = _expected(limits, s.fraction)
    above = s.current_a - s.u_a > margin * expected
    below = basis != "plate" and s.current_a + s.u_a < expected / margin
    return Excess(s.fraction, s.current_a / expected if expected > 0.0 else math.inf, above, below)


def _slopes(usable: Sequence[Seen]) -> tuple[Slope, ...]:
    found = []
    for a, b in pairwise(usable):
        span = math.log(b.fraction / a.fraction) if a.fraction > 0.0 else 0.0
        if span > 0.02:
            n = math.log(b.current_a / a.current_a) / span
            u = math.hypot(a.u_a / a.current_a, b.u_a / b.current_a) / span
            found.append(Slope(a.fraction, b.fraction, n, u))
    return tuple(found)


def features(limits: StepLimits, seen: Sequence[Seen]) -> Features:
    """Put the settled readings of a run, in any order, into features. An empty run gives empty features."""
    ordered = tuple(sorted(seen, key=lambda s: s.fraction))
    usable = tuple(s for s in ordered if s.current_a > 2.0 * s.u_a and s.fraction > 0.0)
    basis = _expected(limits, ordered[-1].fraction)[2] if ordered else "plate"
    return Features(
        limits=limits,
        seen=ordered,
        usable=usable,
        slopes=_slopes(usable),
        excess=tuple(_excess(limits, s) for s in usable),
        basis=basis,
    )
