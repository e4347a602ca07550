"""The budget against GTC and uncertainties, its shapes against simulation, and the sheet's conditions."""

import math

import GTC
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from uncertainties import ufloat

from benchlog.measure import uncertainty
from benchlog.measure.uncertainty import Component, accuracy_for, budget, combine, coverage_half_width
from benchlog.model.errors import UsageError
from benchlog.model.instrument import Accuracy, MeterSheet, Response
from benchlog.model.quantity import Quantity

CURRENT = Accuracy(Quantity.AC_CURRENT, 0.01, 5.0, 0.001)


def test_linear_bound() -> None:
    # (2/√3)·(1 % of 0.5 A + 5 × 1 mA) = 11.547 mA; a fifth of the counts with five turns.
    assert uncertainty.linear_u(0.5, 0.01, 5, 0.001) == pytest.approx(0.0115470, rel=1e-5)
    assert uncertainty.linear_u(-0.5, 0.01, 5, 0.001) == uncertainty.linear_u(0.5, 0.01, 5, 0.001)
    assert uncertainty.linear_u(0.5, 0.01, 5, 0.001, 5) == pytest.approx(2 / math.sqrt(3) * 0.006, rel=1e-12)


PARTS = st.lists(
    st.tuples(st.floats(0.01, 10.0), st.one_of(st.just(math.inf), st.floats(1.0, 50.0))),
    min_size=1,
    max_size=6,
)


@given(parts=PARTS)
def test_combination_agrees_with_gtc(parts: list[tuple[float, float]]) -> None:
    found = combine([Component(str(k), u, dof) for k, (u, dof) in enumerate(parts)])
    whole = sum(GTC.ureal(0.0, u, dof) for u, dof in parts)
    assert found.u == pytest.approx(GTC.uncertainty(whole), rel=1e-9)
    if math.isfinite(found.dof) and found.dof < 1e6:
        assert found.dof == pytest.approx(GTC.dof(whole), rel=1e-6)
        assert found.k == pytest.approx(float(stats.t.ppf(0.975, math.floor(found.dof + 1e-9))), rel=1e-9)


@given(parts=PARTS)
def test_combination_agrees_with_uncertainties(parts: list[tuple[float, float]]) -> None:
    whole = sum(ufloat(0.0, u) for u, _ in parts)
    assert combine([Component("", u) for u, _ in parts]).u == pytest.approx(whole.std_dev, rel=1e-12)


@given(seed=st.integers(0, 1000))
def test_correlated_combination_agrees_with_gtc(seed: int) -> None:
    rng = np.random.default_rng(seed)
    u, c = rng.uniform(0.1, 2.0, 3), rng.uniform(-2.0, 2.0, 3)
    root = rng.uniform(-1, 1, (3, 4))
    covariance = root @ root.T
    r = covariance / np.sqrt(np.outer(np.diag(covariance), np.diag(covariance)))
    inputs = [GTC.ureal(0.0, float(uk), independent=False) for uk in u]
    for i in range(3):
        for j in range(i):
            GTC.set_correlation(float(r[i, j]), inputs[i], inputs[j])
    whole = sum(float(ck) * x for ck, x in zip(c, inputs, strict=True))
    assert uncertainty.combine_correlated(c, u, r) == pytest.approx(GTC.uncertainty(whole), rel=1e-9)


def test_nothing_uncertain_is_certain() -> None:
    assert combine([]).expanded == 0.0
    assert coverage_half_width([], 0.0) == 0.0


def test_scatter_of_independent_readings_is_that_of_the_textbook() -> None:
    x = np.array([1.0, 3.0, 1.5, 2.9, 1.1, 3.2])
    found = uncertainty.scatter(x)
    assert found.r1 == 0.0
    assert found.mean == pytest.approx(x.mean())
    assert found.s == pytest.approx(x.std(ddof=1))
    assert found.u == pytest.approx(x.std(ddof=1) / math.sqrt(6))
    assert found.dof == pytest.approx(5.0)


def test_correlated_readings_are_worth_fewer() -> None:
    x = np.convolve(np.random.default_rng(0).standard_normal(409), np.ones(10) / 10, "valid")
    found = uncertainty.scatter(x)
    assert found.r1 > 0.8
    assert found.dof < 60
    assert found.u > 2.5 * x.std(ddof=1) / math.sqrt(len(x))


