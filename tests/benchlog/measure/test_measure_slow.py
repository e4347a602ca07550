"""Figures of a slow meter on courses whose answers are known."""

import math

import numpy as np
import pytest

from benchlog.measure.slow import peak_range, slow_figures, slow_figures_of
from benchlog.model.errors import UsageError
from benchlog.model.instrument import Accuracy
from benchlog.model.quantity import Quantity
from benchlog.model.reading import Channel, Measured, Reading, Setting, Status, Unusable
from benchlog.model.role import Role

ACCURACY = Accuracy(Quantity.AC_CURRENT, 0.01, 5.0, 0.001)
CHANNEL = Channel(Role.SOURCE_CURRENT, Quantity.AC_CURRENT, "meter")


def readings(per_second: float, seconds: float = 60.0, tau_s: float = 1.0, dead: float = 0.0) -> tuple:
    period = 1.0 / per_second
    end = np.arange(period, seconds, period)
    start = end - period * (1.0 - dead)
    fine = np.linspace(0, 1, 50)[:, None]
    instants = start + fine * (end - start)
    value = np.sqrt(((0.2 + 2.0 * np.exp(-instants / tau_s)) ** 2).mean(axis=0))
    return start, end, value


@pytest.mark.parametrize("per_second", [2.5, 10.0, 50.0])
def test_contiguous_readings_give_the_joule_integral(per_second: float) -> None:
    found = slow_figures(*readings(per_second), ACCURACY)
    exact = 2.0 * 0.2 * 2.0 + 4.0 / 2.0
    assert found.settled
    assert found.idle_a == pytest.approx(0.2, rel=1e-3)
    assert found.i2t_a2s == pytest.approx(exact, rel=0.02)
    assert found.per_second == pytest.approx(per_second, rel=1e-6)


def test_gaps_leave_a_lower_bound() -> None:
    found = slow_figures(*readings(10.0, dead=0.3), ACCURACY)
    assert found.i2t_a2s is None
    assert found.i2t_at_least_a2s is not None
    assert 0.5 * 2.8 < found.i2t_at_least_a2s < 2.8
    assert any("gaps" in w for w in found.warnings)


def test_instants_alone_give_no_joule_integral() -> None:
    _, end, value = readings(10.0)
    found = slow_figures(end, end, value)
    assert found.i2t_a2s is None
    assert found.i2t_at_least_a2s is None


# Simulated linear supplies, ours: largest reading ÷ true peak, median and 5-95 %.
@pytest.mark.parametrize(
    ("per_second", "low", "middle", "high"),
    [(2.5, 0.06, 0.09, 0.12), (10, 0.12, 0.18, 0.24), (50, 0.25, 0.37, 0.51)],
)
def test_share_of_the_peak_by_rate(per_second: float, low: float, middle: float, high: float) -> None:
    assert peak_range(per_second) == pytest.approx((low, middle, high))


def test_share_of_the_peak_between_and_beyond() -> None:
    assert peak_range(1.0) == peak_range(2.5)
    assert peak_range(200.0) == peak_range(50.0)
    assert peak_range(5.0)[1] == pytest.approx(math.sqrt(0.09 * 0.18))


def test_the_largest_reading_is_a_lower_bound_of_the_peak() -> None:
    found = slow_figures(*readings(10.0), ACCURACY)
    assert found.largest_a is not None
    assert found.peak_at_least_a == found.largest_a
    assert found.peak_low_a == pytest.approx(found.largest_a / 0.24)
    assert found.peak_high_a == pytest.approx(found.largest_a / 0.12)
    assert found.largest_at_s == pytest.approx(0.1)


def test_idle_carries_its_uncertainty() -> None:
    rng = np.random.default_rng(0)
    start, end, value = readings(2.5)
    noisy = np.round((value + 0.0003 * rng.standard_normal(len(value))) * 1000) / 1000
    found = slow_figures(start, end, noisy, ACCURACY)
    assert found.idle_u_a is not None
    assert 0.004 < found.idle_u_a < 0.008
    assert slow_figures(start, end, value).idle_u_a is None


def test_a_rising_current_has_no_idle() -> None:
    _, end, _ = readings(10.0)
    found = slow_figures(end, end, 0.2 * np.exp(end / 60.0))
    assert not found.settled
    assert found.idle_a is None
    assert any("not settled" in w for w in found.warnings)


def test_few_readings_and_none() -> None:
    one = np.array([1.0])
    assert any("Only 1" in w for w in slow_figures(one, one, one).warnings)
    none = slow_figures(np.empty(0), np.empty(0), np.empty(0))
    assert none.largest_a is None
    assert none.warnings == ("There is no reading. Check the channel.",)


def test_bad_readings_are_refused() -> None:
    t = np.arange(5.0)
    with pytest.raises(UsageError, match="same number"):
        slow_figures(t, t, t[:3])
    with pytest.raises(UsageError, match="no numbers"):
        slow_figures(t, t, np.where(t == 2, np.nan, t))
    with pytest.raises(UsageError, match="goes back"):
        slow_figures(t[::-1], t[::-1], t)


def test_overloads_count_as_full_scale() -> None:
    some: list[Reading] = [Unusable(CHANNEL, Status.OVERLOAD, 0, 100_000, Setting(range=10.0))]
    some += [Measured(CHANNEL, 0.2, k * 100_000, (k + 1) * 100_000) for k in range(1, 200)]
    found = slow_figures_of(some, ACCURACY)
    assert found.largest_a == 10.0
    assert found.i2t_a2s is None
    assert found.idle_a == pytest.approx(0.2)
    assert any("beyond range" in w for w in found.warnings)


def test_clamp_turns_come_from_the_setting() -> None:
    some: list[Reading] = [
        Measured(CHANNEL, 0.2, k * 100_000, (k + 1) * 100_000, Setting(turns=5)) for k in range(200)
    ]
    one, five = slow_figures_of([*some[:0], *_with_turns(some, 1)], ACCURACY), slow_figures_of(some, ACCURACY)
    assert one.idle_u_a is not None
    assert five.idle_u_a is not None
    assert five.idle_u_a < 0.6 * one.idle_u_a


def _with_turns(some: list[Reading], turns: int) -> list[Reading]:
    return [Measured(CHANNEL, 0.2, r.start_us, r.end_us, Setting(turns=turns)) for r in some]
