"""Low frequencies taken off by high passes and put back. Referee for the filters: scipy.signal."""

import math

import numpy as np
import numpy.typing as npt
import pytest
from scipy import signal

from benchlog.measure.coupling import Restorer, droop, find_corners, restore
from benchlog.model.errors import UsageError

RATE = 48_000.0
Floats = npt.NDArray[np.float64]


def through(x: Floats, corners_hz: tuple[float, ...]) -> Floats:
    for corner_hz in corners_hz:
        b, a = signal.butter(1, corner_hz, "high", fs=RATE)
        x = signal.lfilter(b, a, x)
    return x


def inrush(seconds: float = 1.0, on_s: float = 0.2) -> Floats:
    t = np.arange(round(seconds * RATE)) / RATE - on_s
    pulses = np.maximum(np.sin(2.0 * np.pi * 50.0 * t), 0.0) ** 3
    one_sided = pulses * np.exp(-np.maximum(t, 0.0) / 0.05) + 0.01 * np.sin(2.0 * np.pi * 50.0 * t) ** 3
    found: Floats = np.where(t > 0.0, one_sided, 0.0)
    return found


@pytest.mark.parametrize("corners", [(5.0,), (20.0,), (8.0, 15.0)])
def test_a_record_comes_back(corners: tuple[float, ...]) -> None:
    true = inrush()
    heard = through(true, corners) + 3e-4
    found = restore(heard, corners, RATE, (0, round(0.19 * RATE)))
    assert found.zero == pytest.approx(3e-4, abs=1e-9)
    assert np.abs(found.y - true).max() < 1e-4
    assert np.abs(heard - true).max() > 0.05  # what is lost without


def test_a_running_current_before_is_no_hindrance() -> None:
    t = np.arange(round(1.2 * RATE)) / RATE
    true = np.sin(2.0 * np.pi * 50.0 * t) * np.where(t < 1.0, 0.1, 0.5)
    heard = through(true, (10.0,))
    cycles = (round(0.8 * RATE), round(0.98 * RATE))
    found = restore(heard, (10.0,), RATE, cycles)
    late = slice(cycles[0], None)
    assert np.abs(found.y[late] - true[late]).max() < 2e-3


def test_a_restorer_gives_the_same_block_by_block_and_does_not_run_away() -> None:
    random = np.random.default_rng(5)
    true = np.concatenate([np.zeros(round(1.0 * RATE)), inrush(4.0)])
    heard = through(true, (12.0,)) + 2e-4 + 1e-5 * random.standard_normal(len(true))
    restorer = Restorer((12.0,), RATE)
    out = []
    for begin in range(0, len(heard), 480):
        out.append(restorer.feed(heard[begin : begin + 480]))
        if begin % 960 == 480:
            restorer.end_cycle()
    found = np.concatenate(out)
    early = slice(round(1.0 * RATE), round(1.6 * RATE))
    assert np.abs(found[early] - true[early]).max() < 2e-3
    assert abs(float(found[-round(0.5 * RATE) :].mean())) < 1e-3


def test_a_gap_is_forgotten() -> None:
    restorer = Restorer((12.0,), RATE)
    restorer.feed(np.ones(480))
    restorer.clear()
    assert restorer.feed(np.zeros(480)).max() == 0.0


@pytest.mark.parametrize("corner", [1.0, 5.0, 20.0])
def test_one_corner_from_a_step(corner: float) -> None:
    random = np.random.default_rng(2)
    heard = 0.4 * through(np.ones(round(1.0 * RATE)), (corner,)) + 1e-4 * random.standard_normal(48_000)
    found = find_corners(heard, RATE)
    assert found.corners_hz == pytest.approx((corner,), rel=0.01)
    assert abs(found.corners_hz[0] / corner - 1.0) < max(found.u_fraction, 2e-3)


def test_two_corners_from_a_step() -> None:
    random = np.random.default_rng(3)
    heard = 0.4 * through(np.ones(round(1.0 * RATE)), (5.0, 15.0)) + 1e-4 * random.standard_normal(48_000)
    found = find_corners(heard, RATE)
    assert sorted(found.corners_hz) == pytest.approx([5.0, 15.0], rel=0.03)


@pytest.mark.parametrize(
    "heard",
    [np.zeros(4800), np.ones(20), np.sin(np.arange(48_000) / 20.0), np.ones(48_000), np.full(4800, math.nan)],
)
def test_what_is_no_step_is_refused(heard: Floats) -> None:
    with pytest.raises(UsageError, match="step"):
        find_corners(heard, RATE)


def test_droop_against_scipy() -> None:
    left = through(np.ones(4800), (10.0,))[-1]
    assert droop(10.0, 4799.5 / RATE) == pytest.approx(1.0 - left, rel=1e-3)


def test_nothing_to_start_from_is_refused() -> None:
    with pytest.raises(UsageError, match="before the switch-on"):
        restore(np.zeros(10), (5.0,), RATE, (4, 5))
