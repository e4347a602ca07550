"""Zero crossings of the mains voltage, and the frequency they tell.

find_crossings(v_v, scale_v) -> Crossings            fractional sample positions, in order
regular(at) -> Floats                                the same on the even grid of the mains itself
mains_frequency(at, rate_hz) -> float | None         Hz
before(at, first) -> Floats                          carried back to before the position ``first``
"""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Samples = npt.NDArray[np.floating]

CHUNK = 65_536
"""Samples handled at a time, so that what is computed on the way stays in the processor's cache."""
_HYSTERESIS = 0.25
_LEAST_PERIOD = 4.0
"""Samples in a cycle below which no waveform is left to judge."""


@dataclass(frozen=True, slots=True, eq=False)
class Crossings:
    """Zero crossings as fractional sample positions; ``rising_first`` tells the sign of the first one."""

    at: Floats
    rising_first: bool


def find_crossings(v_v: Samples, scale_v: float) -> Crossings:
    """Crossings of zero, between the last sample beyond ±25 % of ``scale_v`` and the next beyond it.

    ``scale_v`` is the r.m.s. of the live voltage in V; noise and notches smaller than a quarter of it make no
    crossing. The instant is interpolated between the samples next to zero where there is one change of
    sign, else between the outer ones. Pairs closer together than half the usual spacing are dropped. There
    may be none (a DC supply, a dead channel).
    """
    if not scale_v > 0.0:
        return Crossings(np.empty(0), True)
    beyond, side, changes = _scan(v_v, _HYSTERESIS * scale_v)
    flip = np.flatnonzero(side[1:] != side[:-1])
    if len(flip) == 0:
        return Crossings(np.empty(0), True)
    a, b = beyond[flip], beyond[flip + 1]
    first = np.searchsorted(changes, a)
    single = np.searchsorted(changes, b) - first == 1
    a[single] = changes[first[single]]
    b[single] = a[single] + 1
    va, vb = v_v[a].astype(np.float64), v_v[b].astype(np.float64)
    return _without_pairs(a + (b - a) * va / (va - vb), bool(side[flip[0] + 1] > 0))


def _scan(
    v_v: Samples, level: float
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int8], npt.NDArray[np.int64]]:
    """The outermost samples of each stretch beyond ±level, their sides, and every change of sign."""
    beyond: list[npt.NDArray[np.int64]] = [np.empty(0, np.int64)]
    sides: list[npt.NDArray[np.int8]] = [np.empty(0, np.int8)]
    changes: list[npt.NDArray[np.int64]] = [np.empty(0, np.int64)]
    for begin in range(0, len(v_v), CHUNK):
        piece = v_v[begin : begin + CHUNK + 1]
        positive = piece > 0
        changes.append(np.flatnonzero(positive[1:] != positive[:-1]) + begin)
        piece = piece[:CHUNK]
        side = (piece > level).view(np.int8) - (piece < -level).view(np.int8)
        edge = np.flatnonzero(side[1:] != side[:-1])
        outer = np.concatenate(([0], edge, edge + 1, [len(side) - 1]))
        outer = np.unique(outer[side[outer] != 0])
        beyond.append(outer + begin)
        sides.append(side[outer])
    return np.concatenate(beyond), np.concatenate(sides), np.concatenate(changes)


def _without_pairs(at: Floats, rising_first: bool) -> Crossings:
    if len(at) < 4:
        return Crossings(at, rising_first)
    spacing = np.diff(at)
    close = np.flatnonzero(spacing < 0.5 * float(np.median(spacing)))
    drop: list[int] = []
    for k in close.tolist():
        if not drop or k > drop[-1]:
            drop += [k, k + 1]
    kept_first = not (drop and drop[0] == 0)
    return Crossings(
        np.delete(at, drop), rising_first if kept_first or len(drop) % 2 == 0 else not rising_first
    )


def regular(at: Floats) -> Floats:
    """The crossings of the mains itself: what the unit's own current does to the inlet voltage is taken off.

    An inrush through the source's impedance shifts single crossings by several degrees, a half-wave load
    those of one sign for good. Each stretch without interruption is put on a grid that follows slow
    changes of frequency only: running medians of either sign, averaged, with robust straight lines at both
    ends.
    """
    if len(at) < 3:
        return at
    spacing = np.diff(at)
    gaps = np.flatnonzero(spacing > 1.3 * np.median(spacing)) + 1
    return np.concatenate([_regular(part) for part in np.split(at, gaps)])


_HALF_WINDOW = 12
_END_WINDOW = 45


def _theil_sen(y: npt.NDArray[np.float64]) -> tuple[float, float]:
    """Median slope per step and the median level at the first point."""
    a, b = np.triu_indices(len(y), 1)
    slope = float(np.median((y[b] - y[a]) / (b - a)))
    return slope, float(np.median(y - slope * np.arange(len(y))))


def _smooth(y: Floats) -> Floats:
    """Running median over 25 points, continued to both ends by the robust line of the outermost 45."""
    width = 2 * _HALF_WINDOW + 1
    k = np.arange(len(y), dtype=np.float64)
    if len(y) <= _END_WINDOW:
        slope, level = _theil_sen(y)
        return level + slope * k
    out = np.empty(len(y))
    out[_HALF_WINDOW:-_HALF_WINDOW] = np.median(np.lib.stride_tricks.sliding_window_view(y, width), axis=1)
    slope, level = _theil_sen(y[:_END_WINDOW])
    out[:_HALF_WINDOW] = level + slope * k[:_HALF_WINDOW]
    slope, level = _theil_sen(y[-_END_WINDOW:])
    out[-_HALF_WINDOW:] = level + slope * k[_END_WINDOW - _HALF_WINDOW : _END_WINDOW]
    return out


def _regular(at: Floats) -> Floats:
    if len(at) < 6:
        return at
    k = np.arange(len(at), dtype=np.float64)
    half = float(np.median(at[2:] - at[:-2])) / 2.0
    even = np.interp(k, k[::2], _smooth(at[::2] - half * k[::2]))
    odd = np.interp(k, k[1::2], _smooth(at[1::2] - half * k[1::2]))
    grid: Floats = half * k + 0.5 * (even + odd)
    return grid


def mains_frequency(at: Floats, rate_hz: float) -> float | None:
    """Frequency in Hz over the longest even stretch (spacing within 20 % of the usual) of regular crossings.

    None where there is less than one whole cycle, or the crossings are those of noise.
    """
    if len(at) < 3:
        return None
    spacing = np.diff(at)
    even = np.abs(spacing - np.median(spacing)) < 0.2 * np.median(spacing)
    edges = np.flatnonzero(np.diff(np.concatenate(([False], even, [False])).astype(np.int8)))
    if len(edges) == 0:
        return None
    k = int(np.argmax(edges[1::2] - edges[::2]))
    first, last = int(edges[2 * k]), int(edges[2 * k + 1])
    period = 2.0 * float(at[last] - at[first]) / (last - first)
    if last - first < 2 or period < _LEAST_PERIOD or float(even.mean()) < 0.7:
        return None
    return rate_hz / period


def before(at: Floats, first: float) -> Floats:
    """Crossings carried back evenly from the first ones to just before the position ``first``.

    For a voltage that begins with the switch-on: the half-cycle in which it began starts before it.
    """
    if len(at) < 3:
        return at
    early = at[:24]
    half = float(early[-1] - early[0]) / (len(early) - 1)
    back = max(math.ceil((float(at[0]) - first) / half), 0)
    return np.concatenate((float(at[0]) - half * np.arange(back, 0, -1), at))
