"""Sound files of other programs' making: written by Python's ``wave`` and by scipy, read back, judged."""

import json
import math
import wave
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy import signal
from scipy.io import wavfile

from benchlog.cli.main import main
from benchlog.exchange.wavefile import ChannelScale, parse_input, read_sound, sound_figures
from benchlog.model.errors import UsageError

RATE = 48_000
Floats = npt.NDArray[np.float64]


def whole_numbers(path: Path, samples: Floats, bits: int) -> Path:
    """By Python's own ``wave``."""
    counts = np.round(samples * (2 ** (bits - 1) - 1)).astype("<i4")
    data = counts.view(np.uint8).reshape(*counts.shape, 4)[..., : bits // 8].tobytes()
    with wave.open(str(path), "wb") as file:
        file.setnchannels(samples.shape[1])
        file.setsampwidth(bits // 8)
        file.setframerate(RATE)
        file.writeframes(data)
    return path


def switch_on(corner_hz: float | None = None) -> Floats:
    """Voltage (0.4 of full scale) and a one-sided inrush that begin at 0.2 s; one row an instant."""
    t = np.arange(round(1.4 * RATE)) / RATE - 0.2
    on = t >= 0.0
    v = 0.4 * np.sin(2.0 * np.pi * 50.0 * t) * on
    i = on * (0.5 * np.exp(-t / 0.03) * np.maximum(np.sin(2.0 * np.pi * 50.0 * t), 0.0) + 0.02 * v / 0.4)
    both = np.stack([v, i], axis=1)
    if corner_hz is not None:
        b, a = signal.butter(1, corner_hz, "high", fs=RATE)
        both = signal.lfilter(b, a, both, axis=0)
    return both


@pytest.mark.parametrize("bits", [16, 24, 32])
def test_whole_numbers_come_back(tmp_path: Path, bits: int) -> None:
    samples = switch_on()[: RATE // 4]
    found = read_sound(whole_numbers(tmp_path / "a.wav", samples, bits))
    assert found.rate_hz == RATE
    assert np.abs(found.samples - samples).max() <= 1.01 * 2.0 ** (1 - bits)


def test_floats_come_back_as_scipy_wrote_them(tmp_path: Path) -> None:
    samples = switch_on()[: RATE // 4].astype(np.float32)
    wavfile.write(tmp_path / "a.wav", RATE, samples)
    assert np.array_equal(read_sound(tmp_path / "a.wav").samples, samples)


def test_figures_with_and_without_the_corner(tmp_path: Path) -> None:
    volts, amperes = ChannelScale(1, 400.0), ChannelScale(2, 100.0)
    true = switch_on()[:, 1].max() * 100.0
    path = whole_numbers(tmp_path / "a.wav", switch_on(12.0), 24)
    with_it = sound_figures(path, volts, amperes, (12.0,))
    without = sound_figures(path, volts, amperes)
    assert with_it.inrush_peak_a == pytest.approx(true, rel=2e-3)
    assert without.inrush_peak_a is not None
    assert without.inrush_peak_a < 0.9 * true
    assert any("--corner" in text for text in without.warnings)
    assert with_it.settled_rms_v == pytest.approx(160.0 / math.sqrt(2.0), rel=2e-3)


def test_a_scale_below_zero_turns_a_reversed_sensor(tmp_path: Path) -> None:
    path = whole_numbers(tmp_path / "a.wav", switch_on(), 24)
    turned = sound_figures(path, ChannelScale(1, 400.0), ChannelScale(2, -100.0))
    assert turned.inrush_peak_a is not None
    assert turned.inrush_peak_a < 0.0


@pytest.mark.parametrize(
    ("text", "channel"),
    [("1=400", 1), ("2=-0.5", 2), ("1=", 0), ("=4", 0), ("0=4", 0), ("1=inf", 0), ("1=0", 0)],
)
def test_channel_and_scale(text: str, channel: int) -> None:
    if channel:
        assert parse_input(text).channel == channel
    else:
        with pytest.raises(UsageError, match="1=400"):
            parse_input(text)


def test_trouble_is_told_in_words(tmp_path: Path) -> None:
    volts, amperes = ChannelScale(1, 400.0), ChannelScale(2, 100.0)
    mono = whole_numbers(tmp_path / "mono.wav", switch_on()[:, :1], 16)
    with pytest.raises(UsageError, match="has 1 channel, so there is no channel 2"):
        sound_figures(mono, volts, amperes)
    clipped = whole_numbers(tmp_path / "clipped.wav", np.clip(3.0 * switch_on(), -1.0, 1.0), 16)
    assert any("full scale" in text for text in sound_figures(clipped, volts, amperes).warnings)
    silent = switch_on()
    silent[:, 1] = 0.0
    found = sound_figures(whole_numbers(tmp_path / "silent.wav", silent, 24), volts, amperes)
    assert any("current is silent" in text for text in found.warnings)
    (tmp_path / "no.wav").write_bytes(b"RIFF....WAVEnothing")
    with pytest.raises(UsageError, match="can't be read as sound"):
        read_sound(tmp_path / "no.wav")
    whole = whole_numbers(tmp_path / "whole.wav", switch_on(), 16).read_bytes()
    (tmp_path / "cut.wav").write_bytes(whole[: len(whole) // 2])
    assert "shorter than it says" in read_sound(tmp_path / "cut.wav").notes[0]
    late = whole_numbers(tmp_path / "late.wav", switch_on(12.0)[round(0.2 * RATE) :], 24)
    assert any("not put back" in text for text in sound_figures(late, volts, amperes, (12.0,)).warnings)


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.binary(max_size=400), header=st.booleans())
def test_any_bytes_are_read_or_refused(tmp_path: Path, data: bytes, header: bool) -> None:
    path = tmp_path / "any.wav"
    path.write_bytes((b"RIFF\xff\x00\x00\x00WAVEfmt \x10\x00\x00\x00" if header else b"") + data)
    try:
        assert np.isfinite(read_sound(path).samples).all()
    except UsageError as error:
        assert str(path) in str(error)


def test_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = whole_numbers(tmp_path / "a.wav", switch_on(12.0), 24)
    words = ["figures", str(path), "--volts", "1=400", "--amps", "2=100", "--corner", "12", "--json"]
    assert main(words) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["inrush_peak_a"] == pytest.approx(switch_on()[:, 1].max() * 100.0, rel=2e-3)
    assert main(["figures", str(path)]) == 2
    assert "--volts CH=SCALE" in capsys.readouterr().err
    assert main(["figures", str(path.with_suffix(".csv")), "--volts", "1=400"]) == 2
