"""The summary: one row for every 256 readings of a channel, from which a first graph is drawn at once.

It is derived from the readings and can be made again; `verify` compares it with them.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import chain
from math import fsum
from typing import Any

import numpy as np

from benchlog.session.chain import PACK
from benchlog.session.reduction import LEAST_GAP_US, open_gaps, usual_gap
from benchlog.session.schema import BLOCK
from benchlog.session.series import ROW, Instants, Rows, Trace, Values

COLUMNS = (
    "channel, block, first_us, last_us, count, gaps, gap_at_us, longest_us, longest_at_us,"
    " least, least_at_us, greatest, greatest_at_us, mean"
)
ABSENT = float(1 << 62)
"""Stands for a cell that is empty, in `CURVE`."""

_MAYBE = ("gap_at_us", "least", "least_at_us", "greatest", "greatest_at_us")
CURVE_CELLS = 9
CURVE = "first_us, last_us, longest_us, longest_at_us, " + ", ".join(
    f"ifnull({name}, {1 << 62})" for name in _MAYBE
)
"""What of a summary row a curve needs."""

Row = tuple[Any, ...]


@dataclass(slots=True)
class Tail:
    """The readings of a channel that no summary row covers yet."""

    channel: int
    block: int = 0
    """Number of the next block."""
    last_us: int | None = None
    """End of the last reading before the tail; None before the first."""
    packed: bytearray | None = None

    def take(self, packed: bytes) -> list[Row]:
        """Add readings (packed); returns the summary rows that became complete."""
        held = self.packed = (self.packed or bytearray()) + packed
        whole = len(held) // (BLOCK * PACK.size)
        if not whole:
            return []
        size = whole * BLOCK * PACK.size
        rows = summarise(self.channel, self.block, self.last_us, np.frombuffer(bytes(held[:size]), ROW))
        self.block += whole
        self.last_us = int(rows[-1][3])
        self.packed = held[size:]
        return rows


def _instant_or_none(instant: np.int64, there: np.bool_) -> int | None:
    return int(instant) if there else None


def _summarise_one(channel: int, block: int, before_us: int | None, rows: Rows) -> Row:
    end = rows["t_us"]
    mid = end - rows["took_us"] // 2
    valid = rows["status"] == 0
    value = rows["value"][valid]
    intervals = np.diff(end, prepend=end[0] if before_us is None else before_us)
    longest = int(np.argmax(intervals))
    at = mid[valid]
    low, high = (int(np.argmin(value)), int(np.argmax(value))) if value.size else (0, 0)
    count = int(value.size)
    return (
        channel,
        block,
        int(end[0]),
        int(end[-1]),
        count,
        int(rows.size) - count,
        _instant_or_none(mid[int(np.argmin(valid))], np.bool_(count < rows.size)),
        int(intervals[longest]),
        int(end[longest] - intervals[longest] // 2),
        float(value[low]) if count else None,
        int(at[low]) if count else None,
        float(value[high]) if count else None,
        int(at[high]) if count else None,
        fsum((value / count).tolist()) if count else None,
    )


def summarise(channel: int, block: int, before_us: int | None, rows: Rows) -> list[Row]:
    """Summary rows of whole blocks, in the order of `COLUMNS`.

    ``before_us`` is the end of the reading before them, None where there is none. Every machine makes the
    same rows (sums by `math.fsum`).
    """
    made: list[Row] = []
    for start in range(0, rows.size, BLOCK):
        part = rows[start : start + BLOCK]
        made.append(_summarise_one(channel, block + start // BLOCK, before_us, part))
        before_us = int(part["t_us"][-1])
    return made


def points_of(rows: Sequence[Row]) -> tuple[Instants, Values]:
    """Points of a curve from rows of `CURVE`: each block's least and greatest, NaN where the line breaks.

    A line breaks at readings without a value, and where a silence is far longer than the block's
    readings are apart.
    """
    cells = np.fromiter(chain.from_iterable(rows), np.float64).reshape(-1, CURVE_CELLS)
    first, last, longest, longest_at, gap_at, least, least_at, greatest, greatest_at = cells.T
    silent = longest > np.maximum(LEAST_GAP_US, 5 * (last - first) / BLOCK)
    parts = (
        (least_at, least, least_at != ABSENT),
        (greatest_at, greatest, greatest_at != ABSENT),
        (gap_at, np.full_like(gap_at, np.nan), gap_at != ABSENT),
        (longest_at, np.full_like(gap_at, np.nan), silent),
    )
    t_us = np.concatenate([at[there] for at, _, there in parts]).astype(np.int64)
    value = np.concatenate([value[there] for _, value, there in parts])
    order = np.argsort(t_us, kind="stable")
    return t_us[order], value[order]


def trace_of(parts: Sequence[tuple[Instants, Values]], count: int, reduced: bool) -> Trace:
    """One curve of parts that follow each other in time."""
    t_us = np.concatenate([t for t, _ in parts]) if parts else np.empty(0, np.int64)
    value = np.concatenate([v for _, v in parts]) if parts else np.empty(0, np.float64)
    return Trace(t_us, value, count, reduced)


def raw_points(rows: Rows) -> tuple[Instants, Values]:
    """Points of a curve from packed rows, with silences opened."""
    mid = rows["t_us"] - rows["took_us"] // 2
    value = np.where(rows["status"] == 0, rows["value"], np.nan)
    if np.any(np.diff(mid) < 0):
        order = np.argsort(mid, kind="stable")
        mid, value = mid[order], value[order]
    return open_gaps(mid, value, usual_gap(mid))
