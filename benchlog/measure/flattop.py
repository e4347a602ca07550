"""Whether a sensor, probe or input was saturated: tops that are flat where a waveform's own are round.

    find_tops(y, at, offset) -> (above, below)               the highest tops of either side
    flat_levels(tops, offset, limit) -> tuple[float, ...]    levels at which they are flat; usually none
    usual_share(tops) -> float                               how flat they are as a rule

Half-cycle by half-cycle, the samples within a band of the top are compared with those within four bands: a
round top gives √(1/4) = 0.5, a flat one nearly 1. The band is at least 2 % of the height, four times the
noise, and half a digitiser's step. Thresholds: ours, set on simulated and recorded waveforms.
"""

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from benchlog.measure.crossings import Floats, Samples

LEAST_PERIOD = 20.0
"""Samples in a cycle below which a top is not told from a flat one."""
_MOST_TOPS = 40
_ALIKE = 0.93
_SHARE = 0.02
_LONE_SHARE = 0.85
_LEAST_SAMPLES = 4
_LONE_SAMPLES = 8


class Top(NamedTuple):
    """Share of the samples near a top that lie close to it, how many those are, and the level."""

    share: float
    samples: int
    level: float


def _noise(y: Floats) -> float:
    """Standard deviation of the noise, from second differences; a smooth curve has hardly any."""
    bends = np.abs(y[2:] - 2.0 * y[1:-1] + y[:-2])
    return float(np.median(bends)) / (0.6745 * np.sqrt(6.0)) if len(bends) else 0.0


def _top(y: Floats, step: float) -> Top:
    """The top of one half-cycle, counted from zero upwards."""
    highest = float(y.max())
    noise = _noise(y[y > 0.5 * highest])
    level = float(np.mean(np.partition(y, -3)[-3:])) if noise > 0.25 * step else highest
    band = max(_SHARE * level, 4.0 * noise, 0.55 * step)
    if 4.0 * band > 0.5 * level:
        return Top(0.0, 0, level)
    near = int(np.count_nonzero(y >= level - band))
    return Top(near / max(int(np.count_nonzero(y >= level - 4.0 * band)), 1), near, level)


def _step(y: Samples) -> float:
    """Size of one digitiser step, from the values that occur; 0 where there is only one."""
    steps = np.diff(np.unique(y[:20_000]))
    return float(steps.min()) if len(steps) else 0.0


def _tops(y: Samples, edges: npt.NDArray[np.int64], offset: float, side: float, step: float) -> list[Top]:
    """The tops of one side that come near the highest of all, at most forty of them."""
    peaks = np.maximum.reduceat(y, edges[:-1]) if side > 0 else np.minimum.reduceat(y, edges[:-1])
    heights = side * (peaks.astype(np.float64) - offset)
    if not heights.max() > 4.0 * step:
        return []
    alike = np.flatnonzero(heights >= _ALIKE * heights.max())[:_MOST_TOPS]
    pieces = [y[edges[k] : edges[k + 1]].astype(np.float64) for k in alike.tolist()]
    return [_top(side * (piece - offset), step) for piece in pieces if len(piece) >= LEAST_PERIOD / 4.0]


def find_tops(y: Samples, at: Floats, offset: float) -> tuple[list[Top], list[Top]]:
    """The tops above and below the sensor's zero ``offset``, half-cycle by half-cycle; highest ones only.

    ``at`` half-cycles of the mains in samples. Both lists are empty where there are fewer than twenty
    samples in a cycle, or no half-cycles.
    """
    edges = np.unique(np.clip(np.round(at), 0, len(y)).astype(np.int64))
    if len(edges) < 3 or 2.0 * float(np.median(np.diff(edges))) < LEAST_PERIOD:
        return [], []
    step = _step(y)
    return _tops(y, edges, offset, 1.0, step), _tops(y, edges, offset, -1.0, step)


def usual_share(tops: tuple[list[Top], list[Top]]) -> float:
    """Median share of all tops; 0.5 where there are none."""
    shares = [top.share for side in tops for top in side]
    return float(np.median(shares)) if shares else 0.5


def flat_levels(tops: tuple[list[Top], list[Top]], offset: float, limit: float) -> tuple[float, ...]:
    """Levels at which tops are flat (share above ``limit``), repeated over cycles or over one long top."""
    levels = []
    for side, found in zip((1.0, -1.0), tops, strict=True):
        flat = [top for top in found if top.share > limit and top.samples >= _LEAST_SAMPLES]
        lone = [top for top in flat if top.share > _LONE_SHARE and top.samples >= _LONE_SAMPLES]
        if len(flat) >= 2 or lone:
            levels.append(side * float(np.median([top.level for top in flat])) + offset)
    return tuple(levels)
