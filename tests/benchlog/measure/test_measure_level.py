"""Level by comparison with a meter, delay by a resistive load; drawn set-ups with a known truth."""

import math

import numpy as np
import pytest

from benchlog.measure.level import (
    LevelWatch,
    Point,
    fit_level,
    input_delay,
    looks_swapped,
    noise_floor,
    nominal_scale,
)
from benchlog.model.errors import UsageError


def test_scale_from_the_figures_of_a_transformer() -> None:
    # 1000 : 1, 10 ohm, 2 V peak full scale: 0.2 A in the secondary is 200 A; four turns make it 50 A.
    assert nominal_scale(2.0, 1000.0, 10.0) == pytest.approx(200.0)
    assert nominal_scale(2.0, 1000.0, 10.0, turns=4) == pytest.approx(50.0)
    assert nominal_scale(2.0, 200.0, None) == pytest.approx(400.0)
    with pytest.raises(UsageError):
        nominal_scale(2.0, 0.0, 10.0)


def test_the_stated_uncertainty_covers_the_truth() -> None:
    random = np.random.default_rng(11)
    covered, trials = 0, 400
    for _ in range(trials):
        scale, gain = 10.0 ** random.uniform(0.5, 2.5), 1.0 + 0.01 * random.uniform(-1.0, 1.0)
        points = []
        for share in (0.2, 0.5):
            true = share * 0.3 * scale
            counts = 5 * 1e-3 * random.uniform(-1.0, 1.0)
            meter_u = 2.0 / math.sqrt(3.0) * (0.01 * true + 5e-3)
            raw = true / scale * (1.0 + 2e-4 * random.standard_normal())
            points.append(Point(raw, 2e-4 * raw, true * gain + counts, meter_u, 2.0 / math.sqrt(3.0) * 5e-3))
        found = fit_level(points)
        covered += abs(found.per_full_scale / scale - 1.0) <= found.u_fraction
    assert covered / trials >= 0.95


def point(raw: float, meter: float) -> Point:
    return Point(raw, 1e-5, meter, 0.005 * meter)


@pytest.mark.parametrize(
    ("points", "says"),
    [
        ([point(0.1, 1.0)], "two loads"),
        ([point(0.1, 1.0), point(0.12, 1.2)], "too much alike"),
        ([point(0.0001, 1.0), point(0.2, 2.0)], "too little"),
        ([point(0.1, 1.0), point(0.2, 2.2)], "not in proportion"),
    ],
)
def test_loads_that_can_not_calibrate_are_refused(points: list[Point], says: str) -> None:
    with pytest.raises(UsageError, match=says):
        fit_level(points)


def test_delay_of_an_input() -> None:
    t = np.arange(48_000) / 48_000.0
    random = np.random.default_rng(4)
    v = np.sin(2.0 * np.pi * 60.0 * t) + 1e-4 * random.standard_normal(len(t))
    i = 0.1 * np.sin(2.0 * np.pi * 60.0 * (t - 40e-6)) + 1e-5 * random.standard_normal(len(t))
    found = input_delay(v, i, 48_000.0, 60.0)
    assert found.seconds == pytest.approx(40e-6, abs=max(found.u_s, 1e-8))
    assert found.u_s < 1e-6
    with pytest.raises(UsageError, match="five cycles"):
        input_delay(v[:2000], i[:2000], 48_000.0, 60.0)
    with pytest.raises(UsageError, match="silent"):
        input_delay(v, 0.0 * i, 48_000.0, 60.0)


def test_a_moved_gain_is_told_once_five_readings_agree() -> None:
    watch = LevelWatch(0.01)
    assert [watch.take(1.0, 1.005, 0.01) for _ in range(6)] == [None] * 6
    told = [watch.take(0.7, 1.0, 0.01) for _ in range(8)]
    assert told[:2] == [None, None]
    assert told[-1] == pytest.approx(0.7)


def test_a_current_that_moves_or_is_too_small_says_nothing_of_the_gain() -> None:
    watch = LevelWatch(0.01)
    assert all(watch.take(0.5 + 0.05 * k, 1.0, 0.01) is None for k in range(12))
    assert all(watch.take(0.002, 0.010, 0.006) is None for _ in range(12))


def test_exchanged_inputs() -> None:
    # 120 V of 400 V full scale and 0.5 A of 100 A full scale.
    right = (120.0 / 400.0, 0.5 / 100.0)
    assert not looks_swapped(*right, 120.0, 0.5, 400.0, 100.0)
    assert looks_swapped(right[1], right[0], 120.0, 0.5, 400.0, 100.0)
    assert not looks_swapped(0.0, 0.0, 120.0, 0.5, 400.0, 100.0)


def test_noise_floor_is_about_the_inputs_own_zero() -> None:
    random = np.random.default_rng(1)
    assert noise_floor(0.01 + 1e-4 * random.standard_normal(48_000)) == pytest.approx(1e-4, rel=0.02)
