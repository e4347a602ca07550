"""Verdicts on single readings, against the trade's own values and makers' tables.

Sources beside each row: "trade" is common practice, no source; "tan δ" is the table makers print for
general-purpose series (0.08 at 100 V … 0.20 at 10 V, + 0.02 each 1000 µF above 1000); "diode test" are meter
makers' notes on that function; "coil" are repairers' tables of DC resistance by rated impedance.
"""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlog.cold.budget import LEADS_OHM, uncertainty
from benchlog.cold.judge import compare, judge
from benchlog.cold.known import Seen
from benchlog.cold.voltages import judge_reservoir
from benchlog.limits.fuse import parse_fuse
from benchlog.measure.decision import point_verdict
from benchlog.model.errors import UsageError
from benchlog.model.known import Check, Known
from benchlog.model.limit import Confidence
from benchlog.model.point import PointKind
from benchlog.model.reading import Status
from benchlog.model.step import PointVerdict
from benchlog.model.unit import OutputTopology

W, D, O, N = PointVerdict.WITHIN, PointVerdict.DOUBTFUL, PointVerdict.OUTSIDE, PointVerdict.NONE  # noqa: E741


def esr(ohms: float | None, *, in_circuit: bool | None = False, u: float = 0.01, **more: object) -> Seen:
    return Seen(PointKind.ESR, ohms, u=u, in_circuit=in_circuit, **more)  # type: ignore[arg-type]


def cap(farad: float, rated_v: float, **more: object) -> Known:
    return Known(farad=farad, rated_v=rated_v, lead_zero_ohm=0.0, **more)  # type: ignore[arg-type]


A, B = cap(220e-6, 50), cap(10e-6, 25)
NEW_A, NEW_B = cap(220e-6, 50, used=False), cap(10e-6, 25, used=False)

ESR_ROWS = [
    # trade: 220 µF/50 V new about 0.25 Ω, used and good below 0.5 Ω
    (A, 0.25, False, W), (A, 0.45, False, W), (A, 0.70, False, D), (A, 5.0, False, O), (A, 30.0, False, O),
    # trade: 10 µF/25 V new 1-2 Ω; tens of ohms are bad
    (B, 1.5, False, W), (B, 3.5, False, W), (B, 8.0, False, D), (B, 25.0, False, O), (B, 40.0, False, O),
    # trade: limits of new parts are tighter
    (NEW_A, 0.22, False, W), (NEW_A, 0.45, False, D), (NEW_A, 0.70, False, O),
    (NEW_B, 1.5, False, W), (NEW_B, 3.5, False, D), (NEW_B, 25.0, False, O),
    # in circuit: can fail, can be doubted, never passes
    (A, 0.25, True, N), (A, 0.25, None, N), (A, 0.70, True, D), (A, 5.0, True, O),
]  # fmt: skip


@pytest.mark.parametrize(("known", "ohms", "in_circuit", "verdict"), ESR_ROWS)
def test_esr(known: Known, ohms: float, in_circuit: bool | None, verdict: PointVerdict) -> None:
    assert judge(esr(ohms, in_circuit=in_circuit), known).verdict is verdict


def test_a_used_part_is_outside_by_twice_the_makers_tan_delta_at_the_latest() -> None:
    """tan δ: 0.10 at 50 V, so 0.10/(2π·120·220 µF) = 0.603 Ω and 1.206 Ω at the end of life (200 %)."""
    found = judge(esr(1.25, u=0.02), A)
    assert found.verdict is O
    assert found.limit is not None
    assert found.limit.value == pytest.approx(2 * 0.10 / (2 * math.pi * 120 * 220e-6), rel=1e-3)
    assert found.limit.confidence is Confidence.MAKER
    assert judge(esr(1.15, u=0.02), A).verdict is D


def test_esr_is_corrected_for_temperature_and_leads() -> None:
    cold = cap(220e-6, 50, celsius=15.0)  # limit 0.5 · 1.08 = 0.54 Ω
    assert judge(esr(0.52), A).verdict is D
    assert judge(esr(0.52), cold).verdict is W
    assert judge(esr(0.60), Known(farad=220e-6, rated_v=50, lead_zero_ohm=0.2)).verdict is W


