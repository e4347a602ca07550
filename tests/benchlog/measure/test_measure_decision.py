"""Zones of a decision, probabilities of conformity, and what they may never say."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from benchlog.measure.decision import bringup_zone, conformance, guard_band, point_verdict, specific_risk
from benchlog.model.step import PointVerdict, StepVerdict

FINITE = st.floats(-1e3, 1e3)
POSITIVE = st.floats(1e-3, 1e2)


@pytest.mark.parametrize(
    ("x", "judgeable", "verdict"),
    [(0.10, True, "go-up"), (0.18, True, "go-up"), (0.19, True, "wait"), (0.29, True, "wait"),
     (0.30, True, "cut-off"), (0.10, False, "cannot-judge"), (0.30, False, "cut-off")],
)  # fmt: skip
def test_zones_of_a_bring_up(x: float, judgeable: bool, verdict: str) -> None:
    assert bringup_zone(x, 0.02, 0.2, 0.3, judgeable) is StepVerdict(verdict)


@pytest.mark.parametrize(
    ("y", "low", "high", "verdict"),
    [(0.30, None, 0.5, "within-limit"), (0.40, None, 0.5, "within-limit"), (0.41, None, 0.5, "doubtful"),
     (0.59, None, 0.5, "doubtful"), (0.60, None, 0.5, "outside-limit"), (1.0, 0.5, None, "within-limit"),
     (0.55, 0.5, None, "doubtful"), (0.4, 0.5, None, "outside-limit"), (0.7, 0.5, 1.0, "within-limit"),
     (0.95, 0.5, 1.0, "doubtful"), (1.1, 0.5, 1.0, "outside-limit"), (0.5, None, None, "no-judgement"),
     (math.nan, None, 0.5, "no-judgement"), (0.5, 0.45, 0.55, "no-judgement")],
)  # fmt: skip
def test_zones_of_a_point(y: float, low: float | None, high: float | None, verdict: str) -> None:
    # ISO 14253-1: conformity is proved by y + U ≤ T, non-conformity by y − U ≥ T.
    assert point_verdict(y, 0.1, low, high) is PointVerdict(verdict)


def test_an_unknown_uncertainty_judges_nothing() -> None:
    assert point_verdict(0.1, math.inf, None, 0.5) is PointVerdict.NONE
    assert point_verdict(0.1, -1.0, None, 0.5) is PointVerdict.NONE


@given(y=FINITE, u=POSITIVE, low=FINITE, width=POSITIVE)
def test_conformance_agrees_with_scipy(y: float, u: float, low: float, width: float) -> None:
    referee = float(stats.norm.cdf(low + width, y, u) - stats.norm.cdf(low, y, u))
    assert conformance(y, u, low, low + width) == pytest.approx(referee, abs=1e-9)
    assert conformance(y, u, None, low) == pytest.approx(float(stats.norm.cdf(low, y, u)), abs=1e-12)
    assert conformance(y, u, low, None) == pytest.approx(float(stats.norm.sf(low, y, u)), abs=1e-12)


@given(y=FINITE, u=POSITIVE, limit=FINITE)
def test_within_and_outside_are_what_the_probability_says(y: float, u: float, limit: float) -> None:
    verdict, p = point_verdict(y, 2 * u, None, limit), conformance(y, u, None, limit)
    if verdict is PointVerdict.WITHIN:
        assert p > 0.977
    elif verdict is PointVerdict.OUTSIDE:
        assert p < 0.023


def test_without_uncertainty_the_limit_itself_decides() -> None:
    assert conformance(1.0, 0.0, None, 1.0) == 1.0
    assert conformance(1.1, 0.0, None, 1.0) == 0.0


@given(y=FINITE, u=POSITIVE, limit=FINITE, shift=FINITE)
def test_only_the_distance_to_the_limit_counts(y: float, u: float, limit: float, shift: float) -> None:
    one = conformance(y, u, None, limit)
    assert conformance(y + shift, u, None, limit + shift) == pytest.approx(one, abs=1e-6)


# ILAC-G8:09/2019: w = U gives at most 2.5 % false acceptance; ISO 14253-1:2017 default w = 0.83·U below 5 %.
@pytest.mark.parametrize(("r", "most"), [(0.0, 0.5), (0.83, 0.05), (1.0, 0.025), (1.5, 0.0016)])
def test_guard_bands(r: float, most: float) -> None:
    assert specific_risk(r) <= most
    assert specific_risk(r) > 0.8 * most
    assert guard_band(0.2, r) == pytest.approx(0.2 * r)
