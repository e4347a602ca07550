"""A digitiser on the bench: its waveform is stored, its figures are told to the limit watch."""

import math

import numpy as np
import pytest
from recorder_stand import THREE, Stand

from benchlog.bench.adaptor import Identity
from benchlog.model.errors import InstrumentTimeout
from benchlog.model.event import InrushMeasured
from benchlog.model.role import Role
from benchlog.model.wave import Waveform
from benchlog.recorder import capture as capture_module
from benchlog.session.reader import SessionReader


class OneShot:
    """Captures one switch-on of 12.5 A peak at 50 Hz, then never again."""

    def __init__(self, on):
        self.calls, self.on = [], on
        self.shots = 1

    def open(self):
        return Identity("loopback digitiser", "3")

    def close(self):
        self.calls.append("close")

    def arm(self):
        self.calls.append("arm")

    def done(self):
        return self.shots > 0 and self.on.is_set()

    def cancel(self):
        self.calls.append("cancel")

    def fetch(self):
        self.shots -= 1
        t = np.arange(20_000) / 10_000.0
        phase = 2 * math.pi * 50 * (t - 0.1)
        on = t >= 0.1
        envelope = 0.5 + 12.5 * np.exp(-np.clip(t - 0.105, 0, None) / 0.02)
        return Waveform(325.0 * np.sin(phase), np.where(on, envelope * np.sin(phase), 0.0), 10_000.0)


def test_a_switch_on_is_stored_and_told(stand: Stand) -> None:
    digitiser = stand.adaptors[Role.WAVEFORM] = OneShot(stand.server.on)
    stand.watch.length_s = 4.0
    stand.run((*THREE, Role.WAVEFORM))
    told = [event for _, event in stand.watch.told if isinstance(event, InrushMeasured)]
    assert len(told) == 1
    assert told[0].peak_a == pytest.approx(12.9, rel=0.03)
    assert told[0].i2t_a2s > 0.5
    assert digitiser.calls == ["arm", "cancel", "close"]
    with SessionReader(stand.path) as reader:
        (record,) = reader.waves()
        assert record.samples == 20_000
        wave = reader.wave(record.number)
    assert np.abs(wave.i_a).max() == pytest.approx(12.9, rel=0.03)


def test_a_digitiser_that_fails_is_told_and_holds_up_nothing(stand: Stand, monkeypatch) -> None:
    monkeypatch.setattr(capture_module, "LOOK_S", 0.02)
    digitiser = stand.adaptors[Role.WAVEFORM] = OneShot(stand.server.on)
    digitiser.fetch = _silent
    result = stand.run((*THREE, Role.WAVEFORM))
    assert result.ended.outcome.value == "completed"
    assert any("digitiser is silent" in text for text in result.warnings)


def _silent():
    raise InstrumentTimeout("The digitiser is silent.")
