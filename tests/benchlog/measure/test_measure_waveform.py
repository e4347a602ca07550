"""Figures of waveforms with known answers, their symmetries, and records that can't carry them."""

import math
from dataclasses import replace

import msgspec
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchlog.measure.waveform import figures
from benchlog.model.errors import UsageError
from benchlog.model.figures import WaveFigures
from benchlog.model.wave import Waveform

RATE_HZ = 10_000.0


def record(
    frequency_hz: float = 50.0,
    on_s: float = 0.2,
    length_s: float = 2.0,
    phase_deg: float = 0.0,
    offset_a: float = 0.0,
    noise_a: float = 0.0,
    live: bool = False,
    rate_hz: float = RATE_HZ,
    inrush_a: float = 12.0,
    dc_a: float = 0.0,
    h2: float = 0.0,
    h3: float = 0.0,
    volts: float = 230.0,
    seed: int = 0,
) -> Waveform:
    """A switch-on: 1 A r.m.s. in phase with 230 V, harmonics beside it, an inrush that decays with 30 ms."""
    t = np.arange(round(length_s * rate_hz)) / rate_hz
    angle = 2 * np.pi * frequency_hz * (t - on_s) + math.radians(phase_deg)
    on = t > on_s
    peak = math.sqrt(2.0)
    i = peak * (np.sin(angle) + h2 * np.sin(2 * angle) + h3 * np.sin(3 * angle)) + dc_a
    i = np.where(on, i + inrush_a * np.exp(-np.maximum(t - on_s, 0.0) / 0.03) * np.abs(np.sin(angle)), 0.0)
    noise = noise_a * np.random.default_rng(seed).standard_normal(len(t))
    v = volts * peak * np.sin(angle)
    return Waveform(v if live else np.where(on, v, 0.0), i + offset_a + noise, rate_hz)


def numbers(found: WaveFigures) -> dict[str, float | None]:
    return {k: v for k, v in msgspec.to_builtins(found).items() if not isinstance(v, list | tuple)}


def test_a_plain_switch_on() -> None:
    found = figures(record(h2=0.1, h3=0.3, dc_a=0.05))
    rms = math.sqrt(1 + 0.1**2 + 0.3**2 + 0.05**2)
    assert found.frequency_hz == pytest.approx(50.0, rel=1e-5)
    assert found.switch_on_s == pytest.approx(0.2, abs=2 / RATE_HZ)
    assert found.switch_on_phase_deg is not None
    assert (found.switch_on_phase_deg + 180) % 360 - 180 == pytest.approx(0.0, abs=2.0)
    assert found.settled_rms_a == pytest.approx(rms, rel=1e-4)
    assert found.settled_rms_v == pytest.approx(230.0, rel=1e-4)
    assert found.active_power_w == pytest.approx(230.0, rel=1e-4)
    assert found.apparent_power_va == pytest.approx(230.0 * rms, rel=1e-4)
    assert found.power_factor == pytest.approx(1 / rms, rel=1e-4)
    assert found.dc_a == pytest.approx(0.05, abs=1e-4)
    assert found.h2_ratio == pytest.approx(0.1, abs=1e-4)
    assert found.h3_ratio == pytest.approx(0.3, abs=1e-4)
    assert found.warnings == ()


@pytest.mark.parametrize("phase_deg", [0.0, 30.0, 90.0, 135.0, 200.0, 270.0, 330.0])
@pytest.mark.parametrize("live", [False, True])
def test_switch_on_instant_and_phase(phase_deg: float, live: bool) -> None:
    found = figures(record(phase_deg=phase_deg, live=live, on_s=0.2 + phase_deg / 360 / 50, noise_a=0.005))
    assert found.switch_on_s == pytest.approx(0.2 + phase_deg / 360 / 50, abs=5e-4)
    assert found.switch_on_phase_deg is not None
    assert (found.switch_on_phase_deg - phase_deg + 180) % 360 - 180 == pytest.approx(0.0, abs=9.0)


def test_half_cycles_of_a_sine_are_all_its_rms() -> None:
    found = figures(record(inrush_a=0.0))
    assert len(found.half_cycle_rms_a) == 179
    np.testing.assert_allclose(found.half_cycle_rms_a, 1.0, rtol=2e-3)
    assert found.decay_s == 0.0


