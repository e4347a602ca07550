"""The sounds: the pitch they should have (by numpy's FFT, on the samples themselves), and no clicks."""

import math
import sys
import types

import numpy as np
import pytest

from benchlog_ui.sound import Speaker, Voice
from benchlog_ui.tones import HIGH_HZ, LOW_HZ, RATE, alarm, glide, note, pitch_hz, taken


def pitch_of(samples):
    """Frequency of the strongest line in Hz, by parabola through the windowed spectrum's peak."""
    spectrum = np.log(np.abs(np.fft.rfft(samples * np.hanning(len(samples)))) + 1e-12)
    k = int(np.argmax(spectrum))
    a, b, c = spectrum[k - 1 : k + 2]
    return (k + (a - c) / (2 * (a - 2 * b + c))) * RATE / len(samples)


def clicks(samples, highest_hz):
    """Whether anything steps more steeply than a full tone of ``highest_hz`` can, its edges included."""
    steepest = 2 * math.pi * highest_hz / RATE * np.abs(samples).max()
    return bool(np.abs(np.diff(samples, prepend=0.0, append=0.0)).max() > steepest * 1.05)


@pytest.mark.parametrize(
    ("share", "hertz"), [(0.0, 220.0), (0.25, 311.127), (0.5, 440.0), (1.0, 880.0), (9.0, 1760.0)]
)
def test_pitch_follows_the_share_of_the_stop_limit(share, hertz):
    # Equal temperament: 311.127 Hz lies half an octave above 220 Hz (2 ** 0.5).
    assert pitch_hz(share) == pytest.approx(hertz, rel=1e-5)
    samples, _ = glide(pitch_hz(share), pitch_hz(share), RATE // 2, 0.3)
    assert pitch_of(samples) == pytest.approx(hertz, rel=1e-3)


def test_the_tone_has_its_pitch_through_the_voice_and_follows():
    voice = Voice()
    voice.follow(0.5)
    first = np.concatenate([voice.fill(480) for _ in range(50)])
    assert pitch_of(first[4800:]) == pytest.approx(440.0, rel=2e-3)
    voice.follow(1.0)
    second = np.concatenate([voice.fill(480) for _ in range(50)])
    assert pitch_of(second[480:]) == pytest.approx(HIGH_HZ, rel=2e-3)
    voice.follow(None)
    third = np.concatenate([voice.fill(480) for _ in range(10)])
    assert not third[960:].any()
    assert not clicks(np.concatenate([first, second, third]), HIGH_HZ)


def test_a_tone_that_wanders_block_by_block_does_not_click():
    voice, rng = Voice(), np.random.default_rng(7)
    blocks = []
    for share in rng.uniform(0.0, 1.4, 60):
        voice.follow(float(share))
        blocks.append(voice.fill(int(rng.integers(64, 1024))))
    voice.follow(None)
    blocks.append(voice.fill(2048))
    assert not clicks(np.concatenate(blocks), pitch_hz(1.4))


@pytest.mark.parametrize(
    ("clip", "hertz", "seconds"), [(taken(), 1319.0, 0.09), (note(500.0, 0.2), 500.0, 0.2)]
)
def test_short_sounds_have_their_pitch_and_no_clicks(clip, hertz, seconds):
    assert len(clip) == pytest.approx(seconds * RATE, abs=1)
    assert pitch_of(clip) == pytest.approx(hertz, rel=5e-3)
    assert not clicks(clip, hertz)


def test_the_alarm_has_two_pitches_is_the_loudest_and_does_not_click():
    samples = alarm()
    gap = int(0.25 * RATE)
    assert pitch_of(samples[: int(0.22 * RATE)]) == pytest.approx(988.0, rel=5e-3)
    assert pitch_of(samples[gap : gap + int(0.22 * RATE)]) == pytest.approx(659.0, rel=5e-3)
    assert np.abs(samples).max() > 2 * np.abs(taken()).max()
    assert not clicks(samples, 988.0)


def test_the_clip_check_bites():
    samples = note(500.0, 0.2)
    samples[4000:] *= -1
    assert clicks(samples, 500.0)


def test_sounds_together_never_leave_the_range():
    voice = Voice()
    voice.follow(1.0)
    for _ in range(9):
        voice.play(alarm())
    played = np.concatenate([voice.fill(4800) for _ in range(60)])
    assert np.abs(played).max() <= 1.0
    assert np.abs(played).max() > 0.5


def test_without_a_library_it_is_silent_and_says_why(monkeypatch):
    monkeypatch.setitem(sys.modules, "sounddevice", None)
    speaker = Speaker()
    speaker.open()
    speaker.alarm()
    speaker.follow(0.5)
    assert "extra 'sound'" in speaker.why_not
    speaker.close()


def test_with_a_device_it_fills_what_is_asked_for(monkeypatch):
    asked = {}

    class Stream:
        def __init__(self, **words):
            asked.update(words)

        def start(self):
            asked["running"] = True

        stop = close = lambda self: asked.update(running=False)

    module = types.ModuleType("sounddevice")
    module.OutputStream, module.PortAudioError = Stream, RuntimeError
    monkeypatch.setitem(sys.modules, "sounddevice", module)
    speaker = Speaker()
    speaker.open()
    assert (speaker.why_not, asked["running"], asked["samplerate"]) == ("", True, RATE)
    speaker.tone = True
    speaker.follow(0.0)
    out = np.zeros((RATE, 1), np.float32)
    asked["callback"](out, RATE, None, None)
    assert pitch_of(out[4800:, 0]) == pytest.approx(LOW_HZ, rel=2e-3)
    speaker.close()
    assert not asked["running"]
