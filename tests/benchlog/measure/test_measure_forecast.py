"""Forecast arithmetic: the shifted curve, conformal bands, and merged references."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlog.measure.forecast import conformal_half_width, merge_references, shifted
from benchlog.model.errors import UsageError
from benchlog.model.reference import Reference, ReferencePoint


def unit(name: str, factor: float, mains_v: float = 120.0, watts: bool = True) -> Reference:
    fractions = (0.05, 0.10, 0.20, 0.40, 0.70, 1.0)
    points = tuple(
        ReferencePoint(
            v, factor * (0.02 + 0.2 * v), 1.25 * factor * (0.02 + 0.2 * v), 10 * factor * v if watts else None
        )
        for v in fractions
    )
    return Reference(name, mains_v, points)


@given(factor=st.floats(0.3, 3.0))
def test_a_unit_that_follows_the_curve_is_forecast_exactly(factor: float) -> None:
    pairs = [(factor * b, b) for b in (0.1, 0.2, 0.3, 0.4)]
    assert shifted(0.5, pairs) == pytest.approx(0.5 * factor, rel=1e-9)


def test_only_the_last_three_count_and_one_outlier_does_not() -> None:
    assert shifted(1.0, [(9.0, 1.0), (2.0, 1.0), (2.0, 1.0), (5.0, 1.0)]) == pytest.approx(2.0)
    assert shifted(1.0, []) == 1.0


def test_conformal_half_width_is_a_rank() -> None:
    residuals = [0.01 * k * (-1) ** k for k in range(1, 20)]
    assert conformal_half_width(residuals) == pytest.approx(0.19)
    assert conformal_half_width(residuals[:18]) == math.inf
    assert conformal_half_width(residuals, 0.5) == pytest.approx(0.10)


def test_conformal_bands_cover_their_share_whatever_the_distribution() -> None:
    rng = np.random.default_rng(3)
    inside = 0
    for _ in range(2000):
        errors = rng.standard_t(2, 60) * rng.uniform(0.01, 1.0)
        inside += abs(errors[-1]) <= conformal_half_width(errors[:-1].tolist())
    assert inside / 2000 == pytest.approx(0.95, abs=0.015)


def test_one_unit_keeps_a_wide_band() -> None:
    merged = merge_references([unit("a", 1.0)], "one")
    for point in merged.points:
        assert point.upper_a == pytest.approx(1.25 * point.current_a)
    assert merged.units == 1


def test_several_units_give_their_mean_and_what_they_span() -> None:
    merged = merge_references([unit(str(k), f) for k, f in enumerate((0.9, 1.0, 1.1, 1.0))], "model")
    assert merged.units == 4
    middle = math.exp(np.log([0.9, 1.0, 1.1, 1.0]).mean())
    s = float(np.log([0.9, 1.0, 1.1, 1.0]).std(ddof=1))
    for point in merged.points:
        assert point.current_a == pytest.approx(middle * (0.02 + 0.2 * point.fraction))
        assert point.upper_a == pytest.approx(
            point.current_a * math.exp(3.1824 * s * math.sqrt(1.25)), rel=1e-4
        )
        assert point.power_w == pytest.approx(middle * 10 * point.fraction)


def test_units_alike_to_the_last_digit_keep_ten_percent() -> None:
    merged = merge_references([unit(str(k), 1.0) for k in range(5)], "model")
    assert merged.points[0].upper_a == pytest.approx(1.10 * merged.points[0].current_a)


def test_watts_that_one_of_them_lacks_are_left_out() -> None:
    merged = merge_references([unit("a", 1.0), unit("b", 1.0, watts=False)], "model")
    assert all(p.power_w is None for p in merged.points)


def test_what_can_not_be_merged_is_refused() -> None:
    with pytest.raises(UsageError):
        merge_references([], "none")
    with pytest.raises(UsageError, match="different mains"):
        merge_references([unit("a", 1.0), unit("b", 1.0, 230.0)], "both")
