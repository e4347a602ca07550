"""Meter models against the statistics that their sheets state, and against numerical integration."""

import itertools
import math

import numpy as np
import pytest
from scipy import stats

from benchlog.model.instrument import Coupling, Response
from benchlog.model.quantity import Quantity
from benchlog.model.reading import Status
from benchlog.model.role import Role
from benchlog_drivers.simulated.aperture import Collector, Truth
from benchlog_drivers.simulated.meters import (
    FORM_FACTOR,
    Finished,
    SimulatedMeter,
    clipped_share,
    draw_errors,
    sensed_current,
)
from benchlog_drivers.simulated.sheets import CLAMP, HANDHELD_AMMETER, MeterKind, instruments
from benchlog_drivers.simulated.trouble import Ordered, Trouble, TroubleBox

SEEDS = range(2000)


def truth(current_a: float = 0.5, volts: float = 120.0, **other: float) -> Truth:
    values = {
        "current_rms_a": current_a,
        "current_ac_rms_a": current_a,
        "current_dc_a": 0.0,
        "current_peak_a": 1.5 * current_a,
        "current_rectified_mean_a": current_a / FORM_FACTOR,
        "voltage_rms_v": volts,
        "power_w": 40.0,
        "rail_plus_v": 48.0,
        "rail_minus_v": -48.0,
        "output_dc_v": 0.01,
        "heatsink_c": 40.0,
        "bias_a": 0.1,
    }
    return Truth(**(values | other))


def run(meter: SimulatedMeter, value: Truth, seconds: float, tick_s: float = 0.1) -> list[Finished]:
    done = []
    for k in range(round(seconds / tick_s)):
        finished = meter.add(value, k * tick_s, tick_s)
        if finished is not None:
            done.append(finished)
    return done


def meter(kind: MeterKind, seed: int = 1, turns: int = 1, **words: object) -> SimulatedMeter:
    return SimulatedMeter(instruments(kind, turns)[0], seed, **words)  # type: ignore[arg-type]


def values(done: list[Finished], role: Role = Role.SOURCE_CURRENT) -> list[float | None]:
    return [next(one.value for one in f.indications if one.role is role) for f in done]


@pytest.mark.parametrize("accuracy", [HANDHELD_AMMETER, CLAMP])
def test_gain_and_offset_are_rectangular_within_the_sheet(accuracy: object) -> None:
    # JCGM 100:2008, 4.3.7: a rectangular distribution of half-width a has the standard deviation a/√3.
    draws = [draw_errors(accuracy, seed, "ammeter", Role.SOURCE_CURRENT) for seed in SEEDS]  # type: ignore[arg-type]
    gains = (np.array([draw.gain for draw in draws]) - 1.0) / accuracy.reading_fraction  # type: ignore[attr-defined]
    offsets = np.array([draw.offset_counts for draw in draws]) / accuracy.counts  # type: ignore[attr-defined]
    for drawn in (gains, offsets):
        assert np.abs(drawn).max() <= 1.0
        assert stats.kstest(drawn, stats.uniform(-1.0, 2.0).cdf).pvalue > 1e-3
        assert np.std(drawn) == pytest.approx(1.0 / math.sqrt(3.0), rel=0.05)
    assert abs(stats.pearsonr(gains, offsets).statistic) < 0.08


def test_errors_depend_on_seed_instrument_and_role_only() -> None:
    first = draw_errors(CLAMP, 7, "ammeter", Role.SOURCE_CURRENT)
    draw_errors(CLAMP, 8, "other", Role.SOURCE_CURRENT)
    assert draw_errors(CLAMP, 7, "ammeter", Role.SOURCE_CURRENT) == first
    assert draw_errors(CLAMP, 7, "second", Role.SOURCE_CURRENT) != first
    assert draw_errors(CLAMP, 7, "ammeter", Role.INLET_VOLTAGE) != first


def test_readings_are_whole_counts_with_noise_of_a_third_of_a_count() -> None:
    # Rounding adds 1/12 of a count squared to the variance where the value falls anywhere between two counts
    # (Sheppard's correction, Kendall and Stuart, The Advanced Theory of Statistics).
    wanted = math.sqrt(0.3**2 + 1.0 / 12.0)
    spreads = []
    for seed in range(60):
        shown = values(run(meter(MeterKind.HANDHELD, seed), truth(0.5 + seed * 0.00037), 160.0))
        counts = np.array(shown, dtype=float) / 0.001
        assert np.allclose(counts, np.round(counts), atol=1e-6)
        spreads.append(np.var(counts, ddof=1))
    assert math.sqrt(float(np.mean(spreads))) == pytest.approx(wanted, rel=0.05)


