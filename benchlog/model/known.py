"""What is known of the part or place that a reading is taken at."""

from enum import StrEnum

import msgspec

from benchlog.model.unit import Fuse, OutputTopology


class Check(StrEnum):
    """What a reading is to tell; decides which limits it is held against."""

    CAPACITOR = "capacitor"
    VOICE_COIL = "voice-coil"
    JUNCTION = "junction"
    OUTPUT_TO_RAIL = "output-to-rail"
    RAIL = "rail"
    """Rail to common, or rail to rail."""
    FUSE = "fuse"
    EMITTER_RESISTOR = "emitter-resistor"
    RESISTOR = "resistor"
    WINDING = "winding"
    OFFSET = "offset"
    """DC at an output, on the amplifier's side of the loudspeaker relay."""
    BIAS = "bias"
    """Volts across an emitter resistor, warm."""


class Known(msgspec.Struct, frozen=True, omit_defaults=True):
    """What the technician knows of the part; None and empty where it was not said."""

    check: Check | None = None
    farad: float | None = None
    rated_v: float | None = None
    family: str = "general"
    celsius: float = 23.0
    used: bool = True
    lead_zero_ohm: float | None = None
    """What the leads read together, to be taken off; 0 where the meter was zeroed on them."""
    device: str = ""
    rated_ohm: float | None = None
    """Rated impedance of a loudspeaker, marking of a resistor."""
    tolerance: float = 0.05
    """Of a resistor, as a fraction."""
    fuse: Fuse | None = None
    across_ohm: float | None = None
    """Steady ohms read across the same two pins."""
    transformer_va: float | None = None
    winding_v: float | None = None
    topology: OutputTopology = OutputTopology.UNKNOWN
