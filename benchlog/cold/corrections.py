"""Corrections: entries that no longer count. Nothing is taken out of the history; it is only passed over.

voided(entries) -> numbers       of the entries that a correction says do not count
in_force(entries) -> entries     those that count
"""

from collections.abc import Iterable, Sequence

from benchlog.model.errors import UsageError
from benchlog.model.history import (
    Approved,
    Corrected,
    Entry,
    JobEnded,
    Noted,
    PartChanged,
    PointsListed,
    Taken,
)
from benchlog.model.work import (
    Adjusted,
    Estimated,
    FinalChecked,
    FirstLook,
    Photographed,
    SafetyMeasured,
)

MAY_BE_VOID = (
    Taken, PointsListed, PartChanged, Approved, JobEnded, Noted, FirstLook, Photographed, Estimated, Adjusted,
    FinalChecked, SafetyMeasured,
)  # fmt: skip
"""What a technician entered. What the recorder saw of a bring-up always counts."""


def voided(entries: Iterable[Entry]) -> frozenset[int]:
    """Numbers of the entries that a later correction says do not count."""
    return frozenset(
        e.payload.corrects for e in entries if isinstance(e.payload, Corrected) and e.payload.void
    )


def in_force(entries: Iterable[Entry]) -> tuple[Entry, ...]:
    """The entries that count, in the order written."""
    kept = tuple(entries)
    gone = voided(kept)
    if not gone:
        return kept
    return tuple(e for e in kept if e.seq not in gone or not isinstance(e.payload, MAY_BE_VOID))


def correction(entries: Sequence[Entry], number: int, text: str, by: str, void: bool) -> Corrected:
    """The entry that corrects another. `UsageError` where there is none, or it always counts."""
    found = next((e for e in entries if e.seq == number), None)
    if found is None:
        raise UsageError(f"There is no entry {number}. 'benchlog show' prints their numbers.")
    if void and not isinstance(found.payload, MAY_BE_VOID):
        raise UsageError(f"Entry {number} was written by the program and always counts. Correct it in words.")
    if not text.strip():
        raise UsageError("A correction needs its words: what it should have said, or why it does not count.")
    return Corrected(number, text.strip(), by, void)
