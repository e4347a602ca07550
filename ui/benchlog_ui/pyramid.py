"""A peak-keeping reduction of one curve that grows while it is drawn.

Samples are kept in chunks that are allocated whole, so that growing never copies what is there. Each chunk
carries buckets of 4, 8, 16 … samples with their least and greatest value (`numpy.fmin`, `numpy.fmax`) and
their first and last time. A view takes, for every pixel, the coarsest buckets that are no wider than the
pixel: a spike of one sample stays visible at any zoom, and the cost of a frame does not grow with the curve.
A value that is not a number is a gap, and a gap stays open.
"""

from bisect import bisect_left, bisect_right
from math import log2
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
Indices = npt.NDArray[np.intp]

CHUNK = 1 << 18
"""Samples of a chunk: a power of two."""
BASE = 4
"""Samples in the smallest bucket; curves thinner than that are drawn sample by sample."""
_WIDE = 1.5
"""A bucket that covers more pixels than this is replaced by its halves."""


class Polyline(NamedTuple):
    """What is drawn: times in seconds and values, rising in time; a NaN value breaks the line."""

    t_s: Floats
    v: Floats


class _Level:
    """Buckets of one size: pairs of times, pairs of values, and whether a gap lies inside."""

    __slots__ = ("broken", "size", "t", "v")

    def __init__(self, size: int, buckets: int) -> None:
        self.size = size
        self.t: Floats = np.empty((buckets, 2))
        self.v: Floats = np.full((buckets, 2), np.nan)
        self.broken: Bools = np.zeros(buckets, dtype=np.bool_)


