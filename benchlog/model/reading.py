"""Readings: an indication with its time, channel, setting and status.

A reading is either `Measured`, which has a value, or `Unusable`, which has a status and no value at all.
Code that wants a number has to tell the two apart first; there is no float to use by mistake.
"""

from enum import StrEnum

import msgspec

from benchlog.model.quantity import Quantity
from benchlog.model.role import Role


class Status(StrEnum):
    """Why a reading has no usable value."""

    OVERLOAD = "overload"
    """Beyond the range. Counts as full scale in every stop rule."""
    OPEN_LEADS = "open-leads"
    NOT_A_NUMBER = "not-a-number"
    GARBLED = "garbled"
    STALE = "stale"
    AUTORANGING = "autoranging"
    REFUSED = "refused"
    """The instrument answered with an error."""


class Channel(msgspec.Struct, frozen=True):
    """One stream of readings: which part it plays, what it measures, on which instrument."""

    role: Role
    quantity: Quantity
    instrument: str
    """Name of the instrument in the bench file."""

    @property
    def name(self) -> str:
        """Stable name in files and on screens, e.g. ``source-current``."""
        return self.role.value


class Setting(msgspec.Struct, frozen=True):
    """How a channel was set when the reading was taken; a change makes a new setting."""

    range: float | None = None
    """Full scale in the quantity's unit of measure; None when unknown."""
    resolution: float | None = None
    """One count in the quantity's unit of measure."""
    aperture_us: int = 0
    turns: int = 1
    """Turns of the conductor through a clamp; the value is already divided by them."""
    test_frequency_hz: float | None = None
    note: str = ""


class Measured(msgspec.Struct, frozen=True, tag="measured"):
    """A valid reading. ``value`` is in the quantity's SI unit of measure."""

    channel: Channel
    value: float
    start_us: int
    end_us: int
    setting: Setting = Setting()


class Unusable(msgspec.Struct, frozen=True, tag="unusable"):
    """A reading without a usable number."""

    channel: Channel
    status: Status
    start_us: int
    end_us: int
    setting: Setting = Setting()


Reading = Measured | Unusable


def full_scale(reading: Unusable) -> float | None:
    """What an overloaded reading counts as in a stop rule; None when its range is not known."""
    return reading.setting.range if reading.status is Status.OVERLOAD else None