def test_joule_integral_of_a_sine() -> None:
    # ∫ sin² over whole half-cycles: I²·t.
    found = figures(record(inrush_a=0.0))
    assert found.i2t_10ms_a2s == pytest.approx(0.010, rel=2e-3)
    assert found.i2t_100ms_a2s == pytest.approx(0.100, rel=1e-3)
    assert found.i2t_1s_a2s == pytest.approx(1.0, rel=1e-3)
    assert found.crest_factor == pytest.approx(math.sqrt(2.0), rel=1e-3)


def test_joule_integral_of_a_decaying_exponential() -> None:
    # ½·î²·τ (fuse makers' table of waveforms), for a decay of 5 ms without mains underneath.
    t = np.arange(20_000) / 10_000.0
    i = np.where(t >= 0.5, 30.0 * np.exp(-(t - 0.5) / 0.005), 0.0)
    v = np.where(t >= 0.5, 325.0 * np.sin(2 * np.pi * 50 * (t - 0.5)), 0.0)
    found = figures(Waveform(v, i, 10_000.0))
    assert found.i2t_100ms_a2s == pytest.approx(0.5 * 30.0**2 * 0.005, rel=0.02)
    assert found.inrush_peak_a == pytest.approx(30.0, rel=1e-6)


def test_decay_ends_with_the_first_cycle_near_idle() -> None:
    # Half-waves alternate √2 ± a, so the r.m.s. of a cycle is √(1 + a²/2), with a = 12·exp(−t/30 ms).
    found = figures(record())
    assert found.decay_s is not None
    near = 0.03 * math.log(12.0 / math.sqrt(2.0 * (1.1**2 - 1.0)))
    assert near <= found.decay_s < near + 0.02
    assert found.i2t_settled_a2s is not None
    assert found.i2t_100ms_a2s is not None
    assert found.i2t_settled_a2s == pytest.approx(found.i2t_100ms_a2s, rel=0.02)


@pytest.mark.parametrize("live", [False, True])
@pytest.mark.parametrize("offset_a", [-0.3, 0.0, 0.117])
def test_the_sensors_zero_is_found_and_removed(offset_a: float, live: bool) -> None:
    plain = figures(record(live=live, noise_a=0.002))
    found = figures(record(offset_a=offset_a, live=live, noise_a=0.002))
    assert found.offset_a == pytest.approx(offset_a, abs=5e-4)
    for key, expected in numbers(plain).items():
        if key not in ("offset_a", "dc_a") and expected is not None:
            assert numbers(found)[key] == pytest.approx(expected, rel=2e-3, abs=1e-4), key


@settings(max_examples=20, deadline=None)
@given(
    scale=st.sampled_from([1e-3, 0.1, 3.7, 40.0]), sign=st.sampled_from([-1.0, 1.0]), seed=st.integers(0, 5)
)
def test_scale_and_sign_of_the_current(scale: float, sign: float, seed: int) -> None:
    wave = record(noise_a=0.001, seed=seed, h2=0.05)
    one, other = numbers(figures(wave)), numbers(figures(replace(wave, i_a=sign * scale * wave.i_a)))
    powers = {
        "inrush_peak_a": (sign, 1),
        "active_power_w": (sign, 1),
        "power_factor": (sign, 0),
        "dc_a": (sign, 1),
    }
    powers["offset_a"] = (sign, 1)
    for key, x in one.items():
        if x is None:
            continue
        factor, power = powers.get(key, (1.0, 0))
        if key.startswith("i2t"):
            power = 2
        elif key in ("max_half_cycle_rms_a", "settled_rms_a", "apparent_power_va"):
            power = 1
        assert other[key] == pytest.approx(factor * scale**power * x, rel=1e-6, abs=1e-12), key


