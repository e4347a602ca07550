"""Made safe first: which points wait until the reservoirs that feed them were proved to be empty.

    standing_of(entries) -> Standing             what has been proved, from the history
    waits_for(point, in_circuit, standing)       the reservoirs that are still to be proved
    discharge(volts, farad, ohms) -> Discharge   how long it takes, and what the resistor has to take

A reservoir is proved by a DC reading at its own terminals below 1 V, U allowed for, with a meter that was
shown to read a known source before and after (ours). One reservoir proved does not clear another: behind an
open rail fuse one stays charged. Power put on again takes all proofs away.
"""

import math
from collections.abc import Iterable, Sequence

import msgspec

from benchlog.cold.budget import uncertainty
from benchlog.cold.corrections import voided
from benchlog.limits.powered import discharge_peak_w, discharge_time, ohms_gate, touch_gate
from benchlog.model.errors import UsageError
from benchlog.model.history import Entry, PointsListed, RunBegun, Taken
from benchlog.model.point import PointKind, TestPoint
from benchlog.model.printed import with_prefix, with_u
from benchlog.model.reading import Status

WAITING = frozenset(
    {PointKind.OHMS, PointKind.JUNCTION, PointKind.ESR, PointKind.CAPACITANCE, PointKind.CONTINUITY}
)
"""Kinds of point that a charge falsifies, or where it destroys the meter."""

ANY = "whatever feeds it"
"""Stands for the reservoirs of a point of which nobody said what feeds it."""


class Standing(msgspec.Struct, frozen=True):
    """Reservoirs by name: proved, vouched for, and known but neither."""

    known: frozenset[str] = frozenset()
    proved: frozenset[str] = frozenset()
    checked: frozenset[str] = frozenset()
    why: tuple[tuple[str, str], ...] = ()
    """Why a reservoir that was read is not proved."""
    charged: tuple[tuple[str, str], ...] = ()
    """Reservoirs whose latest reading was not below 1 V, and what was read; no word stands against it."""


class Discharge(msgspec.Struct, frozen=True):
    """A discharge through a resistor. Times are estimates: the meter proves, never the clock."""

    touch_s: float
    """Until it may be touched."""
    ohms_s: float
    """Until ohms, junctions and ESR may be measured."""
    peak_w: float
    energy_j: float


def discharge(volts: float, farad: float, ohms: float) -> Discharge:
    """Times R·C·ln(V0/V), first watts V²/R, energy ½·C·V². `UsageError` unless all are above zero."""
    return Discharge(
        discharge_time(volts, farad, ohms, touch_gate().value).value,
        discharge_time(volts, farad, ohms, ohms_gate().value).value,
        discharge_peak_w(volts, ohms).value,
        0.5 * farad * volts * volts,
    )


def feeders(point: TestPoint) -> tuple[str, ...]:
    """Names of the reservoirs that feed a point."""
    return tuple(name.strip() for name in point.fed_by.split(",") if name.strip())


def is_reservoir(point: TestPoint) -> bool:
    """Whether the point is a reservoir's own terminals: DC volts, fed by itself."""
    return point.kind is PointKind.DC_VOLTS and point.name in feeders(point)


def at_reservoir(point: TestPoint, known: Iterable[str]) -> TestPoint:
    """The point as a reservoir's own terminals where DC volts are read under a known reservoir's name."""
    if point.kind is PointKind.DC_VOLTS and point.name in known and not is_reservoir(point):
        return msgspec.structs.replace(point, fed_by=point.name)
    return point


class _Tally:
    """Reservoirs as the history goes on."""

    def __init__(self) -> None:
        """Nothing is known yet."""
        self.known: set[str] = set()
        self.proved: set[str] = set()
        self.checked: set[str] = set()
        self.why: dict[str, str] = {}
        self.charged: dict[str, str] = {}

    def power(self) -> None:
        """Power was on: what was proved or vouched for is so no longer."""
        self.why |= dict.fromkeys(self.proved | self.checked, "power was on after it was proved")
        self.proved.clear()
        self.checked.clear()

    def void(self, taken: Taken) -> None:
        """A reading that a correction says does not count."""
        self.known |= set(feeders(taken.point))
        self.proved.discard(taken.point.name)
        self.checked.difference_update({*feeders(taken.point), ANY})
        if is_reservoir(taken.point):
            self.why[taken.point.name] = "the reading that was to prove it does not count"

    def take(self, taken: Taken) -> None:
        """A reading that counts."""
        self.known |= set(feeders(taken.point))
        if is_reservoir(at_reservoir(taken.point, self.known)):
            self._read(taken)
        elif taken.checked:
            self.checked |= set(feeders(taken.point) or (ANY,)) - set(self.charged)

    def _read(self, taken: Taken) -> None:
        """A reading at a reservoir's own terminals: a high one takes back what was proved and vouched for."""
        name, reason = taken.point.name, not_proved_by(taken)
        charged = charged_words(taken)
        if charged:
            self.charged[name] = charged
        elif taken.value is not None:
            self.charged.pop(name, None)
        if reason:
            self.proved.discard(name)
            if taken.value is None or name in self.charged:
                self.checked.difference_update({name, ANY})
            self.why[name] = reason
        else:
            self.proved.add(name)
            self.why.pop(name, None)


