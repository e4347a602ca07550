"""What the meter showed beside a captured switch-on, and the stop limit."""

import math
from datetime import UTC, datetime

import numpy as np
import pytest

from benchlog.model.job import Job
from benchlog.model.quantity import Quantity
from benchlog.model.reading import Channel, Measured
from benchlog.model.role import Role
from benchlog.model.wave import Waveform
from benchlog.session.reader import SessionReader
from benchlog.session.writer import SessionWriter
from benchlog_ui.arrival import Shown, beside_words, meanwhile
from benchlog_ui.colours import LIGHT
from benchlog_ui.inrush import InrushPanel, switched
from benchlog_ui.look import Look

RATE_HZ = 48_000.0


def wave(start_us: int = 1_000_000) -> Waveform:
    t = np.arange(round(0.6 * RATE_HZ)) / RATE_HZ - 0.2
    v = np.where(t >= 0.0, 170.0 * np.sin(2.0 * math.pi * 60.0 * t), 0.0)
    return Waveform(v, v / 170.0 * (1.0 + 20.0 * np.exp(-np.maximum(t, 0.0) / 0.03)), RATE_HZ, start_us)


def test_readings_over_the_waveform_are_found(tmp_path):
    channel = Channel(Role.SOURCE_CURRENT, Quantity.AC_CURRENT, "meter")
    writer = SessionWriter.create(tmp_path / "a.benchlog", Job(), datetime.now(UTC).astimezone())
    readings = [Measured(channel, 0.1 * k, 400_000 * k, 400_000 * (k + 1)) for k in range(20)]
    writer.add_readings([(one, one.end_us) for one in readings])
    writer.commit()
    writer.close()
    with SessionReader(tmp_path / "a.benchlog") as reader:
        found = meanwhile(reader, wave())
    assert [round(one.current_a, 3) for one in found] == [0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9]
    assert found[0].from_s == pytest.approx(1.2)


def test_words_for_meter_and_limit():
    assert beside_words((), None) == ""
    words = beside_words((Shown(0.0, 0.1, 1.25), Shown(0.1, 0.2, 3.5)), 2.0)
    assert "meter at most" in words
    assert "3.5" in words
    assert "stop limit" in words


def test_they_stand_in_the_panel(qtbot):
    panel = InrushPanel(Look(LIGHT, 1.0))
    qtbot.addWidget(panel)
    news = switched(wave(), 120.0, (Shown(1.1, 1.2, 0.4), Shown(1.2, 1.3, 2.5)))
    panel.resize(480, 260)
    panel.show_switched(news)
    bare = panel.grab().toImage()
    panel.show_limit(5.0)
    panel.show_switched(news)
    assert panel.grab().toImage() != bare
    assert "meter at most" in panel.accessibleName()
    assert "stop limit" in panel.accessibleName()
