"""Fewer points for the same picture: no peak is lost and no gap is closed."""

import numpy as np
import numpy.typing as npt

from benchlog.session.series import Instants, Values

LEAST_GAP_US = 1_000_000
"""A silence shorter than this never breaks a line."""


def usual_gap(t_us: Instants) -> int:
    """How long a silence breaks the line: five times the median interval, at least `LEAST_GAP_US`."""
    if t_us.size < 2:
        return LEAST_GAP_US
    return max(LEAST_GAP_US, 5 * int(np.median(np.diff(t_us))))


def open_gaps(t_us: Instants, value: Values, gap_us: int) -> tuple[Instants, Values]:
    """The same points with a NaN in the middle of every silence longer than ``gap_us``."""
    after = np.flatnonzero(np.diff(t_us) > gap_us)
    if not after.size:
        return t_us, value
    middles = t_us[after] + (t_us[after + 1] - t_us[after]) // 2
    return np.insert(t_us, after + 1, middles), np.insert(value, after + 1, np.nan)


def _first_in_bin(hit: npt.NDArray[np.bool_], bin_of: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    at = np.flatnonzero(hit)
    first: npt.NDArray[np.int64] = at[np.diff(bin_of[at], prepend=-1) != 0]
    return first


def reduce_points(t_us: Instants, value: Values, max_points: int) -> tuple[Instants, Values]:
    """At most ``max_points`` (at least 5) of the points, in order of time.

    The time is cut into even bins; of each bin its least, its greatest and its first NaN stay, each at
    its own instant, and of the whole the first and the last point.
    """
    if t_us.size <= max_points:
        return t_us, value
    bins = max(1, (max_points - 2) // 3)
    span = int(t_us[-1] - t_us[0]) + 1
    bin_of = ((t_us - t_us[0]) * (bins / span)).astype(np.int64)
    starts = np.flatnonzero(np.diff(bin_of, prepend=-1))
    counts = np.diff(starts, append=t_us.size)
    least = np.repeat(np.fmin.reduceat(value, starts), counts)
    greatest = np.repeat(np.fmax.reduceat(value, starts), counts)
    kept = np.concatenate(
        [
            _first_in_bin(value == least, bin_of),
            _first_in_bin(value == greatest, bin_of),
            _first_in_bin(np.isnan(value), bin_of),
            np.array([0, t_us.size - 1]),
        ]
    )
    kept = np.unique(kept)
    return t_us[kept], value[kept]
