"""Tables of standards and of the trade against the limits that the program gives.

Standards were not seen themselves; each table says where it was read.
"""

import math

import pytest

from benchlog.limits import fuse, mains, parts, powered, preferred
from benchlog.measure.decision import point_verdict
from benchlog.model.step import PointVerdict

# IEC 60127-2 pre-arcing gates as printed in fuse makers' data sheets (sheets 2, 3 and 5):
# marking, least time at 1.5·In, most at 2.1·In, then least and most at 2.75, 4 and 10·In, in seconds.
HOUR, HALF = 3600.0, 1800.0
GATES = [
    ("F1AL", HOUR, HALF, (0.05, 2), (0.01, 0.3), (None, 0.02)),
    ("F6.3AL", HOUR, HALF, (0.05, 2), (0.01, 0.3), (None, 0.02)),
    ("F10AL", HALF, HALF, (0.05, 2), (0.01, 0.4), (None, 0.04)),
    ("T63mAL", HOUR, 120, (0.2, 10), (0.04, 3), (0.010, 0.3)),
    ("T125mAL", HOUR, 120, (0.6, 10), (0.15, 3), (0.020, 0.3)),
    ("T6.3AL", HOUR, 120, (0.6, 10), (0.15, 3), (0.020, 0.3)),
    ("T10AL", HALF, 120, (0.6, 10), (0.15, 3), (0.020, 0.3)),
    ("T500mAH", HOUR, HALF, (0.25, 80), (0.05, 5), (0.005, 0.15)),
    ("T2AH", HOUR, HALF, (0.75, 80), (0.095, 5), (0.010, 0.15)),
    ("T5AH", HOUR, HALF, (0.75, 80), (0.15, 5), (0.020, 0.15)),
    ("T10AH", HALF, HALF, (0.75, 80), (0.15, 5), (0.020, 0.15)),
]


@pytest.mark.parametrize("row", GATES, ids=[row[0] for row in GATES])
def test_gates_of_iec_60127_2(row: tuple) -> None:
    marking, hold_s, open_s, *windows = row
    one = fuse.parse_fuse(marking)
    assert fuse.open_earliest(one, 1.5 * one.rated_a).value == pytest.approx(hold_s)
    assert fuse.open_latest(one, 2.1 * one.rated_a).value == pytest.approx(open_s)
    for multiple, (least, most) in zip((2.75, 4.0, 10.0), windows, strict=True):
        assert fuse.open_latest(one, multiple * one.rated_a).value == pytest.approx(most)
        if least is not None:
            assert fuse.open_earliest(one, multiple * one.rated_a).value == pytest.approx(least)
    assert "IEC 60127-2" in fuse.open_latest(one, one.rated_a * 4).source


# UL 248-14 as a fuse maker's guide sums it up: carries 100 %, opens at 135 % in 1 h, at 200 % in 2 min
# (to 30 A) or 4 min (35-60 A); time-delay types hold 200 % for 5 s to 3 A and 12 s above (another maker).
@pytest.mark.parametrize(
    ("marking", "percent", "earliest", "latest"),
    [("UL 2A", 100, math.inf, math.inf), ("UL 2A", 135, 0.0, HOUR), ("UL 2A", 200, 0.0, 120.0),
     ("UL 30A", 200, 0.0, 120.0), ("UL 40A", 200, 0.0, 240.0), ("UL T 2A", 200, 5.0, 120.0), ("UL T 5A",
     200, 12.0, 120.0)],
)  # fmt: skip
def test_ul_248_14(marking: str, percent: float, earliest: float, latest: float) -> None:
    one = fuse.parse_fuse(marking)
    current = one.rated_a * percent / 100.0
    assert fuse.open_earliest(one, current).value == pytest.approx(earliest)
    assert fuse.open_latest(one, current).value == pytest.approx(latest)


# Melting I²t in A²s of makers' data sheets, time-lag ceramic (three makers) and time-lag glass (one).
CERAMIC = [
    (1, 1.7), (1.25, 3.0), (1.6, 5.4), (2, 9.7), (2.5, 17.4), (3.15, 31), (4, 56), (5, 101), (6.3, 181),
    (8, 330), (10, 601), (1, 1.1), (1.25, 1.86), (1.6, 4.35), (2, 9.2), (2.5, 11.7), (3.15, 33.7), (4, 62.4),
    (5, 97.5), (6.3, 171), (8, 268), (10, 400), (1, 1.52), (1.25, 3.20), (1.6, 6.83), (2, 11.68),
]  # fmt: skip
GLASS = [
    (0.2, 0.350), (0.25, 0.555), (0.315, 1.14), (0.4, 1.35), (0.5, 2.90), (0.63, 4.80), (0.8, 9.42),
    (1, 19.2), (1.25, 27.15), (1.6, 44.2), (2, 92.7), (2.5, 138), (3.15, 226.5), (4, 202), (5, 314),
    (6.3, 600),
]  # fmt: skip


