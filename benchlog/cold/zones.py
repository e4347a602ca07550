"""One value against up to four limits: within, doubtful, outside, or no judgement where U is too wide.

Decision rule: ISO 14253-1 (proof of conformity and of nonconformity, each with U against whoever claims it);
ISO/IEC 17025, 3.7 calls it a decision rule. A limit from memory decides nothing.
"""

import math

import msgspec

from benchlog.cold.known import Judgement, none
from benchlog.model.limit import Confidence, Limit
from benchlog.model.step import PointVerdict


class Zones(msgspec.Struct, frozen=True):
    """Limits around a value, all in its unit of measure; None where there is none on that side."""

    low: Limit | None = None
    """From here up it is within the limit."""
    high: Limit | None = None
    """Up to here it is within the limit."""
    bad_low: Limit | None = None
    """At and below it is outside."""
    bad_high: Limit | None = None
    """At and above it is outside."""

    @property
    def limits(self) -> tuple[Limit, ...]:
        """Those that are there."""
        return tuple(x for x in (self.low, self.high, self.bad_low, self.bad_high) if x is not None)


UNKNOWN_U = "uncertainty of the reading not known: name the instrument, or give its accuracy"


def graded(y: float, u: float | None, zones: Zones) -> Judgement:
    """The zone of ``y`` ± ``u``. ``u`` None, or too wide to tell any zone from another: no judgement."""
    limit = nearest(y, zones)
    if limit is None:
        return none("no limit on file")
    if any(x.confidence is Confidence.UNVERIFIED for x in zones.limits):
        return Judgement(PointVerdict.NONE, "the limit is from memory and decides nothing", limit, y, u)
    if u is None or not math.isfinite(u):
        return Judgement(PointVerdict.NONE, UNKNOWN_U, limit, y, u)
    decided = _outside(y, u, zones)
    if decided is not None:
        return Judgement(PointVerdict.OUTSIDE, "", decided, y, u)
    if _is_within(y, u, zones):
        return Judgement(PointVerdict.WITHIN, "", limit, y, u)
    if _is_too_wide(u, zones) and not _is_beyond(y, u, zones):
        return Judgement(PointVerdict.NONE, "the uncertainty is too wide for this limit", limit, y, u)
    return Judgement(PointVerdict.DOUBTFUL, "", limit, y, u)


def nearest(y: float, zones: Zones) -> Limit | None:
    """The limit nearest to ``y``."""
    return min(zones.limits, key=lambda x: abs(x.value - y), default=None)


def _outside(y: float, u: float, zones: Zones) -> Limit | None:
    high, low = zones.bad_high, zones.bad_low
    if high is not None and y - u >= high.value:
        return high
    return low if low is not None and y + u <= low.value else None


def _is_within(y: float, u: float, zones: Zones) -> bool:
    if zones.low is None and zones.high is None:
        return False
    over = zones.low is None or y - u >= zones.low.value
    return over and (zones.high is None or y + u <= zones.high.value)


def _is_beyond(y: float, u: float, zones: Zones) -> bool:
    """Whether it certainly does not lie within."""
    over = zones.high is not None and y - u > zones.high.value
    return over or (zones.low is not None and y + u < zones.low.value)


def _is_too_wide(u: float, zones: Zones) -> bool:
    """Whether no reading at all could be told to be within: U beyond the limit, or half the interval."""
    if zones.high is None:
        return zones.low is None
    room = zones.high.value - (zones.low.value if zones.low is not None else 0.0)
    return u > (room if zones.low is None else 0.5 * room)
