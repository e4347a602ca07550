"""The panel of a captured switch-on: figures of a known waveform, no peak lost, bars where they belong."""

import math
import time

import numpy as np
import pytest

from benchlog.model.wave import Waveform
from benchlog_ui.inrush import figure_words, switched, thinned

RATE_HZ = 20_000.0


def switch_on(peak_a=8.0, settled_a=0.4, tau_s=0.03):
    """50 Hz, switched on at a zero crossing 20 ms into the record; a current that decays in cosine halves."""
    t = np.arange(int(RATE_HZ)) / RATE_HZ
    on = t >= 0.02
    v = np.where(on, 325.0 * np.sin(2 * math.pi * 50 * (t - 0.02)), 0.0)
    envelope = settled_a + (peak_a - settled_a) * np.exp(-np.clip(t - 0.02, 0, None) / tau_s)
    i = np.where(on, envelope * np.sin(2 * math.pi * 50 * (t - 0.02)), 0.0)
    return Waveform(v, i, RATE_HZ, start_us=5_000_000)


def test_a_known_switch_on_gives_its_figures():
    wave = switch_on()
    found = switched(wave, 230.0)
    assert found.found.inrush_peak_a == pytest.approx(np.abs(wave.i_a).max(), rel=0.02)
    assert found.t_s[0] == pytest.approx(-0.01, abs=1e-3)
    assert found.t_s[-1] == pytest.approx(0.2, abs=1e-3)
    words = figure_words(found.found)
    assert words[0].startswith("peak 6.")
    # r.m.s. of a half-cycle of a sine of amplitude a is a / sqrt 2; the envelope falls within it.
    first = np.abs(wave.i_a[400:600])
    assert found.found.max_half_cycle_rms_a == pytest.approx(math.sqrt(np.mean(first**2)), rel=0.03)


def test_thinning_keeps_every_extreme_and_the_order_of_time():
    rng = np.random.default_rng(3)
    t, i = np.arange(9973) * 1e-4, rng.normal(size=9973)
    i[5000] = 40.0
    thin_t, thin_i = thinned(t, i, 300)
    assert (thin_i.max(), thin_i.min()) == (i.max(), i.min())
    assert (np.diff(thin_t) >= 0).all()
    assert len(thin_t) < 700


def test_it_takes_the_place_of_the_small_plots_and_back(bench):
    page = bench.start.desk.shell.bring_up
    assert page.beside.currentWidget() is page.multiples
    page.show_switched(switched(switch_on(), 230.0))
    assert page.beside.currentWidget() is page.inrush
    assert "half-cycle r.m.s." in page.inrush.accessibleName()
    page.inrush.resize(420, 200)
    began = time.process_time()
    assert not page.inrush.grab().isNull()
    assert time.process_time() - began < 0.5
    page.turn_over()
    assert page.beside.currentWidget() is page.multiples