def test_esr_at_the_floor_or_too_uncertain_is_not_judged() -> None:
    big = cap(10e-3, 63)
    assert judge(esr(0.01, u=0.005), big).verdict is N
    assert judge(esr(0.05, u=0.2), big).verdict is N
    assert judge(esr(0.40, u=0.2), big).verdict is O
    assert judge(esr(0.25, u=math.inf), A).verdict is N
    assert judge(Seen(PointKind.ESR, 0.25, in_circuit=False), A).verdict is N


def test_low_esr_with_low_ohms_asks_for_a_leg_to_be_lifted() -> None:
    """A shorted capacitor reads a low ESR (testers' notes)."""
    shorted = cap(220e-6, 50, across_ohm=1.2)
    found = judge(esr(0.1, in_circuit=True), shorted)
    assert found.verdict is D
    assert "lift a leg" in found.reason
    assert judge(esr(0.1, in_circuit=False), shorted).verdict is O


def test_esr_that_reads_open() -> None:
    assert judge(esr(None, status=Status.OPEN_LEADS, in_circuit=True), B).verdict is O
    assert judge(esr(None, status=Status.OVERLOAD, range=30.0), B).verdict is O
    assert judge(esr(None, status=Status.OVERLOAD, range=15.0), B).verdict is N
    tiny = cap(1e-6, 50)
    assert judge(esr(None, status=Status.OVERLOAD), tiny).verdict is N
    assert judge(esr(None, status=Status.OVERLOAD, range=1000.0), tiny).verdict is O


def test_capacitance_by_twenty_percent() -> None:
    """tan δ tables: endurance ends at ΔC ±20 %."""

    def at(farad: float, in_circuit: bool | None = False) -> PointVerdict:
        seen = Seen(PointKind.CAPACITANCE, farad, u=0.02 * farad, in_circuit=in_circuit)
        return judge(seen, Known(farad=100e-6)).verdict

    assert [at(95e-6), at(80.5e-6), at(60e-6), at(130e-6)] == [W, D, O, O]
    assert at(95e-6, True) is N


def ohms(value: float | None, u: float = 0.05, **more: object) -> Seen:
    return Seen(PointKind.OHMS, value, u=u, **more)  # type: ignore[arg-type]


COIL_ROWS = [
    # coil: 4 Ω reads 2.6-4, 8 Ω 5.2-8, 16 Ω 11-16; below half or open it is gone
    (4, 3.2, W), (8, 6.0, W), (8, 5.6, W), (16, 12.0, W), (8, 4.8, D), (8, 8.6, D), (8, 3.5, O),
    (4, 0.8, O), (8, 12.0, O),
]  # fmt: skip


@pytest.mark.parametrize(("rated", "reads", "verdict"), COIL_ROWS)
def test_voice_coil(rated: float, reads: float, verdict: PointVerdict) -> None:
    known = Known(check=Check.VOICE_COIL, rated_ohm=rated, lead_zero_ohm=0.0)
    assert judge(ohms(reads), known).verdict is verdict


def test_voice_coil_open_and_leads() -> None:
    known = Known(check=Check.VOICE_COIL, rated_ohm=8, lead_zero_ohm=0.3)
    assert judge(ohms(None, status=Status.OVERLOAD), known).verdict is O
    assert judge(ohms(5.3), known).verdict is D  # 5.0 Ω without leads, below 0.65 × 8
    assert judge(ohms(6.0), Known(check=Check.VOICE_COIL)).verdict is N


def volts(value: float | None, polarity: str = "forward", **more: object) -> Seen:
    return Seen(PointKind.JUNCTION, value, u=0.01, polarity=polarity, **more)  # type: ignore[arg-type]


JUNCTION_ROWS = [
    # diode test
    ("silicon", 0.58, W), ("silicon", 0.85, D), ("silicon", 0.02, O), ("rectifier", 0.48, W),
    ("schottky", 0.25, W), ("schottky", 0.60, D), ("germanium", 0.28, W), ("led", 1.9, W),
    ("bipolar", 0.62, W),    ("bipolar", 0.30, D), ("bipolar", 0.0, O),
    # from memory: never a verdict but the short
    ("darlington", 1.1, N), ("mosfet", 0.50, N), ("mosfet", 0.0, O),
]  # fmt: skip


