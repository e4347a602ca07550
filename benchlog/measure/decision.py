"""Decisions from a value, its uncertainty and a limit.

    bringup_zone(x, u, acceptance, stop, judgeable) -> StepVerdict       go up, wait, cut off, cannot judge
    point_verdict(y, u, low, high) -> PointVerdict                       within limit, doubtful, outside limit
    conformance(y, u, low, high) -> float                                probability of conformity
    guard_band(expanded, r) -> float                                     width of a guard band
    specific_risk(r, k) -> float                         false acceptance at the acceptance limit
    global_risks(prior, span, tolerance, acceptance, u) -> Risks         over a population of items

Sources: JCGM 106:2012; ILAC-G8:09/2019; ISO 14253-1:2017 (seen in excerpts and worked examples).
"""

import math
from collections.abc import Callable
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from benchlog.measure.student import normal_cdf
from benchlog.model.step import PointVerdict, StepVerdict


class Risks(NamedTuple):
    """Over a population of items: probability of conformity, consumer's and producer's risk."""

    conforming: float
    consumers: float
    producers: float


def bringup_zone(x: float, u: float, acceptance: float, stop: float, judgeable: bool = True) -> StepVerdict:
    """Zone of a settled current: cut off at ``stop``, go up where x + U ≤ acceptance, wait between.

    Where the meter is too coarse (``judgeable`` false) only the stop limit acts. All in A.
    """
    if x >= stop:
        return StepVerdict.CUT_OFF
    if not judgeable:
        return StepVerdict.CANNOT_JUDGE
    return StepVerdict.GO_UP if x + u <= acceptance else StepVerdict.WAIT


def point_verdict(
    y: float, expanded: float, low: float | None = None, high: float | None = None
) -> PointVerdict:
    """Zone of a measured value: *within* where y ± U lies inside, *outside* where it lies beyond.

    ISO 14253-1 asks both proofs of whoever claims; between them is *doubtful*. No limit at all, a U that
    is not known, or a U wider than the tolerance interval gives no judgement.
    """
    if (
        (low is None and high is None)
        or not math.isfinite(y)
        or not math.isfinite(expanded)
        or expanded < 0.0
    ):
        return PointVerdict.NONE
    if low is not None and high is not None and 2.0 * expanded > high - low:
        return PointVerdict.NONE
    if (high is not None and y - expanded >= high) or (low is not None and y + expanded <= low):
        return PointVerdict.OUTSIDE
    within_high = high is None or y + expanded <= high
    within_low = low is None or y - expanded >= low
    return PointVerdict.WITHIN if within_high and within_low else PointVerdict.DOUBTFUL


def conformance(y: float, u: float, low: float | None = None, high: float | None = None) -> float:
    """Probability that the measurand lies within the limits, for a normal distribution about ``y``.

    ``u`` is the standard uncertainty. Source: JCGM 106:2012, 7.3 (one limit) and 7.4 (two).
    """
    if u <= 0.0:
        return float((low is None or y >= low) and (high is None or y <= high))
    above = normal_cdf((low - y) / u) if low is not None else 0.0
    beyond = normal_cdf((y - high) / u) if high is not None else 0.0
    return max(1.0 - above - beyond, 0.0)


def guard_band(expanded: float, r: float = 1.0) -> float:
    """Guard band w = r·U between tolerance and acceptance limit (ILAC-G8:09/2019, 4.2.2)."""
    return r * expanded


def specific_risk(r: float, k: float = 2.0) -> float:
    """Probability of a false acceptance for a value at the acceptance limit, guard band w = r·U, U = k·u."""
    return normal_cdf(-r * k)


def global_risks(
    prior: Callable[[np.ndarray], np.ndarray],
    span: tuple[float, float],
    tolerance: tuple[float, float],
    acceptance: tuple[float, float],
    u: float,
) -> Risks:
    """What an acceptance interval does to a population of items measured with standard uncertainty ``u``.

    ``prior`` is the density of the property over ``span``; limits may be infinite. Source: JCGM 106:2012,
    9.5; Gauss-Legendre quadrature on the pieces between the limits.
    """
    edges = sorted({x for x in (*span, *tolerance, *acceptance) if span[0] <= x <= span[1]})
    nodes, weights = np.polynomial.legendre.leggauss(64)
    conforming = consumers = producers = 0.0
    for low, high in pairwise(edges):
        for part in range(8):
            a = low + (high - low) * part / 8.0
            half = (high - low) / 16.0
            x = a + half * (nodes + 1.0)
            mass = weights * half * prior(x)
            accepted = np.array(
                [normal_cdf((acceptance[1] - y) / u) - normal_cdf((acceptance[0] - y) / u) for y in x]
            )
            if tolerance[0] <= a + half <= tolerance[1]:
                conforming += float(mass.sum())
                producers += float((mass * (1.0 - accepted)).sum())
            else:
                consumers += float((mass * accepted).sum())
    return Risks(conforming, consumers, producers)
