"""Test points: where a cold or final check is taken."""

from enum import StrEnum

import msgspec

from benchlog.model.known import Known
from benchlog.model.quantity import Quantity


class PointKind(StrEnum):
    """What is measured at a test point."""

    OHMS = "ohms"
    JUNCTION = "junction"
    ESR = "esr"
    CAPACITANCE = "capacitance"
    DC_VOLTS = "dc-v"
    AC_VOLTS = "ac-v"
    CONTINUITY = "continuity"
    CURRENT = "current"

    @property
    def quantity(self) -> Quantity:
        """The quantity that a reading at such a point has."""
        return _QUANTITY[self]


_QUANTITY = {
    PointKind.OHMS: Quantity.RESISTANCE,
    PointKind.JUNCTION: Quantity.JUNCTION_VOLTAGE,
    PointKind.ESR: Quantity.ESR,
    PointKind.CAPACITANCE: Quantity.CAPACITANCE,
    PointKind.DC_VOLTS: Quantity.DC_VOLTAGE,
    PointKind.AC_VOLTS: Quantity.AC_VOLTAGE,
    PointKind.CONTINUITY: Quantity.CONTINUITY,
    PointKind.CURRENT: Quantity.DC_CURRENT,
}


class TestPoint(msgspec.Struct, frozen=True):
    """A named place on the unit, e.g. ``output pin to + rail, left``."""

    __test__ = False

    name: str
    kind: PointKind
    group: str = ""
    """Board or channel."""
    fed_by: str = ""
    """Names of the reservoirs that feed the point, with commas between; empty when not known."""
    expected: str = ""
    known: Known = Known()
    """What is known of the part there."""
