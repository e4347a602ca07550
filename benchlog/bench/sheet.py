"""The part of a meter sheet that a bring-up's limits need: the source-current meter in five numbers."""

import msgspec

from benchlog.model.errors import UsageError
from benchlog.model.instrument import MeterSheet
from benchlog.model.quantity import Quantity


class CurrentMeter(msgspec.Struct, frozen=True):
    """How well the source current is read: ± (a of reading + counts × count_a), over some turns."""

    a: float
    """Fraction of reading: 0.01 for 1 %."""
    counts: float
    count_a: float
    """One count, in A, as displayed (not yet divided by the turns)."""
    turns: int = 1
    """Turns of the conductor through a clamp; readings are already divided by them."""
    least_a: float = 0.0
    """Least specified current, in A, as displayed."""


def current_meter(sheet: MeterSheet, turns: int | None = None) -> CurrentMeter:
    """The source-current meter that a sheet describes; ``turns`` instead of the sheet's where given.

    An accuracy stated in % of range is counted in counts. `UsageError` where the sheet states no AC current.
    """
    stated = sheet.find(Quantity.AC_CURRENT)
    if stated is None:
        raise UsageError(
            "The sheet of the source-current meter states no accuracy for AC current. "
            "Add it to the bench file."
        )
    of_range = stated.range_fraction * (stated.range or 0.0)
    if stated.count > 0.0:
        return CurrentMeter(
            stated.reading_fraction, stated.counts + of_range / stated.count, stated.count,
            turns or sheet.turns, stated.least,
        )  # fmt: skip
    return CurrentMeter(stated.reading_fraction, 1.0, of_range, turns or sheet.turns, stated.least)
