"""Limits by name: what each takes, what it refuses, and that each says where it comes from."""

import math

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlog.limits import fuse, mains, parts, powered, preferred, safety
from benchlog.limits.catalogue import look_up, names
from benchlog.model.errors import UsageError
from benchlog.model.limit import Confidence
from benchlog.model.unit import Core, OutputTopology, Plate, PlateKind, Unit

EXAMPLES = {
    "acceptance": {"v": "0.5", "plate-va": "300"},
    "stop": {"v": "0.5", "plate-w": "200", "fuse": "T4AL250V", "core": "frame"},
    "plate-a": {"plate-a": "2.5"},
    "plate-w": {"plate-va": "300"},
    "plate-hard-bound-a": {"plate-a": "2.5"},
    "plate-expected-w": {"output-w": "200"},
    "idle-ceiling-w": {"plate-w": "200"},
    "source-fraction": {"rated-voltage-v": "130", "nominal-v": "120"},
    "worst-inrush-a": {"volts": "230", "ohms": "3"},
    "winding-ohms": {"va": "300", "volts": "230"},
    "plate": {},
    "fuse-hold": {"marking": "T2AL250V"},
    "fuse-open-earliest": {"marking": "T2AL250V", "current-a": "8"},
    "fuse-open-latest": {"marking": "T2AL250V", "current-a": "8"},
    "fuse-melting-i2t": {"marking": "T2AH250V"},
    "fuse-pulse-i2t": {"marking": "T2AH250V", "pulses": "100"},
    "fuse-cold-ohms": {"marking": "T2AH250V"},
    "esr-spec": {"c-f": "220e-6", "rated-v": "50"},
    "esr-usual": {"c-f": "220e-6", "rated-v": "50"},
    "esr-doubtful": {"c-f": "220e-6", "rated-v": "50"},
    "esr-outside": {"c-f": "220e-6", "rated-v": "50", "family": "chip"},
    "leakage": {"c-f": "220e-6", "rated-v": "50"},
    "voice-coil-low": {"ohms": "8"},
    "voice-coil-high": {"ohms": "8"},
    "voice-coil-fail": {"ohms": "8"},
    "impedance-least": {"ohms": "8"},
    "junction-low": {"device": "silicon"},
    "junction-high": {"device": "mosfet"},
    "emitter-resistor-low": {"ohms": "0.22"},
    "emitter-resistor-high": {"ohms": "0.22"},
    "offset-doubtful": {"topology": "direct"},
    "offset-outside": {"topology": "servo"},
    "bias-current": {"volts": "0.01", "ohms": "0.22"},
    "ripple-pp": {"current-a": "0.16", "c-f": "0.01", "mains-hz": "50"},
    "ripple-capacitance": {"current-a": "0.16", "ripple-v": "0.16", "mains-hz": "50"},
    "discharge-time": {"volts": "80", "c-f": "0.01", "ohms": "100"},
    "discharge-peak-w": {"volts": "80", "ohms": "100"},
    "safety": {"test": "earth-ohms", "scheme": "de"},
    "preferred": {"value": "4800"},
    "value-code": {"code": "4K7"},
}


@pytest.mark.parametrize("name", [entry.name for entry in names()])
def test_each_limit_has_value_unit_source_and_confidence(name: str) -> None:
    found = look_up(name, EXAMPLES.get(name, {}))
    assert math.isfinite(found.value)
    assert found.source
    assert isinstance(found.confidence, Confidence)
    assert set(msgspec.to_builtins(found)) == {"name", "value", "unit", "source", "confidence"}


@pytest.mark.parametrize("name", [entry.name for entry in names()])
def test_what_comes_from_memory_says_so(name: str) -> None:
    found = look_up(name, EXAMPLES.get(name, {}))
    assert ("memory" in found.source) == (found.confidence is Confidence.UNVERIFIED)


def test_the_list_tells_parameters() -> None:
    entries = {entry.name: entry for entry in names()}
    assert [p.name for p in entries["fuse-open-latest"].parameters] == ["marking", "current-a"]
    topology = entries["offset-outside"].parameters[0]
    assert topology.required
    assert topology.kind == "direct|servo|capacitor|bridge|unknown"
    assert all(entry.about for entry in entries.values())


@pytest.mark.parametrize(
    ("typed", "farad"),
    [("220u", 220e-6), ("220µ", 220e-6), ("2u2", 2.2e-6), ("2.2u", 2.2e-6), ("1e-6", 1e-6)],
)
def test_a_number_may_be_written_as_the_trade_writes_it(typed: str, farad: float) -> None:
    found = look_up("esr-usual", {"c-f": typed, "rated-v": "50"}).value
    assert found == look_up("esr-usual", {"c-f": repr(farad), "rated-v": "50"}).value


