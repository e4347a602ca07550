"""Parts of the simulated unit against handbook figures: fuse gates, lamp law, transformer equation."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchlog.model.errors import UsageError
from benchlog.model.unit import Amplifier, Core, Supply
from benchlog_drivers.simulated.faults import Fault, allowed_faults, check_fault
from benchlog_drivers.simulated.lamp import Filament, series_lamp
from benchlog_drivers.simulated.physics_linear import LinearSupply
from benchlog_drivers.simulated.population_core import draw_magnetising
from benchlog_drivers.simulated.population_plate import choose_fuse
from benchlog_drivers.simulated.transformer import Magnetising, TransformerValues, design_flux_vs
from benchlog_drivers.simulated.unit_fuse import FuseWire
from benchlog_drivers.simulated.unit_params import Diode, MainsFuse, Rails, SourceImpedance


def melts_after_s(fuse: MainsFuse, current_a: float, longest_s: float) -> float:
    wire, now_s, step_s = FuseWire(fuse), 0.0, longest_s / 40000.0
    while now_s < longest_s:
        now_s += step_s
        if wire.advance(step_s, current_a**2):
            return now_s
    return math.inf


@pytest.mark.parametrize("rated_a", [0.5, 1.0, 2.0, 4.0, 6.3])
def test_time_lag_link_keeps_its_gates(rated_a: float) -> None:
    """IEC 60127-2 sheet 3, 0.125-6.3 A: 1.5 In ≥ 60 min, 2.1 In ≤ 2 min, 2.75 In 0.6-10 s, 4 In 0.15-3 s."""
    fuse = MainsFuse(rated_a, 1.5 * rated_a**2.65, 1.6)
    assert melts_after_s(fuse, 1.5 * rated_a, 3600.0) == math.inf
    assert melts_after_s(fuse, 2.1 * rated_a, 120.0) < 120.0
    if rated_a >= 4.0:
        # Smaller links of this law melt sooner than the gate allows at this multiple.
        assert 0.3 <= melts_after_s(fuse, 2.75 * rated_a, 10.0) <= 10.0
    assert melts_after_s(fuse, 4.0 * rated_a, 3.0) <= 3.0
    assert melts_after_s(fuse, 10.0 * rated_a, 0.3) <= 0.3


def test_ul_link_opens_at_135_percent_within_an_hour() -> None:
    """UL 248-14: carries 100 %, opens at 135 % within 1 h and at 200 % within 2 min."""
    dice = np.random.default_rng(0)
    found = [choose_fuse(dice, 1.9, 120.0, 1.0) for _ in range(20)]
    marked, fuse = next(pair for pair in found if pair[0].standard == "ul")
    assert marked.rated_a == 2.5
    assert melts_after_s(fuse, 1.0 * fuse.rated_a, 3600.0) == math.inf
    assert melts_after_s(fuse, 1.35 * fuse.rated_a, 3600.0) < 3600.0
    assert melts_after_s(fuse, 2.0 * fuse.rated_a, 120.0) < 120.0


def test_lamp_current_follows_the_usual_exponent() -> None:
    """I ≈ In·(V/Vn)^0.56, usual lamp exponent 0.55-0.6 (handbook); cold 9.5 Ω, hot 144 Ω at 100 W 120 V."""
    lamp = Filament(series_lamp(100.0, 120.0))
    assert lamp.ohm() == pytest.approx(9.6, abs=0.2)
    lamp.advance_on_volts(20.0, 120.0)
    full_a = 120.0 / lamp.ohm()
    assert full_a == pytest.approx(100.0 / 120.0, rel=0.01)
    for volts in (40.0, 60.0, 90.0):
        lamp.advance_on_volts(60.0, volts)
        assert volts / lamp.ohm() == pytest.approx(full_a * (volts / 120.0) ** 0.56, rel=0.06)


def test_design_flux_is_the_transformer_equation() -> None:
    """V = 4.44·f·NΦ̂ (textbook)."""
    assert 4.4429 * 60.0 * design_flux_vs(120.0, 60.0) == pytest.approx(120.0, rel=1e-4)


@settings(max_examples=25, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    va=st.floats(10.0, 1000.0),
    core=st.sampled_from(list(Core)),
    volts=st.sampled_from([120.0, 230.0]),
)
def test_no_load_current_is_in_its_range(seed: int, va: float, core: Core, volts: float) -> None:
    """Toroidal 0.5-4 % of rated; frame 5-15 %, below 50 VA 20-50 % (ranges of the fixed population)."""
    hertz = 60.0 if volts < 180.0 else 50.0
    iron, loss_ohm = draw_magnetising(np.random.default_rng(seed), core, va, volts, hertz, 0.2 * va)
    share = math.hypot(iron.no_load_rms_a(), volts / loss_ohm) / (va / volts)
    low, high = (0.005, 0.04) if core is Core.TOROIDAL else (0.05, 0.15) if va >= 50.0 else (0.20, 0.50)
    assert 0.98 * low <= share <= 1.02 * high
    offsets, slopes, cells, last = iron.table()
    flux = np.linspace(0.0, 2.5, 77) * iron.design_vs
    cell = np.minimum((flux * cells).astype(int), last)
    tabled = np.array(offsets)[cell] + np.array(slopes)[cell] * flux
    exact = flux / iron.main_h + iron.excess_a(flux)
    assert np.allclose(tabled, exact, rtol=0.03, atol=0.02 * exact[30])


@pytest.mark.parametrize(
    ("fraction", "saturates"), [(0.20, False), (0.23, False), (0.40, True), (0.60, True)]
)
def test_a_low_first_step_does_not_saturate(fraction: float, saturates: bool) -> None:
    """No saturation at any angle while v ≤ (k_sat − k_r)/2 (full-offset flux plus residual; textbook)."""
    knee, left = 1.25, 0.7
    assert (fraction > (knee - left) / 2.0) == saturates
    iron = Magnetising(design_flux_vs(230.0, 50.0), 45.0, 0.004, knee, 0.02, remanence=left)
    values = TransformerValues(500.0, 2.3, 1e-3, 0.15, 0.1, 1e-5, 1e5, iron)
    source = SourceImpedance(0.5, 1e-4)
    peaks = []
    for phase in range(0, 256, 16):
        supply = LinearSupply(values, Diode(), Rails(1e-3, 0.01, 1e9, 48.0), source, 50.0)
        supply.flux_vs = supply.remanent_vs = left * iron.design_vs
        supply.phase, supply.peak_v = phase, fraction * 230.0 * math.sqrt(2.0)
        supply.plus_v, supply.minus_v = 200.0, -200.0  # no rectifier current
        peaks.append(abs(supply.run(16, lambda _: None).peak_a))
    assert (max(peaks) > 1.0) == saturates


def test_a_lower_tap_raises_the_flux() -> None:
    iron = Magnetising(0.45, 12.0, 0.005)
    values = TransformerValues(300.0, 1.2, 5e-4, 0.29, 0.2, 2e-5, 4800.0, iron)
    tapped = values.on_tap(100.0 / 120.0)
    assert tapped.magnetising.design_vs == pytest.approx(0.45 / 1.2)
    assert tapped.ratio == pytest.approx(0.29 * 1.2)
    assert tapped.magnetising.no_load_rms_a() == pytest.approx(1.2 * iron.no_load_rms_a(), rel=0.01)


def test_pairs_that_make_no_sense_are_refused_with_those_there_are() -> None:
    with pytest.raises(UsageError, match=r"class-ab with linear, .*valve with linear"):
        allowed_faults(Amplifier.VALVE, Supply.SWITCH_MODE)
    with pytest.raises(UsageError, match=r"none, rail-short, .*open-mains-fuse"):
        check_fault(Amplifier.CLASS_AB, Supply.SWITCH_MODE, Fault.SHORTED_TURNS)
    assert len(allowed_faults(Amplifier.CLASS_AB, Supply.LINEAR)) == len(Fault) == 13
    assert Fault.BIAS_RUNAWAY not in allowed_faults(Amplifier.CLASS_D, Supply.LINEAR)
