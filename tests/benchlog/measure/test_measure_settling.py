"""The slope test and the rise rules: arithmetic against libraries, behaviour on known courses."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from statsmodels.tsa.stattools import acf

from benchlog.measure import settling
from benchlog.measure.settling import Floats


def times(seconds: float, per_second: float = 10.0) -> Floats:
    return np.arange(round(seconds * per_second) + 1) / per_second


def noise(n: int, seed: int = 1) -> Floats:
    return np.random.default_rng(seed).standard_normal(n)


@pytest.mark.parametrize("seed", range(5))
def test_slope_agrees_with_scipy_and_statsmodels(seed: int) -> None:
    t = times(8.0)
    x = 0.2 + 0.004 * t + 0.001 * np.convolve(noise(len(t) + 4, seed), [0.5, 0.3, 0.1, 0.05, 0.05], "valid")
    found = settling.slope(t, x)
    line = stats.linregress(t, x)
    assert found.b == pytest.approx(line.slope, rel=1e-10)
    r1 = min(max(float(acf(x - line.slope * t - line.intercept, nlags=1, adjusted=False)[1]), 0.0), 0.9)
    assert found.r1 == pytest.approx(r1, abs=1e-9)
    assert found.se == pytest.approx(line.stderr * math.sqrt((1 + r1) / (1 - r1)), rel=1e-9)


def test_the_serial_correlation_is_held() -> None:
    t = times(8.0)
    assert settling.slope(t, np.where(np.arange(len(t)) % 2, 1.0, -1.0)).r1 == 0.0
    assert settling.slope(t, np.cumsum(np.cumsum(noise(len(t))))).r1 == 0.9


@pytest.mark.parametrize("n", [0, 1, 2])
def test_too_few_readings_settle_nothing(n: int) -> None:
    t = np.arange(float(n))
    assert math.isnan(settling.slope(t, t).b)
    assert not settling.is_settled(t, t * 0.0, 1e9)


def test_readings_at_one_instant_settle_nothing() -> None:
    assert not settling.is_settled(np.zeros(10), np.ones(10), 1e9)


def test_readings_that_are_no_numbers_settle_nothing() -> None:
    t = times(8.0)
    assert not settling.is_settled(t, np.where(t == 4.0, np.nan, 1.0), 1e9)


def test_a_constant_is_settled() -> None:
    t = times(8.0)
    assert settling.drift_bound(t, np.full(len(t), 0.25)) == 0.0


@given(scale=st.floats(1e-3, 1e3), shift=st.floats(-1e3, 1e3), seed=st.integers(0, 50))
def test_the_bound_scales_and_does_not_mind_when(scale: float, shift: float, seed: int) -> None:
    t = times(8.0)
    x = 0.2 + 0.01 * noise(len(t), seed)
    one = settling.drift_bound(t, x)
    assert settling.drift_bound(t + shift, scale * x) == pytest.approx(scale * one, rel=1e-6)
    assert settling.drift_bound(t, -x) == pytest.approx(one, rel=1e-12)


def test_the_bound_is_the_printed_formula() -> None:
    # Ours: (|b| + t95·SE)·30; t95 for 6 degrees of freedom is 2.447 (JCGM 100, table G.2: 2.45).
    t = np.arange(8.0)
    x = np.array([1.0, 1.2, 1.1, 1.4, 1.3, 1.6, 1.5, 1.8])
    found = settling.slope(t, x)
    assert settling.drift_bound(t, x) == pytest.approx(30.0 * (found.b + 2.4469 * found.se), rel=1e-4)


def test_tolerance_is_the_largest_of_three() -> None:
    assert settling.tolerance(1.0) == pytest.approx(0.05)
    assert settling.tolerance(0.01) == pytest.approx(0.003)
    assert settling.tolerance(0.01, count=0.01) == pytest.approx(0.04)


def test_settled_value_is_the_mean_of_the_last_second_and_two_readings_at_least() -> None:
    t = times(6.0, 0.5)
    x = np.arange(len(t)) * 1.0
    assert settling.settled_value(t, x) == pytest.approx(x[-2:].mean())
    assert settling.settled_value(times(5.0), times(5.0)) == pytest.approx(4.55)
    assert settling.settled_value(np.array([0.0]), np.array([1.0])) is None
    assert settling.settled_value(np.empty(0), np.empty(0)) is None


@pytest.mark.parametrize("per_second", [2.5, 10.0, 50.0])
def test_a_decay_settles_once_it_is_over(per_second: float) -> None:
    t = times(60.0, per_second)
    x = 0.2 + 0.5 * np.exp(-t / 2.0) + 0.0003 * noise(len(t))
    found = settling.settled_since(t, x)
    assert found is not None
    assert 8.0 < found < 30.0


def test_a_runaway_does_not_settle() -> None:
    t = times(60.0)
    assert settling.settled_since(t, 0.2 * np.exp(t / 60.0)) is None


def test_false_calls_on_steady_readings_are_rare() -> None:
    # Ours: at most 1 % false rise alarms on sound units; here white noise of half a count on 1 mA.
    alarms = 0
    for seed in range(200):
        t = times(40.0)
        x = np.round(0.2 + 0.0005 * noise(len(t), seed), 3)
        alarms += settling.rise_alarm(t, x, 0.001) is not None
    assert alarms <= 2


@pytest.mark.parametrize("tau_s", [20.0, 45.0, 90.0])
def test_a_runaway_is_told(tau_s: float) -> None:
    t = times(60.0)
    x = np.where(t < 20.0, 0.2, 0.2 * np.exp((t - 20.0) / tau_s))
    told = next(float(t[k]) for k in range(3, len(t)) if settling.rise_alarm(t[: k + 1], x[: k + 1], 0.001))
    assert 20.0 < told < 20.0 + 0.5 * tau_s + 4.0


def test_rise_by_means_needs_ten_percent_and_two_counts() -> None:
    t = times(40.0)
    step = np.where(t < 35.0, 0.100, 0.1131)
    assert settling.rise_by_means(t, step, 0.001, 38.0) is not None
    assert settling.rise_by_means(t, np.where(t < 35.0, 0.100, 0.1119), 0.001, 38.0) is None
    assert settling.rise_by_means(t, step, 0.002, 38.0) is None
    assert settling.rise_by_means(t[:200], step[:200], 0.001, 19.0) is None


def test_one_second_alone_raises_no_alarm() -> None:
    t = times(45.0)
    x = np.where((t > 40.0) & (t < 40.9), 0.235, 0.2)
    assert all(settling.rise_alarm(t[: k + 1], x[: k + 1], 0.001) is None for k in range(3, len(t)))


def test_rise_by_slope_needs_a_full_window() -> None:
    t = times(12.0)
    x = 0.2 + 0.02 * t
    assert settling.rise_by_slope(t, x, 0.001, 12.0) is not None
    assert settling.rise_by_slope(t[:90], x[:90], 0.001, 8.9) is None
    assert settling.rise_by_slope(t, 0.2 + 0.001 * t, 0.001, 12.0) is None


@pytest.mark.parametrize("n", [0, 1, 2])
def test_no_alarm_from_nothing(n: int) -> None:
    t = np.arange(float(n))
    assert settling.rise_alarm(t, t, 0.001) is None