@settings(max_examples=8, deadline=None)
@given(offset_a=st.floats(-0.5, 0.5), seed=st.integers(0, 5))
def test_the_sensors_zero_changes_no_other_figure(offset_a: float, seed: int) -> None:
    wave = record(noise_a=0.002, seed=seed, h3=0.2)
    one, other = numbers(figures(wave)), numbers(figures(replace(wave, i_a=wave.i_a + offset_a)))
    assert other["offset_a"] == pytest.approx((one["offset_a"] or 0.0) + offset_a, abs=1e-9)
    for key, x in one.items():
        if key != "offset_a" and x is not None:
            assert other[key] == pytest.approx(x, rel=1e-6, abs=1e-9), key


@settings(max_examples=15, deadline=None)
@given(factor=st.sampled_from([0.1, 0.5, 1.2]), seed=st.integers(0, 5))
def test_scale_of_the_voltage(factor: float, seed: int) -> None:
    wave = record(noise_a=0.001, seed=seed)
    one, other = figures(wave), figures(replace(wave, v_v=factor * wave.v_v))
    assert one.active_power_w is not None
    assert one.settled_rms_v is not None
    assert other.active_power_w == pytest.approx(factor * one.active_power_w, rel=1e-9)
    assert other.settled_rms_v == pytest.approx(factor * one.settled_rms_v, rel=1e-9)
    assert other.settled_rms_a == pytest.approx(one.settled_rms_a, rel=1e-9)
    assert other.frequency_hz == pytest.approx(one.frequency_hz, rel=1e-9)


@settings(max_examples=15, deadline=None)
@given(shift=st.integers(1, 4000))
def test_a_longer_quiet_start_moves_the_instant_only(shift: int) -> None:
    wave = record()
    quiet = np.zeros(shift)
    moved = Waveform(np.concatenate((quiet, wave.v_v)), np.concatenate((quiet, wave.i_a)), RATE_HZ)
    one, other = figures(wave), figures(moved)
    assert other.switch_on_s == pytest.approx((one.switch_on_s or 0) + shift / RATE_HZ, abs=1e-9)
    for key in ("inrush_peak_a", "i2t_10ms_a2s", "i2t_1s_a2s", "settled_rms_a", "decay_s", "active_power_w"):
        assert numbers(other)[key] == pytest.approx(numbers(one)[key], rel=1e-6), key


@pytest.mark.parametrize("frequency_hz", [50 / 3, 50.0, 60.0, 400.0])
def test_frequencies(frequency_hz: float) -> None:
    found = figures(record(frequency_hz=frequency_hz, rate_hz=40_000.0))
    assert found.frequency_hz == pytest.approx(frequency_hz, rel=1e-4)
    assert found.settled_rms_a == pytest.approx(1.0, rel=1e-3)
    assert any("not that of" in w for w in found.warnings) == (frequency_hz not in (50.0, 60.0))


@pytest.mark.parametrize("kind", [np.float32, np.float64])
def test_single_and_double_precision(kind: type) -> None:
    wave = record()
    found = figures(Waveform(wave.v_v.astype(kind), wave.i_a.astype(kind), RATE_HZ))
    assert found.settled_rms_a == pytest.approx(1.0, rel=1e-4)


# ---- records that can't carry their figures


def refused(v: object, i: object, message: str, rate_hz: float = RATE_HZ) -> None:
    with pytest.raises(UsageError, match=message):
        figures(Waveform(np.asarray(v, dtype=float), np.asarray(i, dtype=float), rate_hz))


def test_what_is_no_record_is_refused() -> None:
    good = record()
    refused([], [], "0 samples")
    refused([1.0], [1.0], "1 samples")
    refused([1.0, 2.0], [1.0, 2.0, 3.0], "same length")
    refused(np.ones((4, 4)), np.ones((4, 4)), "two rows")
    refused(good.v_v, good.i_a, "rate", rate_hz=0.0)
    refused(good.v_v, good.i_a, "rate", rate_hz=math.nan)
    for bad in (math.nan, math.inf, -math.inf):
        spoiled = good.i_a.copy()
        spoiled[5000] = bad
        refused(good.v_v, spoiled, "current holds 1 values that are no numbers, the first at sample 5000")
        refused(spoiled, good.i_a, "voltage holds 1 values")


def warned(wave: Waveform, text: str, nominal_v: float | None = None) -> WaveFigures:
    found = figures(wave, nominal_v)
    assert any(text in w for w in found.warnings), found.warnings
    return found