def test_mean_reading_lies_where_gain_and_offset_put_it() -> None:
    one = meter(MeterKind.BENCH, 3)
    draw = draw_errors(one.sheet.channels[0].accuracy, 3, "bench-meter", Role.SOURCE_CURRENT)
    shown = values(run(one, truth(2.0), 200.0))
    expected = 2.0 * draw.gain + draw.offset_counts * 0.001
    assert np.mean(np.array(shown, dtype=float)) == pytest.approx(expected, abs=1e-4)


@pytest.mark.parametrize(("kind", "per_second"), [(MeterKind.BENCH, 10.0), (MeterKind.CLAMP, 2.5)])
def test_rate_and_aperture(kind: MeterKind, per_second: float) -> None:
    done = run(meter(kind), truth(), 60.0)
    assert len(done) == round(60.0 * per_second)
    assert [f.sequence for f in done] == list(range(1, len(done) + 1))
    assert all(f.end_s - f.start_s == pytest.approx(1.0 / per_second) for f in done)
    assert all(b.start_s == pytest.approx(a.end_s) for a, b in itertools.pairwise(done))


def test_an_aperture_averages_unequal_stretches() -> None:
    collector = Collector()
    collector.add(truth(3.0, current_dc_a=0.0), 0.1)
    collector.add(truth(0.0, current_peak_a=0.0), 0.3)
    together = collector.truth()
    assert together.current_rms_a == pytest.approx(math.sqrt(9.0 * 0.25))
    assert together.current_peak_a == 4.5
    collector.clear()
    collector.add(truth(1.0, current_dc_a=1.0), 0.2)
    collector.add(truth(1.0, current_dc_a=-1.0), 0.2)
    # two stretches of opposite DC are AC when taken together
    assert collector.truth().current_dc_a == pytest.approx(0.0)
    assert collector.truth().current_ac_rms_a == pytest.approx(math.sqrt(2.0))


def sampled(wave: np.ndarray) -> Truth:
    dc = float(np.mean(wave))
    return truth(
        current_a=float(np.sqrt(np.mean(wave**2))),
        current_ac_rms_a=float(np.std(wave)),
        current_dc_a=dc,
        current_peak_a=float(wave[np.argmax(np.abs(wave))]),
        current_rectified_mean_a=float(np.mean(np.abs(wave))),
    )


def test_average_response_is_right_on_a_sine_and_low_on_pulses() -> None:
    # Rectified mean of a sine: 2/π of the peak, r.m.s. 1/√2: form factor 1.1107 (IEC 60050, 103-06).
    t = np.linspace(0.0, 1.0, 20000, endpoint=False)
    sine = sampled(np.sin(2.0 * np.pi * t))
    assert abs(FORM_FACTOR - 1.1107) < 5e-5
    assert sensed_current(sine, Response.AVERAGE, Coupling.AC) == pytest.approx(
        1.0 / math.sqrt(2.0), rel=1e-6
    )
    pulses = sampled(np.sin(2.0 * np.pi * t) * (np.abs(np.sin(2.0 * np.pi * t)) > 0.9))
    low = sensed_current(pulses, Response.AVERAGE, Coupling.AC) / pulses.current_rms_a
    assert 0.5 < low < 0.85


def test_an_ac_coupled_meter_does_not_see_the_dc() -> None:
    t = np.linspace(0.0, 1.0, 20000, endpoint=False)
    half = sampled(np.maximum(np.sin(2.0 * np.pi * t), 0.0))
    # half-wave sine of peak 1: r.m.s. 1/2, mean 1/π (any table of waveforms)
    assert sensed_current(half, Response.TRUE_RMS, Coupling.AC_DC) == pytest.approx(0.5, rel=1e-6)
    wanted = math.sqrt(0.25 - 1.0 / math.pi**2)
    assert sensed_current(half, Response.TRUE_RMS, Coupling.AC) == pytest.approx(wanted, rel=1e-4)


@pytest.mark.parametrize("q", [0.2, 0.5, 0.9, 1.0, 1.5])
def test_clipped_share_agrees_with_numerical_integration(q: float) -> None:
    pulse = np.linspace(1.0, 0.0, 200001)
    whole = np.sqrt(np.mean(pulse**2))
    assert clipped_share(1.0, q) == pytest.approx(
        np.sqrt(np.mean(np.minimum(pulse, q) ** 2)) / whole, rel=1e-4
    )


def test_peaks_beyond_the_crest_factor_read_low() -> None:
    tame = values(run(meter(MeterKind.HANDHELD), truth(8.0, current_peak_a=20.0), 0.8))
    wild = values(run(meter(MeterKind.HANDHELD), truth(8.0, current_peak_a=60.0), 0.8))
    assert wild[0] is not None and tame[0] is not None
    assert wild[0] < 0.9 * tame[0]