def standing_of(entries: Iterable[Entry]) -> Standing:
    """What the history proves; reservoirs become known where a point names them.

    A reading that a correction says does not count proves nothing, and its reservoir has to be read again.
    """
    entries = tuple(entries)
    gone = voided(entries)
    so_far = _Tally()
    for entry in entries:
        match entry.payload:
            case RunBegun():
                so_far.power()
            case PointsListed(points=points):
                so_far.known |= {name for point in points for name in feeders(point)}
            case Taken() as taken if entry.seq in gone:
                so_far.void(taken)
            case Taken() as taken:
                so_far.take(taken)
            case _:
                pass
    return Standing(
        frozenset(so_far.known),
        frozenset(so_far.proved),
        frozenset(so_far.checked),
        tuple(sorted(so_far.why.items())),
        tuple(sorted(so_far.charged.items())),
    )


def charged_words(taken: Taken) -> str:
    """What a reading shows that is not below the gate for ohms; empty where it shows no charge."""
    if taken.status is Status.OVERLOAD:
        return "more than the meter's range"
    charged = taken.value is not None and abs(taken.value) >= ohms_gate().value
    return with_prefix(taken.value or 0.0, "V") if charged else ""


def not_proved_by(taken: Taken) -> str:
    """Why a reading does not prove its reservoir; empty where it does."""
    gate = ohms_gate().value
    if taken.value is None:
        return "the reading has no value"
    u = taken.u if taken.u is not None else uncertainty(taken.point.kind, taken.value, 0.01).u
    if abs(taken.value) < gate <= abs(taken.value) + u:
        read = with_u(taken.value, u, "V")
        return f"{read} was read there: too wide to show {gate:g} V; type every digit, or take a lower range"
    if abs(taken.value) >= gate:
        return f"{with_prefix(taken.value, 'V')} was read there, not below {gate:g} V"
    if not taken.meter_proved:
        return "the meter was not shown to read a known source before and after"
    return ""


def waits_for(point: TestPoint, in_circuit: bool | None, standing: Standing) -> tuple[str, ...]:
    """Reservoirs still to be proved before a reading at the point; empty where it may be taken.

    A part out of circuit waits for none. A point of which nobody said what feeds it waits for all the
    reservoirs that are known, and where none is known for somebody's word (`ANY`).
    """
    if point.kind not in WAITING or in_circuit is False:
        return ()
    done = standing.proved | standing.checked
    named = feeders(point)
    if named:
        return tuple(name for name in named if name not in done)
    if ANY in standing.checked:
        return tuple(name for name, _ in standing.charged)
    if not standing.known:
        return (ANY,)
    return tuple(sorted(standing.known - done))


def told(waiting: Sequence[str], standing: Standing) -> str:
    """One line that says what is to be proved and how."""
    charged = charged_line(waiting, standing)
    if charged:
        return f"{charged} (take … --reservoir --meter-proved; note … --corrects N --void.)"
    why = dict(standing.why)
    names = "; ".join(f"{name} ({why[name]})" if name in why else name for name in waiting)
    return (
        f"Not proved below {ohms_gate().value:g} V: {names}. Unplug, discharge, and take DC volts at its own "
        "terminals with a meter proved before and after (take … --kind dc-v --reservoir --meter-proved), or "
        "say why it is empty: --checked REASON."
    )


def charged_line(names: Iterable[str], standing: Standing) -> str:
    """That reservoirs among these were read charged; empty where none was. No word goes past that."""
    read = [f"{name} read {words}" for name, words in standing.charged if name in set(names)]
    if not read:
        return ""
    return (
        f"CHARGED: {'; '.join(read)}. Unplug, discharge it, and read it again at its own terminals: a "
        "reading is not set aside by a word. If that reading was a slip, say that it does not count."
    )


def reservoir(name: str, group: str = "") -> TestPoint:
    """The test point at a reservoir's own terminals. `UsageError` for a name without text or with a comma."""
    if not name.strip() or "," in name:
        raise UsageError("A reservoir needs a name without a comma, e.g. 'reservoir +'.")
    return TestPoint(name.strip(), PointKind.DC_VOLTS, group, name.strip())


def remaining_v(volts: float, farad: float, ohms: float, t_s: float) -> float:
    """Volts left after ``t_s`` seconds: V0·e^(−t/RC)."""
    return volts * math.exp(-t_s / (ohms * farad))