def test_one_reading_has_no_scatter() -> None:
    with pytest.raises(UsageError):
        uncertainty.scatter(np.array([1.0]))


# k = 1.65 where one rectangular contribution dominates: EA-4/02 M:2022, supplement 2; 1.96 for a normal.
@pytest.mark.parametrize(
    ("halves", "sigma", "k"), [((1.0,), 0.0, 1.65), ((), 1.0, 1.96), ((1.0, 1.0), 0.0, 1.90)]
)
def test_coverage_factors_of_the_handbook(halves: tuple[float, ...], sigma: float, k: float) -> None:
    u = math.sqrt(sum(h * h / 3 for h in halves) + sigma * sigma)
    assert coverage_half_width(halves, sigma) / u == pytest.approx(k, abs=0.006)


@settings(max_examples=25, deadline=None)
@given(
    halves=st.lists(st.floats(0.05, 3.0), min_size=1, max_size=4),
    sigma=st.floats(0.0, 2.0),
    share=st.sampled_from([0.90, 0.95, 0.99]),
)
def test_the_half_width_holds_its_share_of_simulated_errors(
    halves: list[float], sigma: float, share: float
) -> None:
    rng = np.random.default_rng(7)
    errors = sum((rng.uniform(-h, h, 100_000) for h in halves), sigma * rng.standard_normal(100_000))
    inside = float((np.abs(errors) <= coverage_half_width(halves, sigma, share)).mean())
    assert inside == pytest.approx(share, abs=0.004 if len(halves) < 3 else 0.012)


@given(scale=st.floats(1e-6, 1e6), h1=st.floats(0.1, 3.0), h2=st.floats(0.1, 3.0), sigma=st.floats(0.0, 2.0))
def test_the_half_width_scales(scale: float, h1: float, h2: float, sigma: float) -> None:
    one = coverage_half_width((h1, h2), sigma)
    assert coverage_half_width((scale * h1, scale * h2), scale * sigma) == pytest.approx(
        scale * one, rel=1e-6
    )


def test_budget_of_a_hand_meter() -> None:
    found = budget(0.2, CURRENT)
    assert [c.name for c in found.components] == ["gain, % of reading", "counts", "resolution"]
    assert found.u == pytest.approx(math.sqrt(0.002**2 + 0.005**2 + 0.0005**2) / math.sqrt(3), rel=1e-12)
    assert found.widest.name == "counts"
    assert 1.65 < found.k < 1.96
    assert found.expanded < uncertainty.linear_u(0.2, 0.01, 5, 0.001)


def test_budget_with_everything() -> None:
    accuracy = Accuracy(Quantity.AC_CURRENT, 0.01, 5.0, 0.001, range=2.0, range_fraction=0.002)
    readings = 0.2 + 0.004 * np.random.default_rng(0).standard_normal(6)
    found = budget(0.2, accuracy, readings, 5, zero=0.01, zero_u=0.001, extra_fraction=0.02)
    assert found.value == pytest.approx(0.19)
    u = {c.name: c.u for c in found.components}
    assert u["counts"] == pytest.approx(0.001 / math.sqrt(3))
    assert u["% of range"] == pytest.approx(0.0008 / math.sqrt(3))
    assert u["crest factor or frequency"] == pytest.approx(0.004 / math.sqrt(3))
    assert u["lead or zero correction"] == 0.001
    assert u["scatter"] == pytest.approx(uncertainty.scatter(readings).u)
    fewer = budget(0.2, accuracy, readings, 5, averaged=2)
    assert {c.name: c.u for c in fewer.components}["scatter"] == pytest.approx(u["scatter"] * math.sqrt(3))


def test_two_scattering_readings_need_a_large_factor() -> None:
    exact = Accuracy(Quantity.AC_CURRENT, 0.0, 0.0, 0.0)
    found = budget(1.0, exact, np.array([0.99, 1.01]))
    assert found.expanded == pytest.approx(12.706 * 0.01, rel=1e-3)


