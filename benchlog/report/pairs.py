"""The same test point before and after: what changed, and whether the difference is real."""

import math
from collections.abc import Sequence

import msgspec

from benchlog.cold.corrections import in_force
from benchlog.cold.discharge import at_reservoir, feeders, is_reservoir
from benchlog.model.history import Entry, PartChanged, RunBegun, Taken
from benchlog.model.point import PointKind
from benchlog.model.step import PointVerdict
from benchlog.model.work import Adjusted
from benchlog.report.content import Table
from benchlog.report.figures import POINT_WORDS, with_u
from benchlog.report.tables import point_name, reading_text, verdict_text, way_of

NOTE = (
    "Difference: after less before. Real: larger than its uncertainty, √(U² + U²) of the two readings. "
    "Where an uncertainty is not known nothing is said of the difference."
)


class Difference(msgspec.Struct, frozen=True):
    """A difference with its expanded uncertainty, in the unit of measure of what it is a difference of."""

    value: float
    u: float | None
    """None where the uncertainty of either is not known."""

    @property
    def real(self) -> bool | None:
        """Whether it is larger than its uncertainty; None where that is not known."""
        return None if self.u is None else abs(self.value) > self.u


def difference(
    before: float | None, u_before: float | None, after: float | None, u_after: float | None
) -> Difference | None:
    """After less before; None where either has no value.

    U of the difference is √(U₁² + U₂²): JCGM 100:2008, 5.1.2, for independent readings. Two readings of one
    meter share part of their error, for which this is rather too wide.
    """
    if before is None or after is None:
        return None
    known = u_before is not None and u_after is not None
    u = math.hypot(u_before or 0.0, u_after or 0.0) if known else None
    return Difference(after - before, u)


def real_word(found: Difference | None) -> str:
    """``real``, ``not shown to be real`` or ``not known``."""
    if found is None or found.real is None:
        return "not known"
    return "real" if found.real else "not shown to be real"


def difference_text(found: Difference | None, unit: str) -> str:
    """A difference as it is printed."""
    if found is None:
        return "–"
    sign = "+" if found.value > 0 else ""
    return sign + with_u(found.value, found.u, unit)


Point = tuple[str, str, PointKind, str]
"""Group, name, kind and polarity: what makes two readings readings of the same."""

_SEVERITY = (PointVerdict.OUTSIDE, PointVerdict.DOUBTFUL, PointVerdict.NONE, PointVerdict.WITHIN)


class Pair(msgspec.Struct, frozen=True):
    """The last reading of a point before the work, and its last one after."""

    before: Taken
    after: Taken


def readings_of(entries: Sequence[Entry]) -> dict[Point, list[tuple[int, Taken]]]:
    """Readings that count, by point, with the numbers of their entries.

    Without readings that only prove a reservoir empty, and without a new part's own.
    """
    counting = in_force(entries)
    known = {name for e in counting if isinstance(e.payload, Taken) for name in feeders(e.payload.point)}
    found: dict[Point, list[tuple[int, Taken]]] = {}
    for entry in counting:
        taken = entry.payload
        if isinstance(taken, Taken) and not taken.part and not is_reservoir(at_reservoir(taken.point, known)):
            key = (taken.point.group, taken.point.name, taken.point.kind, taken.polarity)
            found.setdefault(key, []).append((entry.seq, taken))
    return found


def work_begun(entries: Sequence[Entry]) -> int | None:
    """Number of the entry with which the work began: the first part out or in, else the first adjustment.

    Else the first bring-up; None where nothing was done, so that readings taken twice are mere repeats.
    """
    for kind in (PartChanged, Adjusted, RunBegun):
        for entry in in_force(entries):
            what = entry.payload
            if isinstance(what, kind) and getattr(what, "direction", "in") in ("in", "out"):
                return entry.seq
    return None


def pairs_of(entries: Sequence[Entry]) -> dict[Point, Pair]:
    """Points that were read before the work and after it."""
    begun = work_begun(entries)
    found: dict[Point, Pair] = {}
    if begun is None:
        return found
    for key, readings in readings_of(entries).items():
        before = [taken for seq, taken in readings if seq < begun]
        after = [taken for seq, taken in readings if seq > begun]
        if before and after:
            found[key] = Pair(before[-1], after[-1])
    return found


def pairs_table(entries: Sequence[Entry], plain: bool = False) -> Table | None:
    """Checks before the work and after it; None where no point was read both times.

    ``plain`` leaves out whether the difference is real.
    """
    columns = ("Test point", "Before", "Verdict", "After", "Verdict", "Difference", "Real?")
    rows = tuple(_row(pair) for pair in pairs_of(entries).values())
    if not rows:
        return None
    if plain:
        cut = tuple(row[:5] for row in rows)
        return Table(
            "Before and after", columns[:5], cut, (), (4, 2, 2, 2, 2), what="readings before and after"
        )
    return Table("Before and after", columns, rows, widths=(3, 0, 2, 0, 2, 0, 2), note=NOTE)


def _row(pair: Pair) -> tuple[str, ...]:
    before, after = pair.before, pair.after
    found = difference(before.value, before.u, after.value, after.u)
    return (
        point_name(before.point) + way_of(before),
        reading_text(before),
        POINT_WORDS[before.verdict],
        reading_text(after),
        POINT_WORDS[after.verdict],
        difference_text(found, after.quantity.unit),
        real_word(found),
    )


def others_table(entries: Sequence[Entry]) -> Table | None:
    """The last reading of every other point, what is outside its limit first; in plain words."""
    paired = pairs_of(entries)
    last = [readings[-1][1] for key, readings in readings_of(entries).items() if key not in paired]
    if not last:
        return None
    rows = tuple(
        (point_name(t.point) + way_of(t), reading_text(t), verdict_text(t, plain_words=True))
        for t in sorted(last, key=lambda t: _SEVERITY.index(t.verdict))
    )
    title = "Other test points" if paired else "Test points"
    return Table(
        title, ("Test point", "Reading", "Verdict"), rows, (), (4, 3, 5), what="readings at test points"
    )
