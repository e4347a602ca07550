"""Circuit-simulated switch-ons heard through sensor, coupling and converter of an audio interface.

Against what the circuit simulator itself measured of them (``waveforms/cases.json``): peak and I²t within
3 %, every half cycle of the inrush within 2 %. The filters of the way there are scipy's; the sensor's scale
is wrong by what a calibration against a bench meter leaves (here 0.5 %), its corner by what is found from one
noisy step. Where the corner is only stated, to 5 %, and 4 % wrong, the uncertainty has to hold the truth.
"""

import json
import math
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from scipy import signal

from benchlog.measure.coupling import find_corners, restore
from benchlog.measure.halfcycles import HalfCycles, Input
from benchlog.measure.integral import integral
from benchlog.measure.waveform import figures
from benchlog.model.wave import Waveform

FOLDER = Path(__file__).parent / "waveforms"
INDEX = json.loads((FOLDER / "cases.json").read_text(encoding="utf-8"))
NAMES = [name for name in INDEX if "/" not in name]
RATE, LEAD_S = 48_000.0, 0.2
VOLTS, AMPERES = 400.0, 100.0
SCALE_OFF, CORNER_OFF = 1.005, 1.04
CORNERS = ((5.0,), (12.0,), (20.0,), (6.0, 10.0))
Floats = npt.NDArray[np.float64]


def true_wave(name: str) -> tuple[Floats, Floats]:
    with np.load(FOLDER / "cases.npz") as kept:
        v, i = (kept[f"{name}/{kind}"] * INDEX[f"{name}/{kind}"] for kind in "vi")
    lead = np.zeros(round((LEAD_S - 0.05) * RATE))
    at = np.arange(round((len(v) - 1) * RATE / 20_000.0)) * 20_000.0 / RATE
    v, i = (np.concatenate([lead, np.interp(at, np.arange(len(x)), x)]) for x in (v, i))
    return v, i


def heard(x: Floats, full_scale: float, corners_hz: tuple[float, ...], seed: int) -> Floats:
    """24 bits with 17 bits' worth of noise, a zero of their own, scipy's high passes before."""
    y = x / full_scale
    for corner_hz in corners_hz:
        b, a = signal.butter(1, corner_hz, "high", fs=RATE)
        y = signal.lfilter(b, a, y)
    y = y + 2e-4 + 1e-5 * np.random.default_rng(seed).standard_normal(len(y))
    found: Floats = np.clip(np.round(y * 2.0**23), -(2.0**23), 2.0**23 - 1.0) / 2.0**23
    return found


def found_corners(corners_hz: tuple[float, ...]) -> tuple[float, ...]:
    """From a step of 3 % of full scale, heard through the same way."""
    lead = round(0.01 * RATE)
    step = np.concatenate([np.zeros(lead), np.full(round(0.6 * RATE), 3.0)])
    response = heard(step, AMPERES, corners_hz, 9)
    return find_corners(response[lead:] - response[:lead].mean(), RATE).corners_hz


def peak(name: str) -> float:
    measured = INDEX[name]
    return float(max(measured["high"], -measured["low"]))


@pytest.mark.parametrize("name", NAMES)
def test_peak_and_i2t_of_a_switch_on(name: str) -> None:
    corners = CORNERS[NAMES.index(name) % len(CORNERS)]
    stated = found_corners(corners)
    true = true_wave(name)
    quiet = (0, round((LEAD_S - 0.01) * RATE))
    raw = [heard(x, full, corners, k) for k, (x, full) in enumerate(zip(true, (VOLTS, AMPERES), strict=True))]
    v, i = (
        restore(x, stated, RATE, quiet).y * full * SCALE_OFF
        for x, full in zip(raw, (VOLTS, AMPERES), strict=True)
    )
    found, measured = figures(Waveform(v, i, RATE)), INDEX[name]
    assert found.inrush_peak_a is not None
    assert abs(found.inrush_peak_a) == pytest.approx(peak(name), rel=0.03)
    assert found.i2t_10ms_a2s == pytest.approx(measured["i2t_10ms"], rel=0.03)
    assert found.i2t_100ms_a2s == pytest.approx(measured["i2t_100ms"], rel=0.03)
    assert found.switch_on_s == pytest.approx(LEAD_S, abs=1e-3)


Compared = tuple[float, float, float]


def half_cycles(name: str, corners: tuple[float, ...], stated: tuple[float, ...], u: float) -> list[Compared]:
    """Of the first 0.1 s: as read, its uncertainty, and the truth over the same aperture."""
    v, i = true_wave(name)
    volts, amperes = (Input(full * SCALE_OFF, 0.01, stated, u, 1e-5) for full in (VOLTS, AMPERES))
    cut = HalfCycles(volts, amperes, RATE, 60.0)
    raw = heard(v, VOLTS, corners, 0), heard(i, AMPERES, corners, 1)
    found = [one for k in range(0, len(v), 256) for one in cut.feed(raw[0][k : k + 256], raw[1][k : k + 256])]
    square = i * i
    return [
        (
            one.current_a,
            one.current_u_a,
            math.sqrt(integral(square, one.start, one.end) / (one.end - one.start)),
        )
        for one in found
        if LEAD_S * RATE - 200.0 < one.start < (LEAD_S + 0.1) * RATE
    ]


@pytest.mark.parametrize("name", NAMES)
def test_half_cycles_of_an_inrush_as_they_come(name: str) -> None:
    corners = CORNERS[NAMES.index(name) % len(CORNERS)]
    large = [
        one for one in half_cycles(name, corners, found_corners(corners), 0.01) if one[2] > 0.01 * peak(name)
    ]
    assert len(large) >= 8 or "not start" in name
    for read_a, u_a, true_a in large:
        assert read_a == pytest.approx(true_a, rel=0.02)
        assert abs(read_a - true_a) <= u_a


@pytest.mark.parametrize("name", NAMES)
def test_a_corner_that_is_stated_wrong_is_in_the_uncertainty(name: str) -> None:
    corners = CORNERS[NAMES.index(name) % len(CORNERS)]
    stated = tuple(CORNER_OFF * corner for corner in corners)
    for read_a, u_a, true_a in half_cycles(name, corners, stated, 0.05):
        if true_a > 2e-4 * AMPERES:  # below, what 0.2 s tells of the input's own zero counts as well
            assert abs(read_a - true_a) <= u_a


@pytest.mark.parametrize(("corner", "lost"), [(5.0, 0.04), (20.0, 0.15)])
def test_without_the_correction_the_peak_is_lost(corner: float, lost: float) -> None:
    v, i = true_wave("linear at 120 V")
    raw = heard(i, AMPERES, (corner,), 1) - 2e-4
    found = figures(Waveform(v, raw * AMPERES, RATE)).inrush_peak_a
    assert found is not None
    assert abs(found) < (1.0 - lost) * peak("linear at 120 V")
