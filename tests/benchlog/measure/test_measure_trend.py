"""Trend tests against pymannkendall and scipy, and the drift of a soak on known courses."""

import math

import numpy as np
import pymannkendall
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from benchlog.measure import trend
from benchlog.model.errors import UsageError

VALUES = st.lists(st.integers(-20, 20).map(float), min_size=4, max_size=40)


@settings(max_examples=60, deadline=None)
@given(values=VALUES)
def test_mann_kendall_agrees_with_pymannkendall(values: list[float]) -> None:
    x = np.array(values)
    found = trend.mann_kendall(x)
    referee = pymannkendall.original_test(x)
    assert found.s == referee.s
    assert found.var_s == pytest.approx(referee.var_s)
    assert found.z == pytest.approx(referee.z)
    assert found.p == pytest.approx(referee.p, abs=1e-12)


@settings(max_examples=60, deadline=None)
@given(values=VALUES)
def test_tau_agrees_with_scipy(values: list[float]) -> None:
    x = np.array(values)
    referee = float(stats.kendalltau(np.arange(len(x)), x).statistic)
    assert trend.mann_kendall(x).tau == pytest.approx(0.0 if math.isnan(referee) else referee, abs=1e-12)


@settings(max_examples=60, deadline=None)
@given(values=VALUES, seed=st.integers(0, 20))
def test_theil_sen_agrees_with_scipy(values: list[float], seed: int) -> None:
    x = np.array(values)
    t = np.cumsum(np.random.default_rng(seed).uniform(0.1, 3.0, len(x)))
    found = trend.theil_sen(t, x)
    referee = stats.theilslopes(x, t, 0.95)
    assert found.slope == pytest.approx(referee.slope, abs=1e-12)
    assert found.intercept == pytest.approx(referee.intercept, abs=1e-12)
    assert found.low == pytest.approx(referee.low_slope, abs=1e-12)
    assert found.high == pytest.approx(referee.high_slope, abs=1e-12)


@given(scale=st.floats(0.01, 100), shift=st.floats(-100, 100))
def test_theil_sen_scales(scale: float, shift: float) -> None:
    t = np.arange(20.0)
    x = np.sin(t) + 0.1 * t
    one, other = trend.theil_sen(t, x), trend.theil_sen(t + shift, scale * x)
    assert other.slope == pytest.approx(scale * one.slope, rel=1e-6)


def test_too_little_or_too_much_is_refused() -> None:
    two = np.array([1.0, 2.0])
    with pytest.raises(UsageError, match="three"):
        trend.mann_kendall(two)
    with pytest.raises(UsageError, match="three"):
        trend.theil_sen(two, two)
    with pytest.raises(UsageError, match="one instant"):
        trend.theil_sen(np.zeros(5), np.arange(5.0))
    with pytest.raises(UsageError, match="block means"):
        trend.mann_kendall(np.zeros(3000))


def soak(hours: float, per_hour: float, noise: float = 0.001, seed: int = 0) -> tuple[np.ndarray, np.ndarray]:
    t = np.arange(0.0, hours * 3600.0, 1.0)
    rng = np.random.default_rng(seed)
    wander = np.zeros(len(t))
    for k in range(1, len(t)):
        wander[k] = 0.9 * wander[k - 1] + rng.normal(0.0, noise)
    return t, 0.25 + per_hour * t / 3600.0 + wander


def test_block_means_are_means() -> None:
    t = np.arange(600.0)
    at, means = trend.block_means(t, t, 60.0)
    np.testing.assert_allclose(means, 29.5 + 60.0 * np.arange(10))
    np.testing.assert_allclose(at, means)
    assert len(trend.block_means(t[:70], t[:70], 60.0)[0]) == 1
    assert len(trend.block_means(t[:0], t[:0])[0]) == 0


def test_a_drifting_soak_tells_when_it_reaches_its_limit() -> None:
    t, x = soak(1.0, 0.05)
    found = trend.soak_drift(t, x, limit=0.40)
    assert found is not None
    assert found.per_hour == pytest.approx(0.05, abs=0.004)
    assert found.low_per_hour < 0.05 < found.high_per_hour
    assert found.to_limit_s == pytest.approx((0.40 - 0.30) / 0.05 * 3600.0, rel=0.1)
    assert found.soonest_s is not None
    assert found.soonest_s <= found.to_limit_s


def test_a_limit_already_passed_or_behind() -> None:
    t, x = soak(1.0, 0.05)
    passed, behind = trend.soak_drift(t, x, limit=0.2), trend.soak_drift(t, -x, limit=0.0)
    low = trend.soak_drift(t, -x, limit=-0.4, lower=True)
    assert passed is not None
    assert passed.to_limit_s == 0.0
    assert behind is not None
    assert behind.to_limit_s is None
    assert low is not None
    assert low.to_limit_s == pytest.approx(0.1 / 0.05 * 3600.0, rel=0.1)


def test_a_steady_soak_gives_no_time_to_its_limit() -> None:
    false = 0
    for seed in range(40):
        t, x = soak(0.5, 0.0, seed=seed)
        found = trend.soak_drift(t, x, limit=0.4)
        assert found is not None
        false += found.to_limit_s is not None
    assert false <= 5


def test_a_day_at_one_reading_a_second_is_thinned() -> None:
    t = np.arange(0.0, 40.0 * 3600.0, 1.0)
    found = trend.soak_drift(t, 0.2 + 1e-6 * t, limit=1.0, block_s=30.0)
    assert found is not None
    assert found.blocks <= trend.MOST
    assert found.per_hour == pytest.approx(0.0036, rel=1e-6)


def test_a_short_soak_has_no_drift() -> None:
    t, x = soak(0.05, 0.0)
    assert trend.soak_drift(t, x) is None
