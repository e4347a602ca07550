"""The same point in two channels: left beside right, from the latest reading of each.

A channel is the point's group, or the word ``left`` or ``right`` in its name or its group.
"""

import re
from collections.abc import Iterable

import msgspec

from benchlog.cold.budget import uncertainty
from benchlog.cold.corrections import in_force
from benchlog.cold.judge import compare
from benchlog.cold.known import Judgement, Seen
from benchlog.model.history import Entry, Taken
from benchlog.model.point import PointKind

_SIDE = re.compile(r"[,;]?\s*\b(left|right)\b\s*[,;]?\s*", re.IGNORECASE)
_COUNTS = 1000.0
"""Counts that a hand meter is taken to show where its last place is not known."""


class Beside(msgspec.Struct, frozen=True):
    """One point in two channels and what comparing them says."""

    name: str
    kind: PointKind
    polarity: str
    channels: tuple[str, str]
    readings: tuple[Taken, Taken]
    seqs: tuple[int, int]
    judgement: Judgement


def channels_beside(entries: Iterable[Entry]) -> tuple[Beside, ...]:
    """Points read in both channels, in the order of their first reading."""
    found: dict[tuple[str, PointKind, str], dict[str, tuple[int, Taken]]] = {}
    for entry in in_force(entries):
        taken = entry.payload
        if isinstance(taken, Taken) and not taken.part:
            name, side = side_of(taken)
            if side:
                found.setdefault((name, taken.point.kind, taken.polarity), {})[side] = (entry.seq, taken)
    return tuple(_beside(key, sides) for key, sides in found.items() if len(sides) == 2)


def side_of(taken: Taken) -> tuple[str, str]:
    """Name of the point without its channel, and the channel: ``left``, ``right`` or empty."""
    for text in (taken.point.name, taken.point.group):
        match = _SIDE.search(text)
        if match is not None:
            name = _SIDE.sub(" ", taken.point.name).strip()
            return " ".join(name.split()), match[1].lower()
    return taken.point.name, ""


def _beside(key: tuple[str, PointKind, str], sides: dict[str, tuple[int, Taken]]) -> Beside:
    left, right = sides["left"], sides["right"]
    said = compare(seen_of(left[1]), seen_of(right[1]))
    return Beside(
        *key, ("left", "right"), (left[1], right[1]), (left[0], right[0]), said
    )  # fmt: skip


def seen_of(taken: Taken) -> Seen:
    """A reading of the history as it is judged; with a hand meter's uncertainty where none is recorded."""
    u = taken.u
    if u is None and taken.value is not None:
        leads = taken.point.known.lead_zero_ohm is not None
        u = uncertainty(taken.point.kind, taken.value, abs(taken.value) / _COUNTS, leads_known=leads).u
    return Seen(
        taken.point.kind, taken.value, u, taken.status, None, taken.in_circuit, taken.polarity
    )  # fmt: skip
