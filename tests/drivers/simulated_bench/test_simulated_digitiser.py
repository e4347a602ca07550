"""The digitiser: samples against a wave that is known, and through the adaptor that captures real ones."""

import time
from collections.abc import Callable
from contextlib import AbstractContextManager
from typing import Any

import numpy as np
import pytest

from benchlog.model.quantity import Quantity
from benchlog.model.role import Role
from benchlog.model.wave import Waveform
from benchlog_drivers.simulated.aperture import Truth
from benchlog_drivers.simulated.digitiser import (
    PRE_S,
    RATE_HZ,
    Digitiser,
    State,
    measured_truth,
    scale,
)
from benchlog_drivers.simulated.make import make_bench
from benchlog_drivers.simulated.options import make_options

HERTZ, AMPERES, VOLTS = 60.0, 3.0, 170.0


def stretch(start_s: float, seconds: float, begin_s: float = 0.0) -> Waveform:
    """A sine of current that begins at ``begin_s``, and a sine of voltage."""
    t = start_s + np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    current = AMPERES * np.sin(2.0 * np.pi * HERTZ * t) * (t >= begin_s)
    return Waveform(VOLTS * np.sin(2.0 * np.pi * HERTZ * t), current, RATE_HZ)


def shot(one: Digitiser, begin_s: float) -> None:
    one.arm()
    for k in range(30):
        one.take(stretch(0.1 * k, 0.1, begin_s), 0.1 * k)


def test_a_record_begins_shortly_before_the_trigger_and_has_the_set_length() -> None:
    one = Digitiser(3)
    one.level_a, one.length_s = 0.5, 1.0
    shot(one, 1.03)
    assert one.state is State.DONE
    assert one.record is not None
    assert len(one.record.current) == round((PRE_S + 1.0) * RATE_HZ)
    assert one.record.start_s == pytest.approx(1.03 - PRE_S, abs=0.002)
    before = one.record.current[: round(0.9 * PRE_S * RATE_HZ)]
    assert np.abs(before).max() * scale(Quantity.PEAK_CURRENT) < 0.1


def test_samples_are_the_wave_within_the_errors_of_the_sheet() -> None:
    one = Digitiser(3)
    shot(one, 0.0)
    assert one.record is not None
    volts = one.record.voltage * scale(Quantity.PEAK_VOLTAGE)
    spectrum = np.abs(np.fft.rfft(volts[:10000])) / 5000.0
    assert int(np.argmax(spectrum)) == 60
    assert spectrum[60] == pytest.approx(VOLTS, rel=0.006)
    amperes = one.record.current * scale(Quantity.PEAK_CURRENT)
    # r.m.s. of a sine: peak/√2; 0.5 % of gain, 4 codes of offset
    assert np.sqrt(np.mean(amperes[:10000] ** 2)) == pytest.approx(AMPERES / np.sqrt(2.0), abs=0.012 + 0.025)


def test_peaks_beyond_full_scale_are_clipped() -> None:
    one = Digitiser(1)
    one.arm()
    wave = stretch(0.0, 2.0)
    one.take(Waveform(wave.v_v, 100.0 * wave.i_a, RATE_HZ), 0.0)
    assert one.record is not None
    assert one.record.current.max() == 32767


def test_nothing_is_recorded_without_a_trigger_and_a_shot_can_be_given_up() -> None:
    one = Digitiser(1)
    one.level_a = 10.0
    shot(one, 0.0)
    assert one.state is State.ARMED
    one.abort()
    assert one.state is State.IDLE
    assert not one.wants


def test_averages_of_a_sampled_stretch() -> None:
    slow = Truth(0, 0, 0, 0, 0, 0, 0, 48.0, -48.0, 0.01, 30.0, 0.1, True)
    truth = measured_truth(stretch(0.0, 0.1), slow)
    assert truth.current_rms_a == pytest.approx(AMPERES / np.sqrt(2.0), rel=1e-3)
    assert truth.power_w == pytest.approx(0.5 * AMPERES * VOLTS, rel=1e-3)
    assert truth.current_rectified_mean_a == pytest.approx(AMPERES * 2.0 / np.pi, rel=1e-3)
    assert (truth.rail_plus_v, truth.destroyed) == (48.0, True)


