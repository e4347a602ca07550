"""Half-cycle readings against closed forms: r.m.s. of a sine (IEC 60050-131), watts at a phase angle."""

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchlog.measure.halfcycles import HalfCycle, HalfCycles, Input

RATE = 48_000.0


def stream(
    seconds: float = 0.5, mains_hz: float = 50.0, phase_deg: float = 0.0, block: int = 256, **of: float
) -> list[HalfCycle]:
    t = np.arange(round(seconds * RATE)) / RATE
    v = 0.8 * np.sin(2.0 * np.pi * mains_hz * t + 0.3)
    i = 0.5 * np.sin(2.0 * np.pi * mains_hz * (t - of.get("late_s", 0.0)) + 0.3 - math.radians(phase_deg))
    cut = HalfCycles(Input(400.0), Input(100.0, delay_s=of.get("known_s", 0.0)), RATE, mains_hz)
    return [one for k in range(0, len(t), block) for one in cut.feed(v[k : k + block], i[k : k + block])]


@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
def test_a_sine_in_half_cycles(mains_hz: float) -> None:
    found = [one for one in stream(mains_hz=mains_hz, phase_deg=60.0) if one.aligned]
    assert len(found) >= 2 * mains_hz * 0.5 - 6
    for one in found[2:]:
        assert one.current_a == pytest.approx(50.0 / math.sqrt(2.0), rel=1e-4)
        assert one.voltage_v == pytest.approx(320.0 / math.sqrt(2.0), rel=1e-4)
        assert one.power_w == pytest.approx(0.5 * 320.0 * 50.0 * 0.5, rel=1e-3)
        assert one.power_factor == pytest.approx(0.5, rel=1e-3)
        assert one.crest_factor == pytest.approx(math.sqrt(2.0), rel=2e-3)
        assert (one.end - one.start) / RATE == pytest.approx(0.5 / mains_hz, rel=1e-4)


@settings(max_examples=15, deadline=None)
@given(block=st.integers(20, 3000))
def test_blocks_make_no_difference(block: int) -> None:
    some, other = stream(0.1, block=block), stream(0.1, block=480)
    shared = min(len(some), len(other))
    assert shared >= 6
    for a, b in zip(some[2:shared], other[2:shared], strict=True):
        assert a.current_a == pytest.approx(b.current_a, rel=1e-6)


def test_half_cycles_follow_one_another_without_gap_or_overlap() -> None:
    found = stream(1.0)
    assert all(a.end == pytest.approx(b.start) for a, b in itertools.pairwise(found))


def test_a_current_that_comes_late_is_put_in_step() -> None:
    late = [one for one in stream(late_s=1e-4) if one.aligned][3:]
    mended = [one for one in stream(late_s=1e-4, known_s=1e-4) if one.aligned][-3:]
    full_w = 0.5 * 320.0 * 50.0
    assert late[0].power_w == pytest.approx(full_w * math.cos(2.0 * math.pi * 50.0 * 1e-4), rel=1e-4)
    assert mended[0].power_w == pytest.approx(full_w, rel=1e-4)


def test_without_voltage_windows_go_on_and_say_so() -> None:
    cut = HalfCycles(Input(400.0), Input(100.0), RATE, 50.0)
    found = cut.feed(np.zeros(9600), np.zeros(9600))
    assert len(found) >= 16
    assert not any(one.aligned for one in found)
    assert all(one.current_a == 0.0 and one.power_factor is None for one in found)


def test_a_clipped_half_cycle_says_so() -> None:
    t = np.arange(9600) / RATE
    wave = np.clip(1.4 * np.sin(2.0 * np.pi * 50.0 * t), -1.0, 1.0)
    cut = HalfCycles(Input(400.0), Input(100.0), RATE, 50.0)
    found = cut.feed(0.5 * wave, wave)
    assert all(one.clipped and not one.clipped_v for one in found)


def test_after_a_gap_nothing_is_joined() -> None:
    t = np.arange(4800) / RATE
    wave = 0.5 * np.sin(2.0 * np.pi * 50.0 * t)
    cut = HalfCycles(Input(400.0), Input(100.0), RATE, 50.0)
    before = cut.feed(wave, wave)
    cut.clear(100_000)
    after = cut.feed(wave, wave)
    assert before[-1].end <= 4800
    assert after[0].start >= 100_000


def test_noise_is_in_the_uncertainty() -> None:
    quiet = Input(100.0, u_fraction=0.01)
    noisy = Input(100.0, u_fraction=0.01, noise=1e-3)
    t = np.arange(9600) / RATE
    wave = 0.5 * np.sin(2.0 * np.pi * 50.0 * t)
    a, b = (HalfCycles(Input(400.0), one, RATE, 50.0).feed(wave, 0.01 * wave) for one in (quiet, noisy))
    assert a[-1].current_u_a == pytest.approx(0.01 * a[-1].current_a, rel=1e-6)
    assert b[-1].current_u_a > a[-1].current_u_a