def test_no_voltage() -> None:
    found = warned(replace(record(), v_v=np.zeros(20_000)), "no whole cycle")
    assert found.frequency_hz is None
    assert found.half_cycle_rms_a == ()
    assert found.h2_ratio is None


def test_constant_channels() -> None:
    found = warned(Waveform(np.full(20_000, 5.0), np.full(20_000, 1.0), RATE_HZ), "does not change sign")
    assert found.switch_on_s is None
    assert found.inrush_peak_a is None


def test_a_dc_supply() -> None:
    t = np.arange(20_000) / RATE_HZ
    on = t > 0.3
    found = warned(
        Waveform(48.0 * on, on * (1.0 + 5.0 * np.exp(-np.maximum(t - 0.3, 0) / 0.02)), RATE_HZ), "DC supply"
    )
    assert found.frequency_hz is None
    assert found.switch_on_s == pytest.approx(0.3, abs=2e-4)
    assert found.active_power_w == pytest.approx(48.0, rel=1e-3)


@pytest.mark.parametrize("samples", [4, 40, 150])
def test_shorter_than_a_cycle(samples: int) -> None:
    wave = record(on_s=0.0)
    found = warned(Waveform(wave.v_v[:samples], wave.i_a[:samples], RATE_HZ), "shorter than a cycle")
    assert found.settled_rms_a is None
    assert found.power_factor is None


def test_no_switch_on_in_the_record() -> None:
    wave = record(on_s=-1.0)
    found = warned(wave, "no switch-on")
    assert found.inrush_peak_a is None
    assert found.i2t_10ms_a2s is None
    assert found.settled_rms_a == pytest.approx(1.0, rel=1e-3)


def test_a_record_that_ends_too_early() -> None:
    t = np.arange(10_000) / RATE_HZ
    v = np.where(t > 0.1, 325.0 * np.sin(2 * np.pi * 50 * (t - 0.1)), 0.0)
    found = warned(Waveform(v, v / 325.0 * (1.0 + 3.0 * np.exp(-t / 0.5)), RATE_HZ), "had settled")
    assert found.i2t_1s_a2s is None
    warned(Waveform(v[:2500], v[:2500] / 325, RATE_HZ), "too short to tell")
    assert any("no I²t over 1 s" in w for w in found.warnings)


@pytest.mark.parametrize("share", [0.5, 0.7, 0.85])
@pytest.mark.parametrize("sides", ["both", "high", "low"])
def test_a_saturated_current_sensor(share: float, sides: str) -> None:
    wave = record(inrush_a=0.0, noise_a=0.001)
    top = math.sqrt(2.0) * share
    i = np.clip(wave.i_a, -9.0 if sides == "high" else -top, 9.0 if sides == "low" else top)
    warned(replace(wave, i_a=i), "The current is flat")


def test_a_saturated_sensor_that_sags() -> None:
    wave = record(inrush_a=0.0)
    warned(replace(wave, i_a=0.9 * np.tanh(wave.i_a / 0.35)), "The current is flat")


@pytest.mark.parametrize("noise_a", [0.0, 0.01, 0.03])
def test_a_saturated_sensor_with_noise(noise_a: float) -> None:
    wave = record(inrush_a=0.0)
    noise = noise_a * np.random.default_rng(1).standard_normal(len(wave.i_a))
    warned(replace(wave, i_a=np.clip(wave.i_a, -1.0, 1.0) + noise), "The current is flat")


def test_only_the_first_peaks_saturate() -> None:
    wave = record(inrush_a=30.0)
    found = warned(replace(wave, i_a=np.clip(wave.i_a, -8.0, 8.0)), "The current is flat at +8")
    assert found.inrush_peak_a == pytest.approx(8.0)


def test_a_resistive_load_on_flat_topped_mains_is_not_saturated() -> None:
    # Mains with 5 % third and 2 % fifth harmonic, as many small rectifiers make it.
    t = np.arange(20_000) / RATE_HZ
    angle = 2 * np.pi * 50 * (t - 0.2)
    volts = 325.0 * (np.sin(angle) + 0.05 * np.sin(3 * angle) + 0.02 * np.sin(5 * angle)) * (t > 0.2)
    assert not any("flat" in w for w in figures(Waveform(volts, volts / 50.0, RATE_HZ)).warnings)