@pytest.mark.parametrize(("device", "reads", "verdict"), JUNCTION_ROWS)
def test_junction_forward(device: str, reads: float, verdict: PointVerdict) -> None:
    assert judge(volts(reads, in_circuit=False), Known(device=device)).verdict is verdict


def test_junction_both_polarities() -> None:
    known = Known(device="bipolar")
    open_ = {"status": Status.OVERLOAD, "in_circuit": False}
    assert judge(volts(None, "reverse", **open_), known).verdict is W
    assert judge(volts(None, "forward", **open_), known).verdict is O
    assert judge(volts(None, "", **open_), known).verdict is N
    assert judge(volts(0.6, "reverse", in_circuit=False), known).verdict is D
    assert judge(volts(0.6, "reverse", in_circuit=True), known).verdict is N
    assert judge(volts(None, "forward", **open_), Known(device="led")).verdict is N
    assert judge(volts(None, "", **open_), Known(device="collector-emitter")).verdict is W
    assert judge(volts(0.001, "", in_circuit=True), Known(device="collector-emitter")).verdict is O
    assert "breakdown" in judge(volts(0.62, in_circuit=False), known).reason
    with pytest.raises(UsageError, match="forward or reverse"):
        judge(volts(0.6, "upwards"), known)
    with pytest.raises(UsageError, match="no device"):
        judge(volts(0.6), Known(device="teapot"))


OHM_ROWS = [
    # trade: output pin to a rail below 5 Ω is a shorted device, above 1 kΩ is usual
    (Check.OUTPUT_TO_RAIL, 0.4, O), (Check.OUTPUT_TO_RAIL, 3.1, O), (Check.OUTPUT_TO_RAIL, 40.0, D),
    (Check.OUTPUT_TO_RAIL, 4700.0, W),
    # trade: rail to common below 20 Ω, steady, is a short; hundreds of ohms and more are usual
    (Check.RAIL, 2.0, O), (Check.RAIL, 15.0, O), (Check.RAIL, 50.0, D), (Check.RAIL, 900.0, W),
]  # fmt: skip


@pytest.mark.parametrize(("check", "reads", "verdict"), OHM_ROWS)
def test_output_and_rail(check: Check, reads: float, verdict: PointVerdict) -> None:
    assert judge(ohms(reads, u=0.1, in_circuit=True), Known(check=check)).verdict is verdict


def test_fuse_cold_resistance() -> None:
    """A maker's time-lag 2 A link reads about 0.07 Ω (fit 0.20·In^−1.45); > 10 × is bad (trade)."""
    known = Known(fuse=parse_fuse("T2AL250V"), lead_zero_ohm=0.1)
    assert judge(ohms(0.17, u=0.01), known).verdict is W
    assert judge(ohms(0.40, u=0.01), known).verdict is D
    assert judge(ohms(1.00, u=0.01), known).verdict is O
    assert judge(ohms(None, status=Status.OVERLOAD), known).verdict is O
    assert judge(ohms(0.2, u=0.2), Known(fuse=parse_fuse("T10AL250V"))).verdict is N


def test_emitter_resistor() -> None:
    """trade: ±10 % after the leads are taken off; open is a blown channel."""
    known = Known(check=Check.EMITTER_RESISTOR, rated_ohm=0.22, lead_zero_ohm=0.08)
    assert judge(ohms(0.30, u=0.01, in_circuit=True), known).verdict is W
    assert judge(ohms(0.60, u=0.01, in_circuit=True), known).verdict is O
    assert judge(ohms(0.18, u=0.01, in_circuit=True), known).verdict is D
    assert judge(ohms(0.18, u=0.01, in_circuit=False), known).verdict is O
    assert judge(ohms(0.30, u=0.1), known).verdict is N
    assert judge(ohms(None, status=Status.OVERLOAD), known).verdict is O
    assert judge(ohms(50.0, u=0.6), known).verdict is O


