"""Entries of the work round the cold checks: first look, photographs, estimate, adjustment, final checks.

Each is a line of the history like any other (`benchlog.model.history`); old ones are never changed.
"""

from decimal import Decimal
from enum import StrEnum

import msgspec

from benchlog.model.limit import Limit
from benchlog.model.quantity import Quantity
from benchlog.model.step import PointVerdict
from benchlog.model.unit import OutputTopology


class FirstLook(msgspec.Struct, frozen=True, tag="first-look"):
    """What was seen and smelt before anything was measured. Empty where it was not looked at."""

    seen: str = ""
    smelt: str = ""
    cord: str = ""
    """Cord, plug and strain relief."""
    fuse_fitted: str = ""
    """Marking of the fuse that was in the holder, as read off it."""
    fuse_marked: str = ""
    """Marking beside the holder: the fuse that belongs there."""
    fuse_verdict: PointVerdict = PointVerdict.NONE
    fuse_reason: str = ""
    selector_v: float | None = None
    """Volts that the voltage selector stood at; None where there is none or it was not looked at."""
    mains_v: float | None = None
    """Volts of the mains that the unit is used on."""
    selector_verdict: PointVerdict = PointVerdict.NONE
    selector_reason: str = ""
    swelling: str = ""
    """Swollen, leaking or burnt parts, with their positions."""
    earlier_repairs: str = ""
    by: str = ""


class Photographed(msgspec.Struct, frozen=True, tag="photograph"):
    """A photograph, stored whole in the entry and covered by the chain like any payload."""

    name: str
    """Name of the file that it came from."""
    media_type: str
    """``image/jpeg`` or ``image/png``."""
    width: int
    """Pixels, as stored and turned upright."""
    height: int
    sha256: str
    """Of ``data``, 64 hexadecimal digits."""
    data: bytes = b""
    """The picture's file; empty where the history was read without photographs."""
    original_sha256: str = ""
    """Of the file that it came from, where that was reduced or stripped."""
    reduced: bool = False
    """Fewer pixels or bytes than the file that it came from."""
    stripped: bool = False
    """Stored without the camera's metadata (place, time, device)."""
    caption: str = ""
    point: str = ""
    """Name of the test point that it belongs to."""
    group: str = ""
    part: str = ""
    """Position of the part that it belongs to."""
    stage: str = ""
    by: str = ""


class EstimateLine(msgspec.Struct, frozen=True):
    """One line of an estimate."""

    text: str
    amount: Decimal


class Estimated(msgspec.Struct, frozen=True, tag="estimate"):
    """An estimate as it was put to the customer; a changed one is a new entry."""

    lines: tuple[EstimateLine, ...]
    total: Decimal
    currency: str = ""
    cap: str = ""
    """The spending cap agreed before, in the words of the intake."""
    over_cap: Decimal | None = None
    """By how much the total is above the cap; None where it is not, or where there is no cap."""
    note: str = ""
    by: str = ""


class Adjustment(StrEnum):
    """What is set by a trimmer."""

    BIAS = "bias"
    OFFSET = "offset"


class Adjusted(msgspec.Struct, frozen=True, tag="adjustment"):
    """A trimmer set in one channel: before, after, and how warm the unit was."""

    what: Adjustment
    channel: str
    before: float | None
    after: float | None
    """Volts; None where it was not read. A recheck has it and no ``before``."""
    quantity: Quantity = Quantity.DC_VOLTAGE
    u: float | None = None
    """Expanded uncertainty of each reading, in volts."""
    warm_min: float | None = None
    """Minutes that the unit had been on, as declared."""
    celsius: float | None = None
    """Temperature of the heat sink."""
    conditions: str = ""
    """E.g. lid on, no signal, no load."""
    recheck: bool = False
    """The warm check afterwards."""
    target_v: float | None = None
    """The maker's figure for this unit."""
    target_within_v: float | None = None
    """By how much the maker lets it be off."""
    emitter_ohm: float | None = None
    """Resistor that the bias is read across."""
    topology: OutputTopology = OutputTopology.UNKNOWN
    verdict: PointVerdict = PointVerdict.NONE
    reason: str = ""
    limit: Limit | None = None
    instrument: str = ""
    by: str = ""


class FinalCheck(StrEnum):
    """A check after the soak."""

    OFFSET = "dc-offset"
    RAILS = "rails"
    BIAS = "bias"
    RIPPLE = "ripple"
    OUTPUT = "output-into-load"
    PROTECTION = "protection"
    SIGNAL = "signal"
    HUM = "hum"
    TAP = "tap"
    HEAT = "heat"


class FinalChecked(msgspec.Struct, frozen=True, tag="final-check"):
    """One final check of one channel: a value with its limit, or what was seen and heard."""

    check: FinalCheck
    channel: str = ""
    value: float | None = None
    """SI; of the rails the positive one."""
    second: float | None = None
    """The other rail."""
    quantity: Quantity | None = None
    u: float | None = None
    seen: str = ""
    """What was seen or heard, in the technician's words."""
    relay_side: str = ""
    """Side of the loudspeaker relay on which DC was read: ``amplifier`` or ``loudspeaker``."""
    topology: OutputTopology = OutputTopology.UNKNOWN
    load_ohm: float | None = None
    frequency_hz: float | None = None
    power_w: float | None = None
    """Into the load, V² ÷ R."""
    distortion: float | None = None
    """Fraction, as read from an analyser and entered."""
    verdict: PointVerdict = PointVerdict.NONE
    reason: str = ""
    limit: Limit | None = None
    instrument: str = ""
    by: str = ""


class SafetyMeasured(msgspec.Struct, frozen=True, tag="safety"):
    """One figure of the electrical safety tests. It is a record; it certifies nothing."""

    test: str
    """As in `benchlog.limits.safety`, e.g. ``earth-ohms``."""
    value: float | None
    """SI; with ``over_range`` the end of the range."""
    unit: str
    scheme: str
    """Whose limit: country or standard."""
    protection: str
    """Class of protection: ``i``, ``ii``, ``iii``."""
    tester: str
    """The person who measured, and who is licensed or competent to where they are."""
    licence: str = ""
    u: float | None = None
    over_range: bool = False
    instrument: str = ""
    instrument_serial: str = ""
    calibration_due: str = ""
    """ISO date."""
    conditions: str = ""
    """E.g. mains polarity, switch on, test voltage."""
    verdict: PointVerdict = PointVerdict.NONE
    reason: str = ""
    limit: Limit | None = None


__all__ = [
    "Adjusted",
    "Adjustment",
    "EstimateLine",
    "Estimated",
    "FinalCheck",
    "FinalChecked",
    "FirstLook",
    "Photographed",
    "SafetyMeasured",
]
