"""Shape-preserving interpolation through a few points: what a reference curve is read with.

pchip(x, y) -> Pchip            derivatives worked out once
value(curve, at) -> float       a scalar read-out of a few microseconds
continued(curve, at) -> float   the same, straight on beyond the ends
"""

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from benchlog.model.errors import UsageError


@dataclass(frozen=True, slots=True)
class Pchip:
    """Points with their derivatives; ``x`` strictly increasing."""

    x: tuple[float, ...]
    y: tuple[float, ...]
    slope: tuple[float, ...]


def _inner(h0: float, h1: float, d0: float, d1: float) -> float:
    if d0 * d1 <= 0.0:
        return 0.0
    w0, w1 = 2.0 * h1 + h0, h1 + 2.0 * h0
    return (w0 + w1) / (w0 / d0 + w1 / d1)


def _end(h0: float, h1: float, d0: float, d1: float) -> float:
    slope = ((2.0 * h0 + h1) * d0 - h0 * d1) / (h0 + h1)
    if slope * d0 <= 0.0:
        return 0.0
    return 3.0 * d0 if d0 * d1 <= 0.0 and abs(slope) > 3.0 * abs(d0) else slope


def pchip(x: Sequence[float], y: Sequence[float]) -> Pchip:
    """Monotone cubic through at least two points with strictly increasing ``x``; `UsageError` otherwise.

    Source: Fritsch & Butland, SIAM J. Sci. Stat. Comput. 5 (1984) 300, weighted harmonic mean of the secants;
    one-sided three-point ends after Moler, Numerical Computing with MATLAB (2004), 3.6.
    """
    if len(x) < 2 or len(x) != len(y) or any(b <= a for a, b in pairwise(x)):
        raise UsageError("A curve needs at least two points at rising values. Check the reference's steps.")
    h = [b - a for a, b in pairwise(x)]
    d = [(b - a) / step for (a, b), step in zip(pairwise(y), h, strict=True)]
    if len(h) == 1:
        return Pchip(tuple(x), tuple(y), (d[0], d[0]))
    inner = [_inner(h[k], h[k + 1], d[k], d[k + 1]) for k in range(len(h) - 1)]
    slopes = (_end(h[0], h[1], d[0], d[1]), *inner, _end(h[-1], h[-2], d[-1], d[-2]))
    return Pchip(tuple(x), tuple(y), slopes)


def value(curve: Pchip, at: float) -> float:
    """The curve at ``at``; outside its points the nearest end's value is held."""
    x, y = curve.x, curve.y
    if at <= x[0]:
        return y[0]
    if at >= x[-1]:
        return y[-1]
    k = bisect_right(x, at) - 1
    h = x[k + 1] - x[k]
    s = (at - x[k]) / h
    rest = 1.0 - s
    return (
        (1.0 + 2.0 * s) * rest * rest * y[k]
        + s * rest * rest * h * curve.slope[k]
        + s * s * (3.0 - 2.0 * s) * y[k + 1]
        - s * s * rest * h * curve.slope[k + 1]
    )


def continued(curve: Pchip, at: float) -> float:
    """The curve at ``at``; beyond its points straight on with the end's own slope."""
    end = 0 if at < curve.x[0] else -1 if at > curve.x[-1] else None
    if end is None:
        return value(curve, at)
    return curve.y[end] + curve.slope[end] * (at - curve.x[end])