def test_overload_is_a_status_and_no_number() -> None:
    done = run(meter(MeterKind.HANDHELD), truth(10.5), 0.4)
    assert done[0].indications[0].status is Status.OVERLOAD
    assert done[0].indications[0].value is None


def test_turns_multiply_what_the_clamp_shows() -> None:
    shown = values(run(meter(MeterKind.CLAMP, turns=5), truth(0.5), 4.0))
    assert np.mean(np.array(shown, dtype=float)) == pytest.approx(2.5, abs=0.02 * 2.5 + 0.05)


def test_autoranging_blanks_then_shows_finer_or_coarser_counts() -> None:
    one = meter(MeterKind.AUTORANGING)
    small = run(one, truth(0.2), 2.0)
    assert small[-1].indications[0].count == 1e-4
    for k, finished in enumerate(small):
        assert finished.indications[0].status is None, k
    jump = [one.add(truth(2.0), 2.0 + k * 0.1, 0.1) for k in range(20)]
    done = [f for f in jump if f is not None]
    assert [f.indications[0].status for f in done[:3]] == [Status.AUTORANGING, Status.AUTORANGING, None]
    assert done[-1].indications[0].count == 1e-3


def test_a_meter_that_switches_itself_off_falls_silent() -> None:
    done = run(meter(MeterKind.SWITCHES_OFF), truth(), 1000.0, 0.4)
    assert done[-1].end_s < 900.0 <= done[-1].end_s + 0.4


def troubled(kind: Trouble, **words: object) -> SimulatedMeter:
    box = TroubleBox((Ordered("ammeter", kind, start_s=10.0, length_s=20.0, **words),))  # type: ignore[arg-type]
    return meter(MeterKind.HANDHELD, troubles=box)


def test_value_troubles_begin_and_end() -> None:
    overload = run(troubled(Trouble.OVERLOAD), truth(), 60.0)
    assert sum(f.indications[0].status is Status.OVERLOAD for f in overload) == 50
    blank = run(troubled(Trouble.AUTORANGE_BLANKING), truth(), 60.0)
    assert sum(f.indications[0].status is Status.AUTORANGING for f in blank) == 50
    off = run(troubled(Trouble.SWITCHED_OFF), truth(), 60.0)
    assert len(off) == 100
    assert off[-1].sequence == 150


def test_a_frozen_value_stands_still_while_the_truth_moves() -> None:
    one = troubled(Trouble.FROZEN)
    shown = [
        finished
        for k in range(600)
        if (finished := one.add(truth(0.5 + 0.001 * k), k * 0.1, 0.1)) is not None
    ]
    frozen = {f.indications[0].value for f in shown if 10.0 <= f.end_s < 30.0}
    assert len(frozen) == 1
    assert len({f.indications[0].value for f in shown}) > 90


def test_a_drift_gains_its_share_per_minute() -> None:
    done = run(troubled(Trouble.DRIFTING, per_minute=0.6), truth(2.0), 60.0)
    before = np.mean([f.indications[0].value for f in done if f.end_s < 10.0])
    late = next(f for f in done if f.end_s == pytest.approx(29.6)).indications[0].value
    assert late is not None
    assert late / before == pytest.approx(1.0 + 0.6 * 19.6 / 60.0, abs=0.003)


def test_a_measurement_on_demand_has_the_aperture_asked_for() -> None:
    one = SimulatedMeter(instruments(MeterKind.BENCH)[0], 1, on_demand=True)
    assert run(one, truth(), 1.0) == []
    assert one.end_s == math.inf
    one.begin_at(1.05)
    assert one.edge_s(1.0) == pytest.approx(1.05)
    assert one.add(truth(9.0), 1.0, 0.05) is None
    finished = one.add(truth(1.0), 1.05, 0.1)
    assert finished is not None
    assert (finished.start_s, finished.end_s) == (pytest.approx(1.05), pytest.approx(1.15))
    assert finished.indications[0].value == pytest.approx(1.0, abs=0.02)
    assert one.end_s == math.inf


def test_every_kind_of_bench_reads_current_and_inlet_voltage() -> None:
    for kind in MeterKind:
        roles = [channel.role for sheet in instruments(kind) for channel in sheet.channels]
        assert {Role.SOURCE_CURRENT, Role.INLET_VOLTAGE} <= set(roles)
        assert len(set(roles)) == len(roles)
        assert (Role.OUTPUT_DC in roles) is (kind in (MeterKind.BENCH, MeterKind.DIGITISER, MeterKind.AUDIO))
        assert instruments(kind)[0].meter_sheet().find(Quantity.AC_CURRENT) is not None
