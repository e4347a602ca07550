"""Roles: the part that an instrument, or one of its channels, plays on the bench."""

from enum import StrEnum


class Role(StrEnum):
    """Part played on the bench. The value is the stable name in bench files and session files."""

    SOURCE = "source"
    """Sets the voltage (programmed), or stands for the dial a hand turns (hand-set)."""
    INLET_VOLTAGE = "inlet-voltage"
    """AC volts at the unit's inlet, downstream of the ammeter."""
    SOURCE_CURRENT = "source-current"
    """AC amperes drawn from the source."""
    SOURCE_POWER = "source-power"
    OUTPUT_DC = "output-dc"
    """DC volts at the loudspeaker output, amplifier side of the relay."""
    RAIL_PLUS = "rail-plus"
    RAIL_MINUS = "rail-minus"
    HEATSINK = "heatsink"
    BIAS = "bias"
    RESERVOIR = "reservoir"
    PROBE = "probe"
    """The meter in the technician's hand during cold checks."""
    WAVEFORM = "waveform"
    CUT_OFF = "cut-off"
    """A contactor ahead of the isolating transformer."""
    TYPED = "typed"