@pytest.mark.parametrize("volts", [24.0, 60.0, 120.0])
def test_a_settled_unit_draws_the_same_wave_cycle_after_cycle(volts: float) -> None:
    unit = make_bench(make_options()).bench.unit
    unit.set_source(volts, True)
    unit.advance(30.0)
    current = unit.waveform(0.5, 15_360.0).i_a.reshape(-1, 256)
    cycles = np.sqrt(np.mean(current**2, axis=1))
    assert np.ptp(cycles) < 0.03 * cycles.mean()
    assert unit.advance(0.5).current_rms_a == pytest.approx(cycles.mean(), rel=0.03)


def test_a_switch_on_is_captured_while_the_other_meters_go_on(
    running: Callable[..., AbstractContextManager[Any]],
) -> None:
    with running(meters="digitiser") as there:
        source, meter, digitiser = there.source(), there.meter(), there.adaptor(Role.WAVEFORM)
        digitiser.open()
        digitiser.arm()
        time.sleep(0.2)
        assert not digitiser.done()
        source.set_voltage(120.0)
        source.output(True)
        assert digitiser.wait(20.0)
        wave = digitiser.fetch()
        assert wave.rate_hz == pytest.approx(RATE_HZ)
        # circuit simulation of a 300 VA toroid at 120 V: 42 A peak at the worse phase (ours)
        assert 2.0 < np.abs(wave.i_a).max() < 80.0
        assert np.sqrt(np.mean(wave.v_v[-5000:] ** 2)) == pytest.approx(120.0, rel=0.01)
        readings = [r for _ in range(60) for r in meter.read()]
        settled = np.sqrt(np.mean(wave.i_a[-2000:] ** 2))
        current = [r.value for r in readings if r.channel.role is Role.SOURCE_CURRENT][-1]
        assert current == pytest.approx(settled, abs=0.15)


@pytest.mark.parametrize("kind", ["scpi", "scpi-lcr"])
def test_asked_probe_meters(running: Callable[..., AbstractContextManager[Any]], kind: str) -> None:
    with running(probe=kind, time_scale=5.0) as there:
        probe = there.meter(Role.PROBE)
        there.control.ask(type="touch", values={"resistance": 7.6, "esr": 0.25, "capacitance": 1e-6})
        until, found = time.monotonic() + 10.0, []
        while not found and time.monotonic() < until:
            found = list(probe.read())
        assert found[0].value == pytest.approx(7.6 if kind == "scpi" else 0.25, abs=0.02)
        there.control.ask(type="touch")
        time.sleep(0.2)
        found, until = [], time.monotonic() + 10.0
        while not hasattr(found[-1] if found else None, "status") and time.monotonic() < until:
            found += probe.read()
        assert found[-1].status.value in ("open-leads", "overload")


@pytest.mark.filterwarnings("ignore:set(Daemon|Name):DeprecationWarning")  # inside pyserial's client
@pytest.mark.parametrize("words", [{"contactor": "scpi"}, {"contactor": "modbus"}, {"contactor": "line"}])
def test_every_contactor_is_held_in_by_its_adaptor(
    running: Callable[..., AbstractContextManager[Any]], words: dict[str, str]
) -> None:
    with running(**words) as there:
        contactor = there.adaptor(Role.CUT_OFF)
        contactor.open()
        assert there.control.ask(type="status")["contactor_closed"] is False or words["contactor"] == "line"
        for _ in range(6):
            contactor.beat()
            time.sleep(0.05)
        assert there.control.ask(type="status")["contactor_closed"] is True
        time.sleep(0.6)
        contactor.beat()
        assert there.control.ask(type="status")["contactor_closed"] is False
