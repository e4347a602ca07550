"""The unit on the bench: what it is and what its plate says."""

from enum import StrEnum

import msgspec

from benchlog.model.errors import UsageError


class Amplifier(StrEnum):
    """Kind of amplifier."""

    CLASS_AB = "class-ab"
    CLASS_A = "class-a"
    CLASS_D = "class-d"
    VALVE = "valve"


class Supply(StrEnum):
    """The unit's own power supply."""

    LINEAR = "linear"
    SWITCH_MODE = "switch-mode"


class Core(StrEnum):
    """Core of the mains transformer."""

    TOROIDAL = "toroidal"
    FRAME = "frame"


class OutputTopology(StrEnum):
    """How the output reaches the loudspeaker; decides how DC there is judged."""

    DIRECT = "direct"
    """Direct-coupled on split rails."""
    SERVO = "servo"
    CAPACITOR = "capacitor"
    BRIDGE = "bridge"
    UNKNOWN = "unknown"


class PlateKind(StrEnum):
    """In what the nameplate states the rated input."""

    AMPERES = "a"
    WATTS = "w"
    VOLT_AMPERES = "va"


class Plate(msgspec.Struct, frozen=True):
    """The nameplate's rated input, at ``Unit.mains_v``."""

    kind: PlateKind
    value: float


class Fuse(msgspec.Struct, frozen=True):
    """A fuse as it is marked, e.g. ``T2AL250V`` (IEC 60127-1 order) or ``UL 2A``."""

    marking: str
    rated_a: float
    characteristic: str = ""
    """FF, F, M, T or TT; empty when not marked."""
    breaking: str = ""
    """L, E or H; empty when not marked."""
    standard: str = "iec"
    """``iec`` (60127) or ``ul`` (248-14)."""


class Unit(msgspec.Struct, frozen=True):
    """What a technician knows of the unit from its outside and its papers."""

    amplifier: Amplifier = Amplifier.CLASS_AB
    supply: Supply = Supply.LINEAR
    core: Core | None = Core.TOROIDAL
    """None where it was not looked at; the limits then take the wider band."""
    mains_v: float = 120.0
    """Nominal voltage: the marked voltage that the selector stands at."""
    mains_hz: float = 60.0
    plate: Plate | None = None
    fuse: Fuse | None = None
    idle_w: float | None = None
    """The maker's idle watts, where a service manual gives them."""
    idle_a: float | None = None
    topology: OutputTopology = OutputTopology.DIRECT
    protective_earth: bool | None = None
    """True for a Class I unit, False for Class II, None when not recorded."""
    maker_text: str = ""
    model_text: str = ""
    serial: str = ""

    @property
    def rated_a(self) -> float:
        """Rated plate amperes Ir: amperes as marked; VA ÷ V; watts ÷ (V·0.7) (power factor 0.7: ours)."""
        if self.plate is None:
            raise UsageError("The unit has no nameplate figure. Give --plate-a, --plate-w or --plate-va.")
        if self.plate.kind is PlateKind.AMPERES:
            return self.plate.value
        if self.plate.kind is PlateKind.VOLT_AMPERES:
            return self.plate.value / self.mains_v
        return self.plate.value / (self.mains_v * 0.7)

    @property
    def plate_va(self) -> float:
        """Rated apparent power in VA: Ir times the nominal voltage."""
        return self.rated_a * self.mains_v