@pytest.mark.parametrize(("breaking", "rows"), [("H", CERAMIC), ("L", GLASS)])
def test_melting_i2t_is_the_lower_edge_of_the_makers(breaking: str, rows: list[tuple[float, float]]) -> None:
    ratios = [
        i2t / fuse.melting_i2t(fuse.parse_fuse(f"T{amperes}A{breaking}")).value for amperes, i2t in rows
    ]
    assert min(ratios) == pytest.approx(1.0, abs=0.08)
    assert max(ratios) < 3.0


def test_pulse_derating() -> None:
    """A fuse maker's pulse chart: 48, 38, 29 and 22 % of melting I²t for 10² to 10⁵ pulses."""
    one = fuse.parse_fuse("T2AH250V")
    melting = fuse.melting_i2t(one).value
    for pulses, share in ((100, 0.48), (1_000, 0.38), (10_000, 0.29), (100_000, 0.22)):
        assert fuse.pulse_i2t(one, pulses).value == pytest.approx(share * melting)


def test_cold_resistance_of_fuses() -> None:
    """One maker's time-lag ceramic types: 0.20, 0.07, 0.026, 0.013, 0.007 Ω at 1, 2, 4, 6.3, 10 A."""
    for amperes, ohms in ((1, 0.20), (2, 0.07), (4, 0.026), (6.3, 0.013), (10, 0.007)):
        assert fuse.cold_ohms(fuse.parse_fuse(f"T{amperes}AH")).value == pytest.approx(ohms, rel=0.15)


# Greatest tan δ at 120 Hz, 20 °C of capacitor makers' series (general 105 °C, low impedance, chip).
TAN_DELTA = {
    "general": [(6.3, 0.23), (10, 0.20), (16, 0.16), (25, 0.14), (35, 0.12), (50, 0.10), (63, 0.09),
    (100, 0.08),
                (160, 0.12), (200, 0.14), (250, 0.17), (350, 0.20), (400, 0.25), (450, 0.25)],
    "low-impedance": [(6.3, 0.22), (10, 0.19), (16, 0.16), (25, 0.14), (35, 0.12), (50, 0.10), (63,
    0.09), (100, 0.08)],
    "chip": [(10, 0.22), (16, 0.18), (25, 0.16), (35, 0.14), (50, 0.12)],
}  # fmt: skip


@pytest.mark.parametrize("family", TAN_DELTA)
def test_tan_delta_to_esr(family: str) -> None:
    for volts, tan in TAN_DELTA[family]:
        assert parts.tan_delta(100e-6, volts, family) == pytest.approx(tan)
        expected = tan / (2 * math.pi * 120 * 100e-6)
        assert parts.esr_spec(100e-6, volts, family).value == pytest.approx(expected)
    assert parts.tan_delta(4700e-6, 50) == pytest.approx(0.10 + 4 * 0.02), (
        "+ 0.02 for every 1000 µF above 1000"
    )
    assert parts.tan_delta(1000e-6, 50) == pytest.approx(0.10)


def test_esr_guides_for_new_parts_stay_below_the_series_limit() -> None:
    """Two hand instruments' guides (Ω): typical new 100 µF/25 V 1.40, worst new 0.32; two more rows."""
    for c, volts, typical, worst in (
        (100e-6, 25, 1.40, 0.32),
        (1000e-6, 63, 0.09, 0.05),
        (220e-6, 35, 0.51, 0.17),
    ):
        limit = parts.esr_spec(c, volts).value
        assert worst < limit
        assert typical <= limit * 1.01


# ---- values of the trade: common practice, no source


def used_esr(ohms: float, c: float, volts: float) -> PointVerdict:
    if ohms >= parts.esr_outside(c, volts).value:
        return PointVerdict.OUTSIDE
    return PointVerdict.WITHIN if ohms <= parts.esr_doubtful(c, volts).value else PointVerdict.DOUBTFUL


def test_trade_values_of_esr() -> None:
    assert parts.esr_usual(220e-6, 50).value == pytest.approx(0.25, rel=0.02)
    assert used_esr(0.25, 220e-6, 50) is PointVerdict.WITHIN
    assert used_esr(0.49, 220e-6, 50) is PointVerdict.WITHIN
    assert used_esr(0.6, 220e-6, 50) is PointVerdict.DOUBTFUL
    assert 1.0 <= parts.esr_usual(10e-6, 25).value <= 2.01
    assert used_esr(1.5, 10e-6, 25) is PointVerdict.WITHIN
    for bad in (30.0, 90.0, math.inf):
        assert used_esr(bad, 10e-6, 25) is PointVerdict.OUTSIDE
        assert used_esr(bad, 220e-6, 50) is PointVerdict.OUTSIDE