class _Chunk:
    """A run of samples with its buckets."""

    __slots__ = (
        "capacity",
        "count",
        "first_s",
        "kept",
        "kept_rank",
        "last_s",
        "levels",
        "t",
        "v",
        "widest_s",
    )

    def __init__(self, capacity: int) -> None:
        self.capacity = capacity
        self.count = 0
        self.kept: Polyline | None = None
        self.kept_rank = -1
        self.widest_s = self.first_s = self.last_s = 0.0
        self.t: Floats = np.empty(capacity)
        self.v: Floats = np.empty(capacity)
        self.levels: list[_Level] = []
        size = BASE
        while size <= capacity:
            self.levels.append(_Level(size, capacity // size))
            size *= 2

    def append(self, t: Floats, v: Floats) -> None:
        """Take samples that are known to fit."""
        begin, end = self.count, self.count + len(t)
        self.t[begin:end] = t
        self.v[begin:end] = v
        self.count = end
        self.first_s = float(t[0]) if begin == 0 else self.first_s
        self.last_s = float(t[-1])
        self._rebuild_base(begin, end)
        low, high = float(np.fmin.reduce(v)), float(np.fmax.reduce(v))
        gap = bool(np.isnan(v).any())
        for lower, upper in zip(self.levels, self.levels[1:], strict=False):
            if begin // upper.size == (end - 1) // upper.size:
                self._widen(upper, begin, (low, high, gap))
            else:
                self._rebuild(lower, upper, begin, end)

    def _widen(self, level: _Level, begin: int, news: tuple[float, float, bool]) -> None:
        """Take new samples, all inside one bucket, into that bucket."""
        bucket, inside = divmod(begin, level.size)
        low, high, gap = news
        t, v = level.t[bucket], level.v[bucket]
        t[1] = self.t[self.count - 1]
        if inside == 0:
            t[0] = self.t[begin]
            v[0], v[1] = low, high
            level.broken[bucket] = gap
            return
        v[0], v[1] = np.fmin(v[0], low), np.fmax(v[1], high)
        level.broken[bucket] |= gap

    def _rebuild_base(self, begin: int, end: int) -> None:
        level = self.levels[0]
        lo = begin // BASE
        full = end // BASE
        if full > lo:
            block = self.v[lo * BASE : full * BASE].reshape(-1, BASE)
            level.v[lo:full, 0] = np.fmin.reduce(block, axis=1)
            level.v[lo:full, 1] = np.fmax.reduce(block, axis=1)
            level.broken[lo:full] = np.isnan(block).any(axis=1)
            level.t[lo:full, 0] = self.t[lo * BASE : full * BASE : BASE]
            level.t[lo:full, 1] = self.t[lo * BASE + BASE - 1 : full * BASE : BASE]
        if end > full * BASE:
            tail = self.v[full * BASE : end]
            level.v[full] = np.fmin.reduce(tail), np.fmax.reduce(tail)
            level.broken[full] = bool(np.isnan(tail).any())
            level.t[full] = self.t[full * BASE], self.t[end - 1]

    def _rebuild(self, lower: _Level, upper: _Level, begin: int, end: int) -> None:
        lo = begin // upper.size
        hi = -(-end // upper.size)
        whole = end // upper.size
        if whole > lo:
            pairs = lower.v[2 * lo : 2 * whole].reshape(-1, 2, 2)
            upper.v[lo:whole, 0] = np.fmin(pairs[:, 0, 0], pairs[:, 1, 0])
            upper.v[lo:whole, 1] = np.fmax(pairs[:, 0, 1], pairs[:, 1, 1])
            upper.broken[lo:whole] = lower.broken[2 * lo : 2 * whole].reshape(-1, 2).any(axis=1)
            upper.t[lo:whole, 0] = lower.t[2 * lo : 2 * whole : 2, 0]
            upper.t[lo:whole, 1] = lower.t[2 * lo + 1 : 2 * whole : 2, 1]
        if hi > whole:
            first, last = 2 * whole, -(-end // lower.size)
            upper.v[whole] = np.fmin.reduce(lower.v[first:last, 0]), np.fmax.reduce(lower.v[first:last, 1])
            upper.broken[whole] = bool(lower.broken[first:last].any())
            upper.t[whole] = lower.t[first, 0], lower.t[last - 1, 1]

    def reduced(self, begin: int, end: int, pixel_s: float, pieces: list[Polyline]) -> None:
        """Add what is to be drawn of the samples ``begin`` to ``end`` at ``pixel_s`` seconds a pixel.

        What a full chunk gave is kept: while the view only grows at its end, it is the same next time.
        """
        whole = begin == 0 and end == self.capacity
        span_s = self.last_s - self.first_s if whole else float(self.t[end - 1] - self.t[begin])
        span_px = span_s / pixel_s if pixel_s > 0 else 0.0
        per_px = (end - begin) / max(span_px, 1.0)
        rank = int(log2(per_px / BASE)) if per_px >= BASE else -1
        if rank < 0:
            pieces.append(Polyline(self.t[begin:end], self.v[begin:end]))
            return
        if whole and self.kept and rank == self.kept_rank and self.widest_s <= _WIDE * pixel_s:
            pieces.append(self.kept)
            return
        level = self.levels[min(rank, len(self.levels) - 1)]
        lo, hi = begin // level.size, -(-end // level.size)
        t = level.t[lo:hi]
        widest = float((t[:, 1] - t[:, 0]).max())
        if widest > _WIDE * pixel_s:
            pieces.append(self._refined(level, lo, hi, pixel_s))
            return
        piece = _with_gaps(t, level.v[lo:hi], level.broken[lo:hi])
        if whole:
            self.kept, self.kept_rank, self.widest_s = piece, rank, widest
        pieces.append(piece)

    def _refined(self, level: _Level, lo: int, hi: int, pixel_s: float) -> Polyline:
        """Buckets ``lo`` to ``hi`` with every one that is wider than a pixel replaced by its halves."""
        index: Indices = np.arange(lo, hi)
        found: list[tuple[Indices, Floats, Floats]] = []
        rank = self.levels.index(level)
        while len(index):
            here = self.levels[rank]
            t = here.t[index]
            wide = (t[:, 1] - t[:, 0]) > _WIDE * pixel_s
            narrow = index[~wide]
            found.append(_marked(narrow * here.size, here.t[narrow], here.v[narrow], here.broken[narrow]))
            children = (index[wide, None] * 2 + np.array([0, 1])).ravel()
            if rank == 0:
                found.append(self._raw(index[wide]))
                break
            rank -= 1
            index = children[children * self.levels[rank].size < self.count]
        order = np.argsort(np.concatenate([f[0] for f in found]), kind="stable")
        return Polyline(
            np.concatenate([f[1] for f in found])[order], np.concatenate([f[2] for f in found])[order]
        )

    def _raw(self, buckets: Indices) -> tuple[Indices, Floats, Floats]:
        index = (buckets[:, None] * BASE + np.arange(BASE)).ravel()
        index = index[index < self.count]
        return index, self.t[index], self.v[index]


def _marked(first: Indices, t: Floats, v: Floats, broken: Bools) -> tuple[Indices, Floats, Floats]:
    """Buckets as points, each with the number of its first sample; a broken one is followed by a gap."""
    key = np.repeat(first, 2)
    t_flat, v_flat = t.reshape(-1), v.reshape(-1)
    at = np.flatnonzero(broken) * 2 + 2
    if not len(at):
        return key, t_flat, v_flat
    t_gaps, v_gaps = np.insert(t_flat, at, t_flat[at - 1]), np.insert(v_flat, at, np.nan)
    return np.insert(key, at, key[at - 1]), t_gaps, v_gaps


def _with_gaps(t: Floats, v: Floats, broken: Bools) -> Polyline:
    t_flat, v_flat = t.reshape(-1), v.reshape(-1)
    if not broken.any():
        return Polyline(t_flat, v_flat)
    at = np.flatnonzero(broken) * 2 + 2
    return Polyline(np.insert(t_flat, at, t_flat[at - 1]), np.insert(v_flat, at, np.nan))


class Pyramid:
    """One curve: samples go in at the end, a reduced polyline comes out for any view.

    Times are seconds from the start of the session and never fall; a value that is NaN is a gap. A silence
    longer than ``gap_s`` is made a gap as well. Not for use by two threads at once.
    """

    def __init__(self, gap_s: float = float("inf"), chunk: int = CHUNK) -> None:
        """An empty curve; ``chunk`` samples are allocated at a time (a power of two, at least 4)."""
        self.gap_s = gap_s
        self._capacity = chunk
        self._chunks: list[_Chunk] = []
        self._starts: list[float] = []
        self.count = 0
        """Samples, gaps that were put in included."""

    @property
    def last(self) -> tuple[float, float] | None:
        """Time and value of the newest sample; None while there is none."""
        if not self._chunks:
            return None
        chunk = self._chunks[-1]
        return float(chunk.t[chunk.count - 1]), float(chunk.v[chunk.count - 1])

    @property
    def first_s(self) -> float | None:
        """Time of the oldest sample in seconds; None while there is none."""
        return self._starts[0] if self._starts else None

    def append(self, t_s: npt.ArrayLike, v: npt.ArrayLike) -> None:
        """Add samples, rising in time. Those that lie before the newest one already there are left out."""
        t: Floats = np.atleast_1d(np.asarray(t_s, dtype=np.float64))
        values: Floats = np.atleast_1d(np.asarray(v, dtype=np.float64))
        last = self.last
        if last is not None and len(t) and t[0] < last[0]:
            keep = int(np.searchsorted(t, last[0], side="right"))
            t, values = t[keep:], values[keep:]
        if not len(t):
            return
        t, values = self._with_silences(t, values, last)
        self._store(t, values)

    def _with_silences(self, t: Floats, v: Floats, last: tuple[float, float] | None) -> tuple[Floats, Floats]:
        if not np.isfinite(self.gap_s):
            return t, v
        before = t[0] if last is None else last[0]
        at = np.flatnonzero(np.diff(t, prepend=before) > self.gap_s)
        if not len(at):
            return t, v
        middles = [(t[i] + (t[i - 1] if i else before)) / 2 for i in at]
        return np.insert(t, at, middles), np.insert(v, at, np.nan)

    def _store(self, t: Floats, v: Floats) -> None:
        done = 0
        while done < len(t):
            if not self._chunks or self._chunks[-1].count == self._capacity:
                self._chunks.append(_Chunk(self._capacity))
                self._starts.append(float(t[done]))
            chunk = self._chunks[-1]
            take = min(self._capacity - chunk.count, len(t) - done)
            chunk.append(t[done : done + take], v[done : done + take])
            done += take
        self.count += len(t)

    def samples(self, after_s: float) -> Polyline:
        """Every sample later than an instant, unreduced."""
        parts = []
        for chunk in self._chunks:
            begin = int(np.searchsorted(chunk.t[: chunk.count], after_s, side="right"))
            parts.append((chunk.t[begin : chunk.count], chunk.v[begin : chunk.count]))
        if not parts:
            return Polyline(np.empty(0), np.empty(0))
        return Polyline(np.concatenate([p[0] for p in parts]), np.concatenate([p[1] for p in parts]))

    def view(self, from_s: float, to_s: float, pixels: int) -> Polyline:
        """What to draw between two instants on ``pixels`` columns, with one sample beyond either edge."""
        pixel_s = (to_s - from_s) / max(pixels, 1)
        pieces: list[Polyline] = []
        low = max(bisect_right(self._starts, from_s) - 1, 0)
        high = bisect_right(self._starts, to_s)
        if low > 0 and self._starts[low] >= from_s:
            low -= 1
        for number in range(low, min(high + 1, len(self._chunks))):
            chunk = self._chunks[number]
            begin, end = _reach(chunk, from_s, to_s)
            if end > begin:
                chunk.reduced(begin, end, pixel_s, pieces)
        if not pieces:
            empty = np.empty(0)
            return Polyline(empty, empty)
        if len(pieces) == 1:
            return pieces[0]
        return Polyline(np.concatenate([p.t_s for p in pieces]), np.concatenate([p.v for p in pieces]))

    def extremes(self, from_s: float, to_s: float, pixels: int = 400) -> tuple[float, float] | None:
        """Least and greatest value between two instants; None where there is no value."""
        line = self.view(from_s, to_s, pixels)
        inside = line.v[bisect_left(line.t_s, from_s) : bisect_right(line.t_s, to_s)]
        if not len(inside) or bool(np.isnan(inside).all()):
            return None
        return float(np.fmin.reduce(inside)), float(np.fmax.reduce(inside))


def _reach(chunk: _Chunk, from_s: float, to_s: float) -> tuple[int, int]:
    """The chunk's samples in the view, with one more at either side where there is one."""
    if chunk.first_s >= from_s and chunk.last_s <= to_s:
        return 0, chunk.count
    times = chunk.t[: chunk.count]
    begin = max(int(np.searchsorted(times, from_s, side="left")) - 1, 0)
    end = min(int(np.searchsorted(times, to_s, side="right")) + 1, chunk.count)
    return begin, end