def test_resistor_by_its_marking() -> None:
    """4K7 is 4700 Ω (IEC 60062); ±5 % is 4465 to 4935."""
    known = Known(check=Check.RESISTOR, rated_ohm=4700.0)
    assert judge(ohms(4650, u=20, in_circuit=False), known).verdict is W
    assert judge(ohms(5200, u=20, in_circuit=True), known).verdict is O
    assert judge(ohms(3000, u=20, in_circuit=True), known).verdict is D


def test_winding_is_shown_and_only_an_open_one_is_judged() -> None:
    known = Known(check=Check.WINDING, transformer_va=300, winding_v=230)
    found = judge(ohms(5.0), known)
    assert found.verdict is N
    assert found.limit is not None
    assert found.limit.confidence is Confidence.UNVERIFIED
    assert judge(ohms(None, status=Status.OPEN_LEADS), known).verdict is O


def test_offset_by_topology() -> None:
    """trade: direct-coupled up to 20 mV, from 100 mV outside; unknown or from memory: none."""

    def at(v: float, topology: OutputTopology) -> PointVerdict:
        seen = Seen(PointKind.DC_VOLTS, v, u=0.001)
        return judge(seen, Known(check=Check.OFFSET, topology=topology)).verdict

    assert [at(v, OutputTopology.DIRECT) for v in (0.012, -0.05, -0.3)] == [W, D, O]
    assert at(0.3, OutputTopology.UNKNOWN) is N
    assert at(0.3, OutputTopology.SERVO) is N


def test_channel_against_channel() -> None:
    assert compare(ohms(900, u=9), ohms(1000, u=10)).verdict is W
    assert compare(ohms(900, u=9), ohms(2500, u=25)).verdict is D
    assert compare(ohms(900, u=400), ohms(1700, u=700)).verdict is N
    assert compare(esr(0.2), esr(0.9)).verdict is D
    assert compare(ohms(None, status=Status.OVERLOAD), ohms(3, u=0.1)).verdict is D
    assert compare(ohms(None, status=Status.OVERLOAD), ohms(None, status=Status.OPEN_LEADS)).verdict is N


def test_no_judgement_where_nothing_is_known() -> None:
    assert judge(ohms(3.0), Known()).verdict is N
    assert judge(esr(0.3), Known()).verdict is N
    assert judge(volts(0.6), Known()).verdict is N
    with pytest.raises(UsageError, match="not judged by a reading of kind esr"):
        judge(esr(0.3), Known(check=Check.VOICE_COIL))


def test_assumed_uncertainty_says_so() -> None:
    found = uncertainty(PointKind.OHMS, 3.1, 0.1)
    assert not found.known
    assert "assumed" in found.source
    assert found.u > LEADS_OHM
    assert uncertainty(PointKind.OHMS, 3.1, 0.1, stated=0.2).u == 0.2


@given(st.floats(0.001, 100), st.floats(0, 10), st.floats(0.001, 0.1))
def test_two_limits_agree_with_the_general_rule(y: float, u: float, half: float) -> None:
    """Where both limits are the same on each side, the zones are those of the general decision rule."""
    known = Known(check=Check.RESISTOR, rated_ohm=10.0, tolerance=half, lead_zero_ohm=0.0)
    found = judge(ohms(y, u=u, in_circuit=False), known).verdict
    general = point_verdict(y, u, 10.0 * (1 - half), 10.0 * (1 + half))
    assert found is general or (general is N and found is O)


@given(st.floats(0.0, 200.0), st.floats(0.0, 5.0))
def test_in_circuit_never_passes(reads: float, u: float) -> None:
    assert judge(esr(reads, u=u, in_circuit=True), A).verdict is not W


def test_a_reservoir_is_proved_below_one_volt_by_a_proved_meter() -> None:
    """Gates of 1 V and 10 V: ours, below the usual touch limit of 60 V DC."""

    def at(v: float, meter_proved: bool = True) -> PointVerdict:
        return judge_reservoir(Seen(PointKind.DC_VOLTS, v, u=0.02), meter_proved).verdict

    assert [at(v) for v in (0.02, -0.5, 0.99, 5.0, 41.0, -60.0)] == [W, W, D, D, O, O]
    assert at(0.02, meter_proved=False) is N
    assert at(41.0, meter_proved=False) is O