def test_the_full_budget_covers_what_it_says() -> None:
    """Gain ± a and offset ± n counts, rectangular, drawn once; noise of 0.3 count, rounding."""
    rng = np.random.default_rng(11)
    inside, runs = 0, 2000
    for _ in range(runs):
        true = float(rng.uniform(0.03, 1.0))
        gain, shift = rng.uniform(-0.01, 0.01), rng.uniform(-0.005, 0.005)
        raw = true * (1 + gain) + shift + 0.0003 * rng.standard_normal(10)
        readings = np.round(raw / 0.001) * 0.001
        found = budget(float(readings.mean()), CURRENT, readings)
        inside += abs(found.value - true) <= found.expanded
    assert 0.93 <= inside / runs <= 0.97


SHEET = MeterSheet(
    accuracy=(
        Accuracy(
            Quantity.AC_CURRENT, 0.01, 5, 0.001, range=2.0, low_hz=45, high_hz=500, crest_from=2,
            crest_extra=0.03,
        ),
        Accuracy(Quantity.AC_CURRENT, 0.03, 5, 0.001, range=2.0, low_hz=500, high_hz=2000),
        Accuracy(Quantity.AC_CURRENT, 0.02, 10, 0.01, range=20.0, low_hz=45, high_hz=500),
        Accuracy(Quantity.DC_VOLTAGE, 0.005, 2, 0.1),
    ),
    crest_factor=3.0,
)  # fmt: skip


def test_the_line_of_the_sheet_that_holds() -> None:
    def fraction(**conditions: float) -> float | None:
        found = accuracy_for(SHEET, Quantity.AC_CURRENT, **conditions).accuracy
        return found.reading_fraction if found else None

    assert fraction(range_=2.0, frequency_hz=50.0) == 0.01
    assert fraction(range_=2.0, frequency_hz=1000.0) == 0.03
    assert fraction(range_=20.0, frequency_hz=50.0) == 0.02
    assert fraction(frequency_hz=50.0) == 0.02, "the range is not known: the widest line"
    assert fraction(range_=2.0, frequency_hz=5000.0) is None
    assert fraction(range_=5.0) is None


def test_crest_factor() -> None:
    def at(crest: float, sheet: MeterSheet = SHEET) -> uncertainty.Stated:
        return accuracy_for(sheet, Quantity.AC_CURRENT, 2.0, 50.0, crest)

    assert at(1.5).extra_fraction == 0.0
    assert at(2.5).extra_fraction == 0.03
    assert at(3.6).accuracy is None
    assert "crest factor 3.6" in at(3.6).reason
    average = MeterSheet(SHEET.accuracy, response=Response.AVERAGE)
    assert at(1.41, average).accuracy is not None
    assert "average-responding" in at(3.0, average).reason


def test_what_the_sheet_does_not_state() -> None:
    assert "no accuracy for" in accuracy_for(SHEET, Quantity.TEMPERATURE).reason
    assert "this range" in accuracy_for(SHEET, Quantity.AC_CURRENT, 5.0).reason
    assert "this frequency" in accuracy_for(SHEET, Quantity.AC_CURRENT, 2.0, 9e3).reason


def test_a_range_divided_by_turns_and_multiplied_again_is_the_same_range() -> None:
    for turns in range(1, 30):
        asked = SHEET.accuracy[0].range / turns * turns
        assert accuracy_for(SHEET, Quantity.AC_CURRENT, asked, 50.0).accuracy is SHEET.accuracy[0]


def test_below_the_least_specified_value_the_gain_is_that_of_the_least() -> None:
    clamp = Accuracy(Quantity.AC_CURRENT, 0.02, 5, 0.01, least=0.5)
    below, at = budget(0.01, clamp, turns=5), budget(0.1, clamp, turns=5)
    assert below.components[0].half_width == at.components[0].half_width == pytest.approx(0.002)
    assert budget(0.2, clamp, turns=5).components[0].half_width == pytest.approx(0.004)


def test_about_a_straight_line_two_parameters_are_lost() -> None:
    """Standard deviation of residuals: Draper & Smith, Applied Regression Analysis (1998), 1.3: n − 2."""
    d = np.array([0.3, -0.4, 0.1, 0.2, -0.5, 0.3])
    found = uncertainty.scatter(d, fitted=2)
    assert found.s == pytest.approx(math.sqrt(float(d @ d) / 4))
    assert found.dof == pytest.approx(4.0)
    with pytest.raises(UsageError):
        uncertainty.scatter(d[:2], fitted=2)
