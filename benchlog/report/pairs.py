"""The same test point before and after: what changed, and whether the difference is real."""

import math
from collections.abc import Sequence

import msgspec

from benchlog.cold.points import Pair, pairs_of
from benchlog.model.history import Entry
from benchlog.report.content import Table
from benchlog.report.figures import POINT_WORDS, with_prefix
from benchlog.report.tables import point_name, reading_text

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
    text = sign + with_prefix(found.value, unit)
    return text if found.u is None else f"{text} ± {with_prefix(found.u, unit, 2)}"


def pairs_table(entries: Sequence[Entry]) -> Table | None:
    """Checks before and after, paired by test point; None where no point was read twice."""
    rows = tuple(_row(pair) for pair in pairs_of(entries))
    if not rows:
        return None
    return Table(
        title="Before and after",
        columns=("Test point", "Before", "Verdict", "After", "Verdict", "Difference", "Real?"),
        rows=rows,
        widths=(3, 0, 2, 0, 2, 0, 2),
        note=NOTE,
    )


def _row(pair: Pair) -> tuple[str, ...]:
    before, after = pair.before, pair.after
    found = difference(before.value, before.u, after.value, after.u)
    return (
        point_name(before.point),
        reading_text(before),
        POINT_WORDS[before.verdict],
        reading_text(after),
        POINT_WORDS[after.verdict],
        difference_text(found, after.quantity.unit),
        real_word(found),
    )
