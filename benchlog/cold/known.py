"""What is known of the part or place that is measured, and what was judged of it."""

from enum import StrEnum

import msgspec

from benchlog.model.errors import UsageError
from benchlog.model.limit import Limit
from benchlog.model.point import PointKind
from benchlog.model.reading import Status
from benchlog.model.step import PointVerdict
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


KINDS: dict[Check, frozenset[PointKind]] = {
    Check.CAPACITOR: frozenset({PointKind.ESR, PointKind.CAPACITANCE}),
    Check.VOICE_COIL: frozenset({PointKind.OHMS}),
    Check.JUNCTION: frozenset({PointKind.JUNCTION}),
    Check.OUTPUT_TO_RAIL: frozenset({PointKind.OHMS, PointKind.CONTINUITY}),
    Check.RAIL: frozenset({PointKind.OHMS, PointKind.CONTINUITY}),
    Check.FUSE: frozenset({PointKind.OHMS, PointKind.CONTINUITY}),
    Check.EMITTER_RESISTOR: frozenset({PointKind.OHMS}),
    Check.RESISTOR: frozenset({PointKind.OHMS}),
    Check.WINDING: frozenset({PointKind.OHMS, PointKind.CONTINUITY}),
    Check.OFFSET: frozenset({PointKind.DC_VOLTS}),
    Check.BIAS: frozenset({PointKind.DC_VOLTS}),
}
"""Kinds of test point at which a check can be made."""


class Seen(msgspec.Struct, frozen=True):
    """One reading as it is judged: a value, or the status that stands for it."""

    kind: PointKind
    value: float | None
    """SI, as displayed: leads not taken off."""
    u: float | None = None
    """Expanded uncertainty in the same unit of measure; None where not known."""
    status: Status | None = None
    range: float | None = None
    """Full scale; None where not known."""
    in_circuit: bool | None = None
    polarity: str = ""
    """``forward`` or ``reverse`` at a junction."""

    @property
    def is_open(self) -> bool:
        """Whether the meter showed open leads or a value beyond its range."""
        return self.status in (Status.OPEN_LEADS, Status.OVERLOAD)


class Known(msgspec.Struct, frozen=True):
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


class Judgement(msgspec.Struct, frozen=True):
    """What is said of one reading."""

    verdict: PointVerdict
    reason: str
    limit: Limit | None = None
    """The limit that decided; for no judgement the nearest one, shown and not decided by."""
    value: float | None = None
    """The value that was held against the limit: leads taken off."""
    u: float | None = None
    """Expanded uncertainty that was allowed for."""


def none(reason: str, limit: Limit | None = None) -> Judgement:
    """No judgement, with its reason."""
    return Judgement(PointVerdict.NONE, reason, limit)


def check_of(kind: PointKind, known: Known) -> Check | None:
    """Which check a reading serves: the one that was said, or the one that what is known can only mean.

    `UsageError` where the kind of point can't serve it.
    """
    check = known.check or _meant(kind, known)
    if check is not None and kind not in KINDS[check]:
        fit = ", ".join(sorted(k.value for k in KINDS[check]))
        raise UsageError(f"A {check.value} is not judged by a reading of kind {kind.value}. Use {fit}.")
    return check


def _meant(kind: PointKind, known: Known) -> Check | None:
    if kind is PointKind.JUNCTION:
        return Check.JUNCTION
    if kind in (PointKind.ESR, PointKind.CAPACITANCE):
        return Check.CAPACITOR
    if kind in (PointKind.OHMS, PointKind.CONTINUITY) and known.fuse is not None:
        return Check.FUSE
    return None