def test_an_overdriven_probe() -> None:
    wave = record()
    warned(replace(wave, v_v=np.clip(wave.v_v, -250.0, 250.0)), "The voltage is flat")


@pytest.mark.parametrize("h3", [0.0, 0.3, 0.8])
@pytest.mark.parametrize("counts", [0.0, 0.02, 0.1])
def test_round_tops_are_not_called_flat(h3: float, counts: float) -> None:
    wave = record(h3=h3, noise_a=0.003)
    i = np.round(wave.i_a / counts) * counts if counts else wave.i_a
    assert not any("flat" in w for w in figures(replace(wave, i_a=i)).warnings)


def test_too_slow_for_the_spike() -> None:
    wave = record(rate_hz=1000.0)
    warned(wave, "falls between samples")
    wave = record()
    i = wave.i_a.copy()
    i[2011] = 90.0
    warned(replace(wave, i_a=i), "samples wide at half its height")


@pytest.mark.parametrize(
    ("volts", "frequency_hz", "nominal_v", "doubtful"),
    [(230, 50, None, False), (120, 60, None, False), (240, 60, None, False), (100, 50, None, False),
     (2.3, 50, None, True), (23, 50, None, True), (2300, 50, None, True), (115, 50, None, True),
     (170, 60, None, True), (23, 50, 23.0, False), (230, 50, 23.0, True),
     (115, 60, 230.0, True), (225, 50, 230.0, False)],
)  # fmt: skip
def test_the_voltages_scale(
    volts: float, frequency_hz: float, nominal_v: float | None, doubtful: bool
) -> None:
    found = figures(record(volts=volts, frequency_hz=frequency_hz), nominal_v)
    assert any("probe's factor" in w for w in found.warnings) == doubtful


def test_swapped_channels() -> None:
    wave = record(h3=0.5)
    warned(Waveform(wave.i_a, wave.v_v, RATE_HZ), "look swapped")
    assert not any("swapped" in w for w in figures(wave).warnings)


def test_an_interrupted_voltage() -> None:
    wave = record()
    off = (np.arange(20_000) > 9_000) & (np.arange(20_000) < 9_470)
    found = warned(
        Waveform(np.where(off, 0.0, wave.v_v), np.where(off, 0.0, wave.i_a), RATE_HZ), "interrupted"
    )
    assert found.settled_rms_a == pytest.approx(1.0, rel=1e-3)


def test_a_voltage_that_ends_before_the_record() -> None:
    wave = record()
    off = np.arange(20_000) > 15_000
    found = warned(
        Waveform(np.where(off, 0.0, wave.v_v), np.where(off, 0.0, wave.i_a), RATE_HZ), "The voltage ends"
    )
    assert found.settled_rms_a == pytest.approx(1.0, rel=1e-3)


def test_something_that_starts_later_is_not_the_inrush() -> None:
    wave = record(length_s=3.0)
    later = np.arange(30_000) > 20_000
    warned(replace(wave, i_a=np.where(later, 20.0 * wave.i_a, wave.i_a)), "after switch-on: something else")


def test_zero_current() -> None:
    found = warned(replace(record(on_s=0.0), i_a=np.zeros(20_000)), "zero throughout")
    assert found.power_factor is None
    assert found.crest_factor is None


@settings(max_examples=60, deadline=None)
@given(
    v=st.lists(st.floats(-400, 400, width=32), min_size=0, max_size=200),
    i=st.lists(st.floats(-50, 50, width=32), min_size=0, max_size=200),
    rate_hz=st.sampled_from([10.0, 1000.0, 20_000.0]),
)
def test_anything_gives_figures_or_a_sentence(v: list[float], i: list[float], rate_hz: float) -> None:
    n = min(len(v), len(i))
    try:
        found = figures(Waveform(np.array(v[:n]), np.array(i[:n]), rate_hz))
    except UsageError as error:
        assert str(error)
        return
    values = [x for x in numbers(found).values() if x is not None] + list(found.half_cycle_rms_a)
    assert all(math.isfinite(x) for x in values)