def test_trade_values_of_a_voice_coil() -> None:
    low, high = parts.voice_coil_low(8.0).value, parts.voice_coil_high(8.0).value
    assert point_verdict(7.6, 0.1, low, high) is PointVerdict.WITHIN
    assert point_verdict(4.9, 0.1, low, high) is PointVerdict.OUTSIDE
    # Makers' sheets: 4 Ω 3.1-4, 8 Ω 5.1-8, 16 Ω 11-16; IEC 60268-5: least modulus 80 % of rated.
    for rated, least in ((4.0, 3.1), (8.0, 5.1), (16.0, 11.0)):
        assert parts.voice_coil_fail(rated).value < least <= parts.voice_coil_high(rated).value
    assert parts.rated_impedance_least(8.0).value == pytest.approx(6.4)


def test_trade_values_of_an_output_stage() -> None:
    assert parts.output_short().value > 3.0, "3 Ω between an output pin and a rail is a short"
    for volts in (0.48, 0.55, 0.70):
        low, high = parts.junction_low("bipolar").value, parts.junction_high("bipolar").value
        assert point_verdict(volts, 0.01, low, high) is PointVerdict.WITHIN, "a junction from each rail pin"
    assert parts.junction_short().value < parts.junction_low("schottky").value


def test_discharge_examples() -> None:
    """Worked by hand: 10 mF, 80 V, 100 Ω is below 10 V after 2.1 s, 64 W at first; 100 µF, 450 V, 10 kΩ."""
    assert powered.discharge_time(80, 10e-3, 100, 10).value == pytest.approx(2.1, abs=0.05)
    assert powered.discharge_peak_w(80, 100).value == pytest.approx(64.0)
    assert powered.discharge_time(450, 100e-6, 10e3, 60).value == pytest.approx(2.0, abs=0.05)
    assert powered.discharge_time(450, 100e-6, 10e3, 1).value == pytest.approx(6.1, abs=0.05)


def test_ripple_example() -> None:
    """0.16 A, 10 mF, 50 Hz: 0.16 V peak to peak; r.m.s. is that ÷ 2√3."""
    assert powered.ripple_pp(0.16, 10e-3, 50).value == pytest.approx(0.16)
    assert powered.ripple_rms_to_pp(0.16 / (2 * math.sqrt(3))) == pytest.approx(0.16)


# ---- IEC 60062, 60063, 60038

# IEC 60062 examples as printed on a reference page.
CODES = {
    "R47": 0.47,
    "4R7": 4.7,
    "470R": 470,
    "4K7": 4700,
    "47K": 47_000,
    "47K3": 47_300,
    "470K": 470_000,
    "4M7": 4.7e6,
}


@pytest.mark.parametrize(("code", "ohms"), CODES.items())
def test_iec_60062(code: str, ohms: float) -> None:
    assert preferred.decode(code) == pytest.approx(ohms)
    assert preferred.encode(ohms) == code


# IEC 60063, read from two reference pages (E3 to E48), computed (E96, E192) with the exception 9.19 → 9.20.
E12 = (1.0, 1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 3.9, 4.7, 5.6, 6.8, 8.2)
E48 = (1.0, 1.05, 1.1, 1.15, 1.21, 1.27, 1.33, 1.4, 1.47, 1.54, 1.62, 1.69, 1.78, 1.87, 1.96, 2.05,
       2.15, 2.26, 2.37,
       2.49, 2.61, 2.74, 2.87, 3.01, 3.16, 3.32, 3.48, 3.65, 3.83, 4.02, 4.22, 4.42, 4.64, 4.87, 5.11,
       5.36, 5.62, 5.9,
       6.19, 6.49, 6.81, 7.15, 7.5, 7.87, 8.25, 8.66, 9.09, 9.53)  # fmt: skip
E96_PART = (1.02, 1.07, 1.13, 1.18, 1.24, 1.3, 1.37, 1.43, 1.5, 1.58, 4.53, 4.99, 9.31, 9.76)


def test_iec_60063() -> None:
    assert preferred.series("E3") == (1.0, 2.2, 4.7)
    assert preferred.series("E6") == (1.0, 1.5, 2.2, 3.3, 4.7, 6.8)
    assert preferred.series("E12") == E12
    assert set(E12) < set(preferred.series("E24"))
    assert preferred.series("E48") == E48
    assert set(E48) < set(preferred.series("E96")) < set(preferred.series("E192"))
    assert set(E96_PART) < set(preferred.series("E96"))
    assert 9.20 in preferred.series("E192")
    assert 9.19 not in preferred.series("E192")
    assert [len(preferred.series(f"E{n}")) for n in (3, 6, 12, 24, 48, 96, 192)] == [
        3,
        6,
        12,
        24,
        48,
        96,
        192,
    ]


def test_iec_60038() -> None:
    """Low-voltage systems as a reference page prints them: 230/400 V 50 Hz, 120/208 … 347/600 V 60 Hz."""
    rows = {(hz, low, high) for hz, _, low, high in mains.IEC_60038}
    for row in (
        (50, 230, 400),
        (50, 400, 690),
        (60, 120, 208),
        (60, 230, 400),
        (60, 277, 480),
        (60, 347, 600),
        (60, 120, 240),
    ):
        assert row in rows
    assert mains.mains_band(230.0) == pytest.approx((207.0, 253.0))
