"""Uncertainty of a reading taken at a test point: from the meter's sheet, or assumed as for a hand meter.

An assumed uncertainty decides verdicts; it is recorded with its source and named in the reason.
"""

import math

import msgspec

from benchlog.measure.uncertainty import accuracy_for, linear_u
from benchlog.model.instrument import MeterSheet
from benchlog.model.point import PointKind

LEADS_OHM = 0.1
"""What leads may add where they were neither zeroed nor taken off (common practice, no source)."""

_HAND: dict[PointKind, tuple[float, float]] = {
    PointKind.OHMS: (0.01, 5.0),
    PointKind.CONTINUITY: (0.01, 5.0),
    PointKind.JUNCTION: (0.02, 3.0),
    PointKind.ESR: (0.05, 3.0),
    PointKind.CAPACITANCE: (0.03, 5.0),
    PointKind.DC_VOLTS: (0.01, 3.0),
    PointKind.AC_VOLTS: (0.015, 5.0),
    PointKind.CURRENT: (0.02, 5.0),
}
"""± (a of reading, n counts) of a middling hand meter; common practice, no source."""


class Allowed(msgspec.Struct, frozen=True):
    """Expanded uncertainty with where it comes from."""

    u: float
    known: bool
    source: str
    coarse: bool = False
    """Whether most of it comes from the last place, so that another digit would narrow it."""


def uncertainty(
    kind: PointKind,
    value: float,
    count: float,
    sheet: MeterSheet | None = None,
    stated: float | None = None,
    leads_known: bool = False,
) -> Allowed:
    """Expanded uncertainty of a reading in its unit of measure.

    ``stated``: given by the technician. Otherwise by the meter's sheet; otherwise by that of a middling hand
    meter, with ``count`` one unit in the last place shown. Ohms and ESR without ``leads_known`` allow for
    `LEADS_OHM` besides.
    """
    if stated is not None:
        return Allowed(stated, True, "as stated")
    found = accuracy_for(sheet, kind.quantity).accuracy if sheet is not None else None
    leads = 0.0
    if kind in (PointKind.OHMS, PointKind.CONTINUITY, PointKind.ESR) and not leads_known:
        leads = LEADS_OHM
    if found is not None:
        u = linear_u(value, found.reading_fraction, found.counts, found.count)
        return Allowed(math.hypot(u, leads), True, "by the meter's sheet" + _leads_words(leads))
    a, n = _HAND[kind]
    text = f"assumed, hand meter {100 * a:g} % + {n:g} counts"
    u = math.hypot(linear_u(value, a, n, count), leads)
    return Allowed(u, False, text + _leads_words(leads), n * count > max(a * abs(value), leads))


def _leads_words(leads_ohm: float) -> str:
    return f", leads not taken off {leads_ohm:g} Ω" if leads_ohm else ""
