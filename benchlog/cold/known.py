"""A reading as it is judged, and what is said of it."""

import msgspec

from benchlog.model.errors import UsageError
from benchlog.model.known import Check, Known
from benchlog.model.limit import Limit
from benchlog.model.point import PointKind
from benchlog.model.reading import Status
from benchlog.model.step import PointVerdict

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