@pytest.mark.parametrize(
    ("name", "given_", "message"),
    [
        ("stopp", {}, "Do you mean stop"),
        ("nothing like it", {}, "--list"),
        ("c-f=220u", {}, "Name the limit first: esr-spec, .* take c-f"),
        ("stop", {}, "needs v"),
        ("stop", {"v": "x", "plate-va": "1"}, "v=x: give number, e.g. 0.5, 220u or 4k7"),
        ("esr-usual", {"c-f": "220z", "rated-v": "50"}, "c-f=220z: give number"),
        ("stop", {"v": "0.5"}, "nameplate"),
        ("stop", {"v": "0.5", "speed": "1"}, "does not take speed"),
        ("first-step", {"core": "round"}, r"give toroidal\|frame"),
        ("offset-outside", {"topology": "unknown"}, "topology"),
        ("safety", {"test": "earth-ohms", "scheme": "fr"}, "There is: earth-ohms de i"),
        ("safety", {"test": "smell", "scheme": "de"}, "earth-ohms"),
        ("fuse-hold", {"marking": "two amps"}, "no fuse marking"),
        ("fuse-open-latest", {"marking": "FF2AL", "current-a": "8"}, "No sheet"),
        ("fuse-melting-i2t", {"marking": "M2AL"}, "No melting"),
        ("esr-spec", {"c-f": "0", "rated-v": "50"}, "above zero"),
        ("esr-spec", {"c-f": "1e-6", "rated-v": "50", "family": "paper"}, "family"),
        ("esr-spec", {"c-f": "1e-6", "rated-v": "50", "frequency-hz": "50"}, "below 100 Hz"),
        ("junction-low", {"device": "valve"}, "no device"),
        ("voice-coil-low", {"ohms": "0"}, "above zero"),
        ("value-code", {"code": "12"}, "no value code"),
        ("preferred", {"value": "-1"}, "above zero"),
        ("preferred", {"value": "1", "series": "E7"}, "no series"),
    ],
)
def test_what_can_not_be_meant_is_refused(name: str, given_: dict[str, str], message: str) -> None:
    with pytest.raises(UsageError, match=message):
        look_up(name, given_)


@pytest.mark.parametrize(
    ("marking", "rated_a", "characteristic", "breaking", "standard"),
    [
        ("T2AL250V", 2.0, "T", "L", "iec"),
        ("F 3,15 A H 250 V", 3.15, "F", "H", "iec"),
        ("T250mAL", 0.25, "T", "L", "iec"),
        ("TT1.25A", 1.25, "TT", "", "iec"),
        ("2A", 2.0, "", "", "iec"),
        ("UL 2A", 2.0, "", "", "ul"),
        ("t6.3ah250v", 6.3, "T", "H", "iec"),
    ],
)
def test_fuse_markings(
    marking: str, rated_a: float, characteristic: str, breaking: str, standard: str
) -> None:
    found = fuse.parse_fuse(marking)
    assert found.rated_a == pytest.approx(rated_a)
    assert (found.characteristic, found.breaking, found.standard) == (characteristic, breaking, standard)


FUSES = st.sampled_from(
    ["T2AL250V", "F2AL250V", "T2AH250V", "F1AH", "T63mAL", "T10AH", "T2A", "UL T 2A", "UL 40A"]
)


@given(marking=FUSES, multiple=st.floats(0.5, 60), step=st.floats(1.0, 2.0))
def test_times_to_open_form_a_falling_band(marking: str, multiple: float, step: float) -> None:
    one = fuse.parse_fuse(marking)
    current = multiple * one.rated_a
    earliest, latest = fuse.open_earliest(one, current).value, fuse.open_latest(one, current).value
    assert earliest <= latest
    assert fuse.open_latest(one, step * current).value <= latest
    assert fuse.open_earliest(one, step * current).value <= earliest
    if multiple <= 1.0:
        assert math.isinf(earliest)
        assert math.isinf(latest)


def test_an_unmarked_breaking_capacity_takes_the_wider_band() -> None:
    either, low, high = (fuse.parse_fuse(m) for m in ("T2A", "T2AL", "T2AH"))
    assert fuse.open_latest(either, 8.0).value == max(fuse.open_latest(f, 8.0).value for f in (low, high))
    assert fuse.open_earliest(either, 8.0).value == min(fuse.open_earliest(f, 8.0).value for f in (low, high))


def test_plate() -> None:
    watts = Unit(plate=Plate(PlateKind.WATTS, 210.0))
    assert mains.plate_a(watts).value == pytest.approx(2.5)
    assert mains.plate_w(watts).value == 210.0
    assert mains.idle_ceiling_w(watts).value == 105.0
    assert mains.plate_w(Unit(plate=Plate(PlateKind.AMPERES, 2.5))).value == pytest.approx(210.0)
    assert mains.expected_plate_w(400.0).value == pytest.approx(0.568 * 400, rel=1e-2)
    assert mains.mains_band(230.0) == pytest.approx((207.0, 253.0))


