"""Instruments: identity, calibration, earth and the sheet their figures come from."""

from enum import StrEnum

import msgspec

from benchlog.model.quantity import Quantity
from benchlog.model.role import Role


class Earth(StrEnum):
    """Whether a lead of the instrument is connected to protective earth."""

    EARTHED = "earthed"
    FLOATING = "floating"
    UNKNOWN = "unknown"


class Response(StrEnum):
    """How a meter forms its AC reading."""

    TRUE_RMS = "true-rms"
    AVERAGE = "average"
    """Average-responding, scaled for a sine: reads peaky currents low."""


class Coupling(StrEnum):
    """Whether the current path passes DC."""

    AC = "ac"
    AC_DC = "ac+dc"


class Accuracy(msgspec.Struct, frozen=True):
    """Stated accuracy of one quantity on one range: ± (a of reading + n counts of d)."""

    quantity: Quantity
    reading_fraction: float
    """a: 0.01 for 1 % of reading."""
    counts: float
    """n."""
    count: float
    """d, one count, in the quantity's unit of measure."""
    range: float | None = None
    """Full scale, in the quantity's unit of measure; None where the sheet gives one figure for all ranges."""
    range_fraction: float = 0.0
    """± of range, where the sheet states it."""
    least: float = 0.0
    """Least specified value; below it the figures are extrapolated."""
    per_second: float = 0.0
    """Readings per second; 0 where not stated."""
    low_hz: float = 0.0
    """The frequency band that the figures hold for."""
    high_hz: float = 1e9
    crest_from: float = 0.0
    """Crest factor above which ``crest_extra`` is added."""
    crest_extra: float = 0.0
    """Additional fraction of reading, where the sheet states one for peaky currents."""


class MeterSheet(msgspec.Struct, frozen=True):
    """What the maker states of an instrument, as far as a verdict depends on it."""

    accuracy: tuple[Accuracy, ...] = ()
    response: Response = Response.TRUE_RMS
    coupling: Coupling = Coupling.AC_DC
    crest_factor: float | None = None
    autorange: bool = False
    auto_power_off_min: float | None = None
    turns: int = 1
    rated_current_a: float | None = None
    """Of a source."""
    rated_voltage_v: float | None = None
    """Of a source: greatest settable voltage, or full scale of the dial."""
    short_time_current_a: float | None = None
    regulation: float | None = None
    """Of a source: fraction of the set voltage lost at rated current."""

    def find(self, quantity: Quantity) -> Accuracy | None:
        """The accuracy stated for a quantity; None where the sheet is silent."""
        return next((a for a in self.accuracy if a.quantity is quantity), None)


class InstrumentRecord(msgspec.Struct, frozen=True):
    """An instrument as it is recorded in a session."""

    name: str
    description: str
    serial_number: str
    calibration_due: str
    """ISO date, or empty when unknown."""
    roles: tuple[Role, ...]
    earth: Earth
    sheet: MeterSheet
    connection: str = ""
    simulated: bool = False
