"""Integrals over a sampled waveform between instants that fall between samples.

    square_integral(y, offset, at) -> Floats      running ∫(y − offset)² from sample 0 to each position
    running_squares(y, offset, *positions) -> Running     the same, to be asked for any two of the positions
    integral(y, start, end) -> float              ∫y over a short window
    block_rms(y, offset, size) -> Floats          r.m.s. of successive whole blocks

Positions are in samples and so are the integrals; divide by the rate for seconds. Between samples the
integrand is taken as straight (trapezoidal rule), so windows may begin and end anywhere.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchlog.measure.crossings import CHUNK, Floats, Samples


def _sums_between(y: Samples, offset: float, whole: npt.NDArray[np.int64]) -> Floats:
    """Σ(y − offset)² from sample 0 up to, not including, each of the rising whole positions."""
    totals = np.zeros(len(whole) + 1)
    buffer = np.empty(CHUNK)
    for begin in range(0, min(len(y), int(whole[-1])), CHUNK):
        piece = y[begin : begin + CHUNK]
        square = np.subtract(piece, offset, out=buffer[: len(piece)], dtype=np.float64)
        np.multiply(square, square, out=square)
        low = int(np.searchsorted(whole, begin, "right"))
        high = int(np.searchsorted(whole, begin + len(piece), "left"))
        edges = np.concatenate(([0], whole[low:high] - begin))
        starts, where = np.unique(edges, return_index=True)
        parts = np.zeros(len(edges))
        parts[np.append(where[1:] - 1, len(edges) - 1)] = np.add.reduceat(square, starts)
        totals[low : high + 1] += parts
    return np.cumsum(totals[:-1])


def square_integral(y: Samples, offset: float, at: Floats) -> Floats:
    """Running integral of (y − offset)² from sample 0 to each position in ``at`` (rising, 0 … len(y) − 1)."""
    if len(at) == 0:
        return np.empty(0)
    whole = (
        np.minimum(np.floor(at).astype(np.int64), len(y) - 2) if len(y) > 1 else np.zeros(len(at), np.int64)
    )
    part = at - whole
    left = np.square(y[whole].astype(np.float64) - offset)
    right = np.square(y[np.minimum(whole + 1, len(y) - 1)].astype(np.float64) - offset)
    first = (float(y[0]) - offset) ** 2
    sums = _sums_between(y, offset, np.maximum(whole, 0))
    trapezoids = np.where(whole > 0, sums - 0.5 * first + 0.5 * left, 0.0)
    running: Floats = trapezoids + part * left + 0.5 * part * part * (right - left)
    return running


@dataclass(frozen=True, slots=True, eq=False)
class Running:
    """A running integral at a set of rising positions."""

    at: Floats
    value: Floats

    def upto(self, positions: Floats) -> Floats:
        """The integral from sample 0 to positions that are in the set."""
        return self.value[np.searchsorted(self.at, positions)]

    def between(self, start: float, end: float) -> float:
        """The integral between two positions that are in the set."""
        return float(self.upto(np.array([end]))[0] - self.upto(np.array([start]))[0])


def running_squares(y: Samples, offset: float, *positions: Floats) -> Running:
    """Running integral of (y − offset)² at all the positions given, in any order, each within the array."""
    at = np.unique(np.concatenate(positions))
    return Running(at, square_integral(y, offset, at))


def integral(y: Floats, start: float, end: float) -> float:
    """∫y from ``start`` to ``end`` (positions in samples, within the array)."""
    a, b = min(int(start), len(y) - 2), min(int(end), len(y) - 2)
    fa, fb = start - a, end - b
    whole = float(y[a:b].sum()) - 0.5 * float(y[a]) + 0.5 * float(y[b])
    head = fa * y[a] + 0.5 * fa * fa * (y[a + 1] - y[a])
    tail = fb * y[b] + 0.5 * fb * fb * (y[b + 1] - y[b])
    return whole - float(head) + float(tail)


def block_rms(y: Samples, offset: float, size: int) -> Floats:
    """R.m.s. about ``offset`` of successive whole blocks of ``size`` samples."""
    count = len(y) // size
    rms = np.empty(count)
    each = max(CHUNK // size, 1)
    for begin in range(0, count, each):
        end = min(begin + each, count)
        piece = y[begin * size : end * size].reshape(end - begin, size) - np.float64(offset)
        rms[begin:end] = np.sqrt(np.einsum("ij,ij->i", piece, piece) / size)
    return rms
