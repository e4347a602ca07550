"""Integrals between samples, crossings and interpolation, against scipy and closed forms."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import cumulative_trapezoid
from scipy.interpolate import PchipInterpolator

from benchlog.measure import crossings, integral
from benchlog.measure.interpolate import pchip, value
from benchlog.model.errors import UsageError


def running(y: np.ndarray, at: np.ndarray) -> np.ndarray:
    whole = cumulative_trapezoid(y, initial=0.0)
    k = np.minimum(at.astype(int), len(y) - 2)
    f = at - k
    return whole[k] + f * y[k] + 0.5 * f * f * (y[k + 1] - y[k])


@pytest.mark.parametrize("n", [2, 3, 10, 1000, 65_536, 65_537, 200_003])
@pytest.mark.parametrize("offset", [0.0, 0.7])
def test_square_integral_agrees_with_scipy(n: int, offset: float) -> None:
    rng = np.random.default_rng(n)
    y = rng.standard_normal(n)
    inside = rng.uniform(0, n - 1, 60)
    at = np.sort(np.concatenate(([0, 0, n - 1, n - 1], inside, np.arange(min(n, 5)))))
    expected = running((y - offset) ** 2, at)
    np.testing.assert_allclose(integral.square_integral(y, offset, at), expected, rtol=1e-11, atol=1e-9)
    whole = integral.running_squares(y, offset, at)
    assert whole.between(at[3], at[-3]) == pytest.approx(expected[-3] - expected[3], rel=1e-9, abs=1e-9)


@settings(max_examples=50)
@given(n=st.integers(2, 300), a=st.floats(0, 1), b=st.floats(0, 1), seed=st.integers(0, 9))
def test_integral_agrees_with_scipy(n: int, a: float, b: float, seed: int) -> None:
    y = np.random.default_rng(seed).standard_normal(n)
    start, end = sorted((a * (n - 1), b * (n - 1)))
    expected = running(y, np.array([start, end]))
    assert integral.integral(y, start, end) == pytest.approx(expected[1] - expected[0], abs=1e-9)


def test_block_rms_is_that_of_each_block() -> None:
    y = np.random.default_rng(0).standard_normal(100_003)
    found = integral.block_rms(y, 0.25, 170)
    blocks = (y[: len(y) // 170 * 170] - 0.25).reshape(-1, 170)
    np.testing.assert_allclose(found, np.sqrt((blocks**2).mean(axis=1)), rtol=1e-12)


@pytest.mark.parametrize("frequency_hz", [50 / 3, 49.97, 50.0, 60.03, 400.0])
@pytest.mark.parametrize("phase", [0.0, 0.3, 2.0, 4.5])
def test_crossings_of_a_sine_stand_where_they_should(frequency_hz: float, phase: float) -> None:
    rate_hz = 20_000.0
    v = 325.0 * np.sin(2 * np.pi * frequency_hz * np.arange(40_000) / rate_hz + phase)
    found = crossings.find_crossings(v, 230.0)
    half = rate_hz / frequency_hz / 2.0
    first = found.at[0] * 2 * np.pi * frequency_hz / rate_hz + phase
    np.testing.assert_allclose(found.at, found.at[0] + half * np.arange(len(found.at)), atol=2e-3)
    assert abs(np.sin(first)) < 1e-3
    assert found.rising_first == (np.cos(first) > 0)
    assert crossings.mains_frequency(crossings.regular(found.at), rate_hz) == pytest.approx(
        frequency_hz, rel=1e-6
    )


def test_noise_makes_no_crossings_of_its_own() -> None:
    t = np.arange(40_000) / 20_000.0
    v = 325.0 * np.sin(2 * np.pi * 50 * t) + 15.0 * np.random.default_rng(0).standard_normal(len(t))
    found = crossings.find_crossings(v, 230.0)
    assert len(found.at) == pytest.approx(200, abs=1)
    assert np.diff(found.at).min() > 150


def test_regular_crossings_follow_a_wandering_frequency_and_ignore_one_sided_shifts() -> None:
    half = 200.0 * (1.0 + 0.001 * np.sin(np.arange(2000) / 1000.0))
    true = np.cumsum(half)
    bent = true.copy()
    bent[:20:2] -= 8.0 * np.exp(-np.arange(10) / 2.0)
    assert np.abs(crossings.regular(bent) - true).max() < 0.6


def test_no_crossings_in_silence() -> None:
    assert len(crossings.find_crossings(np.zeros(1000), 0.0).at) == 0
    assert len(crossings.find_crossings(np.full(1000, 48.0), 48.0).at) == 0
    assert crossings.mains_frequency(np.empty(0), 1e4) is None


@settings(max_examples=50)
@given(
    steps=st.lists(st.floats(0.01, 5.0), min_size=1, max_size=12),
    seed=st.integers(0, 100),
    shares=st.lists(st.floats(0.0, 1.0), min_size=1, max_size=10),
)
def test_pchip_agrees_with_scipy(steps: list[float], seed: int, shares: list[float]) -> None:
    x = np.concatenate(([0.0], np.cumsum(steps)))
    y = np.random.default_rng(seed).standard_normal(len(x))
    curve = pchip(x.tolist(), y.tolist())
    referee = PchipInterpolator(x, y)
    for share in shares:
        at = share * float(x[-1])
        assert value(curve, at) == pytest.approx(float(referee(at)), rel=1e-9, abs=1e-9)
    assert value(curve, -1.0) == y[0]
    assert value(curve, float(x[-1]) + 1.0) == y[-1]


@pytest.mark.parametrize(("x", "y"), [([0.0], [1.0]), ([0.0, 0.0], [1.0, 2.0]), ([0.0, 1.0], [1.0])])
def test_points_that_make_no_curve_are_refused(x: list[float], y: list[float]) -> None:
    with pytest.raises(UsageError):
        pchip(x, y)


def test_nothing_lies_between_the_last_sample_and_itself() -> None:
    y = np.array([3.0, 5.0])
    assert integral.integral(y, 1.0, 1.0) == 0.0
    assert integral.integral(y, 0.0, 1.0) == pytest.approx(4.0)
