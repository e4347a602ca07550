"""Worked examples of JCGM 106:2012, guard bands of ILAC-G8 and ISO 14253-1, and trend tests' textbooks."""

import math

import numpy as np
import pytest
from scipy import stats

from benchlog.measure.decision import conformance, global_risks, specific_risk
from benchlog.measure.student import student_cdf, student_quantile
from benchlog.measure.trend import mann_kendall, theil_sen


# Inputs and results of the four examples from memory of the text; recomputed 0.9192, 0.9890, 0.6626.
@pytest.mark.parametrize(
    ("y", "u", "low", "high", "printed"),
    [
        (-5.47, 0.05, None, -5.40, 0.92),
        (509.7, 8.6, 490.0, None, 0.99),
        (13.6, 1.8, 12.5, 16.3, 0.66),
    ],
    ids=["Zener diode", "bursting pressure", "motor oil"],
)
def test_conformance_probability(
    y: float, u: float, low: float | None, high: float | None, printed: float
) -> None:
    assert conformance(y, u, low, high) == pytest.approx(printed, abs=0.005)


def test_speed_limit_example() -> None:
    """Above 100 km/h, proved at 99.9 % with 2 % relative uncertainty from 107 km/h on (from memory)."""
    speed = 100.0 / (1.0 - 0.02 * student_quantile(0.999, math.inf))
    assert speed == pytest.approx(107.0, abs=0.5)
    assert conformance(speed, 0.02 * speed, None, 100.0) == pytest.approx(0.001, abs=1e-6)


def test_resistors_global_risks() -> None:
    """1500 Ω ± 0.2 Ω, accepted within ± 0.18 Ω, process 0.12 Ω, u 0.04 Ω: 0.90, 0.01, 0.07 (from memory).

    Recomputed with an independent quadrature: 0.90442, 0.00988, 0.06903; simple acceptance 0.01894, 0.03721.
    """

    def prior(x: np.ndarray) -> np.ndarray:
        return stats.norm.pdf(x, 1500.0, 0.12)

    span, tolerance = (1498.56, 1501.44), (1499.80, 1500.20)
    guarded = global_risks(prior, span, tolerance, (1499.82, 1500.18), 0.04)
    assert guarded.conforming == pytest.approx(0.90442, abs=5e-6)
    assert guarded.consumers == pytest.approx(0.00988, abs=5e-6)
    assert guarded.producers == pytest.approx(0.06903, abs=5e-6)
    simple = global_risks(prior, span, tolerance, tolerance, 0.04)
    assert (simple.consumers, simple.producers) == pytest.approx((0.01894, 0.03721), abs=5e-6)


def test_ball_bearing_global_risk() -> None:
    """9.5.4: wear of bearings, gamma prior (mean 1, s 0.5 µm), limit 2 µm, u 0.25 µm: 0.04238, 0.00802."""

    def prior(x: np.ndarray) -> np.ndarray:
        return stats.gamma.pdf(x, 4.0, scale=0.25)

    limit = (-math.inf, 2.0)
    found = global_risks(prior, (0.0, 15.0), limit, limit, 0.25)
    assert 1.0 - found.conforming == pytest.approx(0.04238, abs=5e-6)
    assert found.consumers == pytest.approx(0.00802, abs=5e-6)
    guarded = global_risks(prior, (0.0, 15.0), limit, (-math.inf, 1.6718), 0.25)
    assert guarded.consumers == pytest.approx(0.001, abs=1e-5)


def test_guard_bands() -> None:
    """ILAC-G8:09/2019 (w = U: below 2.5 %), ISO 14253-1:2017 (w = 1.65 u: below 5 %), k = 2."""
    assert specific_risk(1.0) == pytest.approx(0.02275, abs=5e-6)
    assert specific_risk(0.83) == pytest.approx(0.0485, abs=5e-5)
    assert specific_risk(1.65 / 2.0) == pytest.approx(0.0495, abs=5e-5)
    assert specific_risk(1.5) == pytest.approx(0.00135, abs=5e-6)
    assert specific_risk(3.0) == pytest.approx(9.9e-10, abs=5e-12)


def test_guard_band_with_few_degrees_of_freedom() -> None:
    """JCGM 106, 9.5.2 (as cited): ν = 4 needs 3.75 u for 1 %; 4.5 u leaves 0.54 %."""
    assert student_quantile(0.99, 4.0) == pytest.approx(3.75, abs=0.005)
    assert student_cdf(-4.5, 4.0) == pytest.approx(0.0054, abs=5e-5)


def test_mann_kendall_of_the_epa() -> None:
    """EPA QA/G-9S (2006), p. 109: S 22, variance 155.33, Z 1.685."""
    x = np.array([10, 10, 10, 5, 10, 20, 18, 17, 15, 24, 15], dtype=float)
    found = mann_kendall(x)
    assert found.s == 22
    assert found.var_s == pytest.approx(155.33, abs=0.005)
    assert found.z == pytest.approx(1.685, abs=5e-4)
    assert theil_sen(np.arange(11.0), x).slope == 1.0


def test_mann_kendall_of_gilbert() -> None:
    """Gilbert, Statistical Methods for Environmental Pollution Monitoring (1987), p. 212: S 111, Z 3.1."""
    x = np.array(
        [20, 20, 20, 20, 15, 20, 20, 30, 27, 26, 23, 35, 25, 28, 70, 26, 24, 34, 32, 23, 50, 30], dtype=float
    )
    found = mann_kendall(x)
    assert found.s == 111
    assert math.sqrt(found.var_s) == pytest.approx(35.02, abs=0.005)
    assert found.z == pytest.approx(3.1, abs=0.05)
    assert found.p == pytest.approx(0.0017, abs=5e-5)
