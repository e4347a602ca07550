"""The session's axis and the wall clock: what o'clock it was at an instant."""

from bisect import bisect_right
from collections.abc import Sequence
from datetime import datetime, timedelta, timezone

import msgspec

MOST_US = 1 << 60
MOST_SCALE = 1e9


class TimeAnchor(msgspec.Struct, frozen=True):
    """Ties an instant of the session's axis to the wall clock, and says how fast the axis runs from there."""

    t_us: int
    wall: datetime
    """Aware local time."""
    scale: float = 1.0
    """Session seconds per real second."""


def anchor_of(t_us: int, unix_us: int, offset_s: int, scale: float) -> TimeAnchor:
    """An anchor of its row: wall clock as microseconds since 1970 (UTC) and seconds east of Greenwich.

    `ValueError` or `OverflowError` for what is none.
    """
    if not (0 < scale < MOST_SCALE and abs(t_us) < MOST_US):
        raise ValueError("an anchor of the time axis")
    zone = timezone(timedelta(seconds=offset_s))
    return TimeAnchor(t_us, datetime.fromtimestamp(0, zone) + timedelta(microseconds=unix_us), scale)


def wall_of(anchors: Sequence[TimeAnchor], t_us: int) -> datetime:
    """Wall-clock time of an instant, by the last anchor not after it (the first one for what is earlier).

    ``anchors`` in order of time, at least one.
    """
    anchor = anchors[max(0, bisect_right(anchors, t_us, key=lambda a: a.t_us) - 1)]
    return anchor.wall + timedelta(microseconds=round((t_us - anchor.t_us) / anchor.scale))
