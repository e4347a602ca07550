"""Worked examples of JCGM 100:2008 (GUM), annex H, and 4.4.3."""

import math

import numpy as np
import pytest

from benchlog.measure.settling import slope
from benchlog.measure.student import student_quantile, t95
from benchlog.measure.uncertainty import Component, combine, combine_correlated, scatter


def test_h1_end_gauge() -> None:
    """H.1: an end gauge of 50 mm. Standard uncertainties in nm; ν_eff = 16 and U₉₉ = 93 nm as printed."""
    ls, alpha, theta = 50_000_623.0, 11.5e-6, -0.1
    components = [
        Component("standard", 75.0 / 3.0, 18),
        Component("comparator, random", 13.0 / math.sqrt(5.0), 24),
        Component("comparator, random effects of calibration", 10.0 / t95(5.0), 5),
        Component("comparator, systematic", 20.0 / 3.0, 8),
        Component("difference of expansion coefficients", ls * abs(theta) * 1e-6 / math.sqrt(3.0), 50),
        Component("difference of temperatures", ls * alpha * 0.05 / math.sqrt(3.0), 2),
    ]
    found = combine(components, 0.99)
    assert [c.u for c in components] == pytest.approx([25.0, 5.8, 3.9, 6.7, 2.89, 16.6], abs=0.05)
    assert found.u == pytest.approx(32.0, abs=0.5)
    assert found.dof == pytest.approx(16.75, abs=0.1)
    assert found.k == pytest.approx(2.92, abs=0.005)
    assert found.k == student_quantile(0.995, 16.0)
    # 92.5 from the unrounded u; the Guide rounds u to 32 first and prints 93.
    assert found.expanded == pytest.approx(92.5, abs=0.2)
    assert found.k * round(found.u) == pytest.approx(93.0, abs=0.6)


VOLTS = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
AMPERES = np.array([19.663, 19.639, 19.640, 19.685, 19.678]) * 1e-3
PHASE = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])


def test_h2_resistance_and_reactance() -> None:
    """H.2: R = 127.732(71), X = 219.847(295), Z = 254.260(236) Ω from five readings of V, I and φ."""
    v, i, phi = VOLTS.mean(), AMPERES.mean(), PHASE.mean()
    u = [float(x.std(ddof=1)) / math.sqrt(5) for x in (VOLTS, AMPERES, PHASE)]
    r = np.corrcoef([VOLTS, AMPERES, PHASE])
    cos, sin = math.cos(phi), math.sin(phi)
    rows = {
        "R": (v * cos / i, [cos / i, -v * cos / i**2, -v * sin / i], 127.732, 0.071),
        "X": (v * sin / i, [sin / i, -v * sin / i**2, v * cos / i], 219.847, 0.295),
        "Z": (v / i, [1 / i, -v / i**2, 0.0], 254.260, 0.236),
    }
    for value, c, printed, printed_u in rows.values():
        assert value == pytest.approx(printed, abs=0.0006)
        assert combine_correlated(c, u, r.tolist()) == pytest.approx(printed_u, abs=0.0007)


def test_h2_second_approach() -> None:
    """H.2.4, approach 2: R, X and Z for each set, then averaged; 127.732(71), 219.847(295), 254.260(236)."""
    for x, printed, printed_u in (
        (VOLTS * np.cos(PHASE) / AMPERES, 127.732, 0.071),
        (VOLTS * np.sin(PHASE) / AMPERES, 219.847, 0.295),
        (VOLTS / AMPERES, 254.260, 0.236),
    ):
        found = scatter(x)
        assert found.mean == pytest.approx(printed, abs=0.0006)
        assert found.s / math.sqrt(5) == pytest.approx(printed_u, abs=0.0007)


def test_h3_calibration_of_a_thermometer() -> None:
    """H.3: slope y₂ = 0.002 18(67) of the correction against temperature, from eleven readings."""
    t = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
    b = -1e-3 * np.array([171, 169, 166, 159, 164, 165, 156, 157, 159, 161, 160], dtype=float)
    found = slope(t - 20.0, b)
    plain_se = found.se / math.sqrt((1 + found.r1) / (1 - found.r1))
    assert found.b == pytest.approx(0.00218, abs=5e-6)
    assert plain_se == pytest.approx(0.00067, abs=5e-6)
    s = plain_se * math.sqrt(float(((t - t.mean()) ** 2).sum()))
    assert s == pytest.approx(0.0035, abs=5e-5)
    y1 = float(b.mean()) - found.b * float((t - 20.0).mean())
    assert y1 == pytest.approx(-0.1712, abs=5e-5)
    # b(30 °C) = −0.1494(41), with r(y₁, y₂) = −0.930.
    x = t - 20.0
    u1 = s * math.sqrt(float((x * x).sum()) / (len(x) * float(((x - x.mean()) ** 2).sum())))
    r = -float(x.sum()) / math.sqrt(len(x) * float((x * x).sum()))
    assert r == pytest.approx(-0.930, abs=5e-4)
    assert combine_correlated([1.0, 10.0], [u1, plain_se], [[1.0, r], [r, 1.0]]) == pytest.approx(
        0.0041, abs=5e-5
    )
    assert y1 + 10.0 * found.b == pytest.approx(-0.1494, abs=5e-5)


def test_443_twenty_temperatures() -> None:
    """4.4.3: mean 100.145 °C, s = 1.489, u = 0.333 (printed 100.14, 1.49, 0.33)."""
    t = np.array(
        [96.90, 98.18, 98.25, 98.61, 99.03, 99.49, 99.56, 99.74, 99.89, 100.07, 100.33, 100.42, 100.68,
        100.95,
         101.11, 101.20, 101.57, 101.84, 102.36, 102.72]
    )  # fmt: skip
    found = scatter(t)
    assert found.mean == pytest.approx(100.145, abs=5e-4)
    assert found.s == pytest.approx(1.489, abs=5e-4)
    assert found.s / math.sqrt(20) == pytest.approx(0.333, abs=5e-4)
