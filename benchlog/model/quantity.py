"""Quantities that are measured on the bench and their units of measure.

AC r.m.s., DC and peak of the same unit of measure are different quantities: none is ever
compared with another by accident.
"""

from enum import StrEnum


class Quantity(StrEnum):
    """What a reading is a reading of. The value is the stable name used in files."""

    AC_CURRENT = "ac-current"
    DC_CURRENT = "dc-current"
    PEAK_CURRENT = "peak-current"
    AC_VOLTAGE = "ac-voltage"
    DC_VOLTAGE = "dc-voltage"
    PEAK_VOLTAGE = "peak-voltage"
    ACTIVE_POWER = "active-power"
    APPARENT_POWER = "apparent-power"
    POWER_FACTOR = "power-factor"
    RESISTANCE = "resistance"
    JUNCTION_VOLTAGE = "junction-voltage"
    CONTINUITY = "continuity"
    ESR = "esr"
    CAPACITANCE = "capacitance"
    DISSIPATION_FACTOR = "dissipation-factor"
    FREQUENCY = "frequency"
    TEMPERATURE = "temperature"

    @property
    def unit(self) -> str:
        """Unit of measure as printed (SI symbol; empty for a ratio)."""
        return _UNIT[self]

    @property
    def ascii_unit(self) -> str:
        """Unit of measure in ASCII for column names and keys (``a``, ``v``, ``ohm``, ``degc``)."""
        return _ASCII[self.unit]

    @property
    def label(self) -> str:
        """Name for screens and documents, with the kind (AC r.m.s., DC, peak) spelled out."""
        return _LABEL[self]


_UNIT = {
    Quantity.AC_CURRENT: "A",
    Quantity.DC_CURRENT: "A",
    Quantity.PEAK_CURRENT: "A",
    Quantity.AC_VOLTAGE: "V",
    Quantity.DC_VOLTAGE: "V",
    Quantity.PEAK_VOLTAGE: "V",
    Quantity.ACTIVE_POWER: "W",
    Quantity.APPARENT_POWER: "VA",
    Quantity.POWER_FACTOR: "",
    Quantity.RESISTANCE: "Ω",
    Quantity.JUNCTION_VOLTAGE: "V",
    Quantity.CONTINUITY: "Ω",
    Quantity.ESR: "Ω",
    Quantity.CAPACITANCE: "F",
    Quantity.DISSIPATION_FACTOR: "",
    Quantity.FREQUENCY: "Hz",
    Quantity.TEMPERATURE: "°C",
}

_ASCII = {
    "A": "a",
    "V": "v",
    "W": "w",
    "VA": "va",
    "": "ratio",
    "Ω": "ohm",
    "F": "f",
    "Hz": "hz",
    "°C": "degc",
}

_LABEL = {
    Quantity.AC_CURRENT: "AC current (r.m.s.)",
    Quantity.DC_CURRENT: "DC current",
    Quantity.PEAK_CURRENT: "peak current",
    Quantity.AC_VOLTAGE: "AC voltage (r.m.s.)",
    Quantity.DC_VOLTAGE: "DC voltage",
    Quantity.PEAK_VOLTAGE: "peak voltage",
    Quantity.ACTIVE_POWER: "active power",
    Quantity.APPARENT_POWER: "apparent power",
    Quantity.POWER_FACTOR: "power factor",
    Quantity.RESISTANCE: "resistance",
    Quantity.JUNCTION_VOLTAGE: "junction voltage",
    Quantity.CONTINUITY: "continuity",
    Quantity.ESR: "equivalent series resistance",
    Quantity.CAPACITANCE: "capacitance",
    Quantity.DISSIPATION_FACTOR: "dissipation factor",
    Quantity.FREQUENCY: "frequency",
    Quantity.TEMPERATURE: "temperature",
}
