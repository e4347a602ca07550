"""The arithmetic of a forecast: a known curve, moved to the unit's own readings, with a band.

    shifted(base_next, pairs) -> float                    ln Î = ln base + median of the last three
                                                          (ln x − ln base)
    conformal_half_width(residuals, share) -> float       split-conformal band in ln x, from units set aside
    merge_references(references, name) -> Reference       several units of a model, with the band they span

Source: split-conformal prediction after Vovk, Gammerman & Shafer, Algorithmic Learning in a Random World
(2005); what predicts best: ours, on simulated units.
"""

import math
from collections.abc import Sequence
from statistics import median

from benchlog.measure.interpolate import Pchip, pchip, value
from benchlog.measure.student import student_quantile
from benchlog.model.errors import UsageError
from benchlog.model.reference import Reference, ReferencePoint

LEAST_BAND = 1.10
"""Least factor between a reference curve and the upper edge of its band."""
ONE_UNIT_BAND = 1.25
"""The same for a single unit, where no spread between units is known. Ours."""


def shifted(base_next: float, pairs: Sequence[tuple[float, float]]) -> float:
    """What a curve predicts once it is moved to the last three readings.

    ``pairs`` are (reading, curve at the same voltage), oldest first, all above zero; ``base_next`` the
    curve at the next voltage. Without pairs the curve itself.
    """
    shifts = [math.log(x / base) for x, base in pairs[-3:]]
    return base_next * math.exp(median(shifts)) if shifts else base_next


def conformal_half_width(residuals: Sequence[float], share: float = 0.95) -> float:
    """Half-width in ln x that holds the share of forecasts for units like those set aside.

    ``residuals`` are ln(seen ÷ forecast), one a unit. Infinite where there are too few for the share (19
    for 95 %).
    """
    absolute = sorted(abs(r) for r in residuals)
    rank = math.ceil((len(absolute) + 1) * share - 1e-9)
    return absolute[rank - 1] if 1 <= rank <= len(absolute) else math.inf


def _band(logs: Sequence[float]) -> float:
    """Upper factor of the band about the geometric mean: a 95 % prediction interval for one more unit."""
    n = len(logs)
    if n < 3:
        spread = math.exp(max(logs) - sum(logs) / n) if n else 1.0
        return max(ONE_UNIT_BAND, spread * LEAST_BAND)
    mean = sum(logs) / n
    s = math.sqrt(sum((x - mean) ** 2 for x in logs) / (n - 1))
    return max(LEAST_BAND, math.exp(student_quantile(0.975, float(n - 1)) * s * math.sqrt(1.0 + 1.0 / n)))


def merge_references(references: Sequence[Reference], name: str) -> Reference:
    """One reference from units of the same model: the geometric mean at the voltages that all of them span.

    One or two units keep a band of at least 1.25; from three on it is what they span, at least 1.10.
    `UsageError` where there is none, their mains voltages differ, or a reference has fewer than two steps.
    """
    if not references:
        raise UsageError("There is no reference to merge. Name at least one file.")
    if len({r.mains_v for r in references}) != 1:
        raise UsageError("References for different mains voltages can't be merged. Take one voltage only.")
    curves = [
        pchip([p.fraction for p in r.points], [math.log(p.current_a) for p in r.points]) for r in references
    ]
    low, high = max(c.x[0] for c in curves), min(c.x[-1] for c in curves)
    watts = _watts(references)
    points = []
    for fraction in sorted({p.fraction for r in references for p in r.points if low <= p.fraction <= high}):
        logs = [value(c, fraction) for c in curves]
        middle = math.exp(sum(logs) / len(logs))
        power = math.exp(sum(value(c, fraction) for c in watts) / len(watts)) if watts else None
        points.append(ReferencePoint(fraction, middle, middle * _band(logs), power))
    invented = any(r.invented for r in references)
    return Reference(name, references[0].mains_v, tuple(points), sum(r.units for r in references), invented)


def _watts(references: Sequence[Reference]) -> list[Pchip]:
    """Curves of ln W, where every step of every reference has watts; empty otherwise."""
    rows = [[(p.fraction, p.power_w) for p in r.points] for r in references]
    if any(w is None or w <= 0.0 for row in rows for _, w in row):
        return []
    return [pchip([v for v, _ in row], [math.log(w) for _, w in row if w]) for row in rows]