def test_first_step_counts_an_unknown_core_as_toroidal() -> None:
    assert (
        mains.first_step().value == mains.first_step(Core.TOROIDAL).value < mains.first_step(Core.FRAME).value
    )


@given(va=st.floats(10, 5000), volts=st.floats(100, 240))
def test_a_larger_transformer_has_less_winding_resistance(va: float, volts: float) -> None:
    assert mains.winding_ohms(1.1 * va, volts).value < mains.winding_ohms(va, volts).value


def test_refusals_of_the_mains_side() -> None:
    for bad in (
        lambda: mains.worst_inrush_a(230, 0),
        lambda: mains.winding_ohms(0, 230),
        lambda: mains.source_fraction(0, 1),
    ):
        with pytest.raises(UsageError):
            bad()


@given(c=st.floats(0.5e-6, 0.05), v=st.sampled_from([10.0, 16, 25, 35, 50, 63, 100]))
def test_esr_limits_are_ordered(c: float, v: float) -> None:
    usual, spec = parts.esr_usual(c, v).value, parts.esr_spec(c, v).value
    assert usual <= max(spec, parts.ESR_FLOOR_OHM)
    assert usual < parts.esr_doubtful(c, v).value < parts.esr_outside(c, v).value


def test_a_warm_part_reads_less() -> None:
    assert parts.esr_usual(220e-6, 50, celsius=33).value == pytest.approx(
        0.9 * parts.esr_usual(220e-6, 50).value
    )
    assert parts.esr_usual(220e-6, 50, celsius=90).value == parts.esr_usual(220e-6, 50, celsius=35).value


@given(volts=st.floats(2, 500), c=st.floats(1e-6, 0.1), ohms=st.floats(1, 1e5))
def test_discharge_is_exponential(volts: float, c: float, ohms: float) -> None:
    seconds = powered.discharge_time(volts, c, ohms, 1.0).value
    assert volts * math.exp(-seconds / (ohms * c)) == pytest.approx(1.0, rel=1e-9)
    assert powered.discharge_time(0.5, c, ohms, 1.0).value == 0.0


@given(current=st.floats(0.01, 10), c=st.floats(1e-5, 0.1), hz=st.sampled_from([50.0, 60.0]))
def test_ripple_and_capacitance_undo_each_other(current: float, c: float, hz: float) -> None:
    assert powered.capacitance(current, powered.ripple_pp(current, c, hz).value, hz).value == pytest.approx(c)


@pytest.mark.parametrize("topology", [t for t in OutputTopology if t is not OutputTopology.UNKNOWN])
def test_offsets_are_ordered(topology: OutputTopology) -> None:
    assert powered.offset_doubtful(topology).value < powered.offset_outside(topology).value


def test_safety_schemes_on_file() -> None:
    assert ("de", "i") in safety.schemes("earth-ohms")
    assert all(safety.safety("insulation-ohms", *key).value > 0 for key in safety.schemes("insulation-ohms"))


@given(value=st.floats(0.01, 9.9e9))
def test_codes_come_back(value: float) -> None:
    assert preferred.decode(preferred.encode(value)) == pytest.approx(value, rel=1e-3)


@given(value=st.floats(1e-9, 1e9), name=st.sampled_from(["E3", "E6", "E12", "E24", "E48", "E96", "E192"]))
def test_the_nearest_preferred_value_is_near(value: float, name: str) -> None:
    # half the widest gap between neighbours; IEC 60063: from E48 on 10^(i/n) rounded to three digits,
    # so that a gap is at most one step and one unit of the third digit (E192: 1.02 to 1.04)
    steps = int(name[1:])
    two_digits = {"E3": 0.5, "E6": 0.24, "E12": 0.12, "E24": 0.06}
    widest = two_digits.get(name, (10 ** (1 / steps) - 1 + 0.01) / 2)
    assert abs(preferred.nearest(value, name) / value - 1) < widest


@pytest.mark.parametrize("value", [0.0, -1.0, float("nan"), float("inf")])
@pytest.mark.parametrize(
    "limit",
    [
        parts.voice_coil_low,
        parts.rated_impedance_least,
        parts.emitter_resistor_low,
        parts.emitter_resistor_high,
        lambda x: parts.leakage(x, 50.0),
        lambda x: parts.leakage(1e-4, x),
        lambda x: parts.esr_usual(x, 50.0),
        mains.expected_plate_w,
    ],
)
def test_what_can_be_no_part_or_rating_is_refused(limit, value: float) -> None:
    with pytest.raises(UsageError, match="above zero"):
        limit(value)
