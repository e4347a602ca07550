"""Wall-clock times of many instants at once, as ISO 8601 text with the offset from UTC."""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

import numpy as np

from benchlog.model.clock import microseconds
from benchlog.model.errors import SessionDamaged
from benchlog.session.series import Instants
from benchlog.session.timeaxis import TimeAnchor

MOST_S = 1e10
"""Seconds from the start that no session reaches: 300 years."""

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_US = timedelta(microseconds=1)


def iso_times(anchors: Sequence[TimeAnchor], t_us: Instants) -> list[str]:
    """What `timeaxis.wall_of` gives for each instant, e.g. ``2026-01-05T09:00:00.100000-05:00``.

    ``anchors`` in order of time; `SessionDamaged` where there is none.
    """
    if not anchors:
        raise SessionDamaged("The session does not say when it was recorded. Run 'benchlog verify' on it.")
    starts = np.array([anchor.t_us for anchor in anchors], np.int64)
    unix = np.array([(anchor.wall - _EPOCH) // _US for anchor in anchors], np.int64)
    offsets = [anchor.wall.utcoffset() or timedelta() for anchor in anchors]
    shifts = np.array([offset // _US for offset in offsets], np.int64)
    scales = np.array([anchor.scale for anchor in anchors])
    of = np.maximum(np.searchsorted(starts, t_us, side="right") - 1, 0)
    local = unix[of] + shifts[of] + np.rint((t_us - starts[of]) / scales[of]).astype(np.int64)
    texts = np.datetime_as_string(local.astype("datetime64[us]"))
    ends = [_offset_text(offset) for offset in offsets]
    return [f"{text}{ends[k]}" for text, k in zip(texts.tolist(), of.tolist(), strict=True)]


def instant(t_s: float) -> int:
    """Session instant in µs of seconds from a file. `ValueError` for one that no session reaches."""
    if not abs(t_s) < MOST_S:
        raise ValueError(f"the instant {t_s} s")
    return microseconds(t_s)


def _offset_text(offset: timedelta) -> str:
    minutes = round(offset.total_seconds() / 60)
    return f"{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"
