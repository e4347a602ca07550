"""Fault patterns on readings made up from what the trade describes, and what they must not say."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlog.bench.sheet import CurrentMeter
from benchlog.limits import bringup, curve
from benchlog.limits.bringup import StepLimits, step_limits
from benchlog.limits.features import features
from benchlog.limits.forecast import forecast_current, forecast_power
from benchlog.limits.patterns import fault_patterns
from benchlog.model.pattern import Seen
from benchlog.model.reference import Reference, ReferencePoint
from benchlog.model.unit import Amplifier, Core, Plate, PlateKind, Supply, Unit

METER = CurrentMeter(0.003, 2, 0.001)
STEPS = (0.05, 0.10, 0.20, 0.30, 0.50, 0.70, 0.90, 1.00)
HEALTHY = (0.010, 0.021, 0.104, 0.160, 0.203, 0.227, 0.250, 0.260)
"""Settled amperes of a simulated 300 VA, 120 V class AB unit at those steps (ours)."""
REFERENCE = Reference(
    "invented 7",
    120.0,
    tuple(ReferencePoint(v, a, 1.25 * a, 60 * v * a) for v, a in zip(STEPS, HEALTHY, strict=True)),
)


def known(reference: bool = True, idle_w: float | None = None, **of) -> StepLimits:
    one = Unit(plate=Plate(PlateKind.VOLT_AMPERES, 300.0), idle_w=idle_w, **of)
    return step_limits(one, METER, 10.0, REFERENCE if reference else None)


def run(limits: StepLimits, amperes: dict[float, float], **same) -> list[Seen]:
    return [Seen(v, a, bringup.u_a(limits, a), **same) for v, a in amperes.items()]


def healthy(factor: float = 1.0) -> dict[float, float]:
    return {v: factor * a for v, a in zip(STEPS, HEALTHY, strict=True)}


def first(limits: StepLimits, seen: list[Seen]) -> str:
    found = fault_patterns(limits, seen)
    return found[0].name if found else ""


@pytest.mark.parametrize("factor", [0.9, 1.0, 1.1])
def test_a_unit_like_its_reference_fits_no_pattern(factor: float) -> None:
    limits = known()
    assert fault_patterns(limits, run(limits, healthy(factor), power_factor=0.57, crest_factor=3.4)) == ()
    assert fault_patterns(limits, run(limits, healthy(factor))) == ()


def test_nothing_seen_says_nothing() -> None:
    assert fault_patterns(known(), []) == ()


# I/Ir = v/regulation for a short behind the transformer (4-12 %); half-waves have even harmonics. Physics.
SHORT = {0.02: 0.4, 0.05: 1.2, 0.10: 2.6}


def test_shorted_rectifier_diode() -> None:
    limits = known(reference=False)
    found = fault_patterns(limits, run(limits, SHORT, power_factor=0.87, h2_ratio=0.3))
    assert found[0].name == "shorted rectifier diode"
    assert "second harmonic 0.30" in found[0].evidence
    assert "n = " in found[0].evidence


def test_short_across_the_rails() -> None:
    limits = known(reference=False)
    assert (
        first(limits, run(limits, SHORT, power_factor=0.96, h2_ratio=0.01))
        == "short across the rails (output pair)"
    )


def test_without_harmonics_the_two_are_not_told_apart() -> None:
    limits = known(reference=False)
    found = fault_patterns(limits, run(limits, SHORT))
    assert found[0].name == "undetermined"
    assert {p.name for p in found[1:3]} == {"shorted rectifier diode", "short across the rails (output pair)"}


def test_shorted_turns() -> None:
    limits = known()
    turns = {v: 1.4 * v + 0.02 for v in STEPS}
    found = fault_patterns(limits, run(limits, turns, power_factor=0.97, crest_factor=1.9))
    assert found[0].name == "shorted turns in the mains transformer"
    assert "secondaries disconnected" in found[0].tell_apart_by


def test_current_alone_names_no_shorted_turns_without_a_basis() -> None:
    limits = known(reference=False)
    assert not any("turns" in p.name for p in fault_patterns(limits, run(limits, healthy())))


def test_one_shorted_device_by_its_output() -> None:
    limits = known()
    seen = run(limits, {0.05: 0.01, 0.10: 0.021})
    seen.append(Seen(0.20, 0.25, 0.003, output_dc_v=-7.5, rail_plus_v=8.9, rail_minus_v=-8.6))
    found = fault_patterns(limits, seen)
    assert found[0].name == "one shorted output device"
    assert "-7.5 V" in found[0].evidence


def test_output_dc_of_other_outputs_is_not_read_as_a_shorted_device() -> None:
    from benchlog.model.unit import OutputTopology

    limits = known(topology=OutputTopology.CAPACITOR)
    seen = [Seen(0.20, 0.104, 0.003, output_dc_v=8.0, rail_plus_v=8.9, rail_minus_v=-8.6)]
    assert fault_patterns(limits, seen) == ()


def test_one_shorted_device_by_its_slope() -> None:
    limits = known()
    amperes = {0.05: 0.010, 0.10: 0.021, 0.15: 0.09, 0.20: 0.25, 0.30: 1.05, 0.40: 1.9}
    assert first(limits, run(limits, amperes, power_factor=0.8)) == "one shorted output device"


def test_an_output_near_zero_speaks_against_a_shorted_device() -> None:
    limits = known()
    amperes = {0.05: 0.010, 0.10: 0.021, 0.15: 0.09, 0.20: 0.25, 0.30: 1.05, 0.40: 1.9}
    seen = run(limits, amperes, power_factor=0.8, output_dc_v=0.02, rail_plus_v=9.0, rail_minus_v=-9.0)
    assert not any(p.name == "one shorted output device" for p in fault_patterns(limits, seen))


def test_an_excess_on_waking_alone_leaves_bias_and_a_shorted_device_undetermined() -> None:
    limits = known()
    found = fault_patterns(limits, run(limits, {0.05: 0.010, 0.10: 0.021, 0.20: 0.30, 0.30: 0.60}))
    assert [p.name for p in found] == ["undetermined"]
    assert "one shorted output device" in found[0].evidence
    assert "bias set too high" in found[0].evidence
    assert "millivolts across the emitter resistors" in found[0].tell_apart_by


def test_high_bias() -> None:
    limits = known()
    amperes = healthy() | {0.20: 0.35, 0.30: 0.55, 0.50: 0.62, 0.70: 0.64, 0.90: 0.66, 1.00: 0.68}
    assert first(limits, run(limits, amperes, power_factor=0.70)) == "bias set too high or its trimmer open"


def test_runaway() -> None:
    limits = known()
    seen = run(limits, {v: a for v, a in healthy().items() if v < 0.5})
    seen.append(Seen(0.50, 0.31, 0.003, power_factor=0.65, drift_per_min=0.6))
    found = fault_patterns(limits, seen)
    assert found[0].name == "bias running away"
    assert "60% a minute" in found[0].evidence


def test_leaky_reservoirs() -> None:
    limits = known()
    amperes = healthy() | {0.30: 0.187, 0.50: 0.255, 0.70: 0.316, 0.90: 0.41, 1.00: 0.47}
    assert first(limits, run(limits, amperes, power_factor=0.58)) == "leaky or unformed reservoirs"
    assert first(limits, run(limits, amperes, drift_per_min=-0.1)) == "leaky or unformed reservoirs"


def test_saturation() -> None:
    limits = known(core=Core.TOROIDAL)
    amperes = healthy() | {0.90: 0.30, 0.95: 0.45, 1.00: 0.70}
    seen = [
        Seen(v, a, bringup.u_a(limits, a), power_factor=0.25 if v > 0.93 else 0.5)
        for v, a in sorted(amperes.items())
    ]
    assert first(limits, seen).startswith("core saturating")


def test_rail_fuse() -> None:
    limits = known()
    found = fault_patterns(limits, run(limits, healthy(0.45)))
    assert found[0].name == "one rail missing: rail fuse open"
    seen = [Seen(0.3, 0.09, 0.003, rail_plus_v=14.1, rail_minus_v=-0.2)]
    assert "+14.1 and -0.2" in fault_patterns(known(reference=False), seen)[0].evidence


def test_no_current() -> None:
    limits = known(reference=False)
    seen = [Seen(0.2, 0.0, 0.002), Seen(0.4, 0.0, 0.002)]
    assert first(limits, seen) == "no current: fuse, switch or cord"
    assert first(limits, seen[:1]) == ""


def test_switch_mode_supply_that_does_not_start() -> None:
    limits = known(reference=False, supply=Supply.SWITCH_MODE)
    assert first(limits, [Seen(0.10, 0.002, 0.001), Seen(0.90, 0.021, 0.001, power_factor=0.05)]) == (
        "switch-mode supply not starting"
    )
    assert first(limits, [Seen(0.10, 0.002, 0.001), Seen(0.90, 0.27, 0.001, power_factor=0.5)]) == ""


def test_mains_side_short() -> None:
    limits = known(reference=False)
    assert (
        first(limits, run(limits, {0.02: 3.0, 0.04: 6.1}))
        == "short on the mains side: filter, varistor or primary"
    )


def test_valve_heaters_are_no_shorted_turns() -> None:
    limits = known(reference=False, amplifier=Amplifier.VALVE)
    heaters = {v: 0.45 * 2.5 * v**0.55 for v in STEPS}
    assert not any("turns" in p.name for p in fault_patterns(limits, run(limits, heaters, power_factor=0.97)))


def test_an_excess_that_nothing_explains_is_undetermined() -> None:
    limits = known()
    found = fault_patterns(limits, run(limits, {0.10: 0.021, 0.20: 0.16}))
    assert [p.name for p in found] == ["undetermined"]
    assert "1.5 × the expected current at 20%" in found[0].evidence


AMPERES = st.lists(st.floats(0.0, 30.0), min_size=len(STEPS), max_size=len(STEPS))
SHARES = st.one_of(st.none(), st.floats(0.0, 1.0))


@given(amperes=AMPERES, power_factor=SHARES, h2=SHARES, reference=st.booleans())
def test_whatever_is_read_each_pattern_has_evidence(
    amperes: list[float], power_factor: float | None, h2: float | None, reference: bool
) -> None:
    limits = known(reference)
    seen = run(limits, dict(zip(STEPS, amperes, strict=True)), power_factor=power_factor, h2_ratio=h2)
    for pattern in fault_patterns(limits, seen):
        assert pattern.evidence
        assert pattern.tell_apart_by
        assert not {"healthy", "safe", "passed", "OK"} & set(pattern.evidence.split())


def test_slopes_carry_the_meters_uncertainty() -> None:
    limits = known()
    fine = features(limits, [Seen(0.1, 0.1, 0.001), Seen(0.2, 0.2, 0.001)]).slopes[0]
    coarse = features(limits, [Seen(0.1, 0.1, 0.02), Seen(0.2, 0.2, 0.02)]).slopes[0]
    assert fine.n == pytest.approx(1.0)
    assert coarse.u > 10 * fine.u
    assert features(limits, [Seen(0.1, 0.01, 0.02), Seen(0.2, 0.2, 0.02)]).slopes == ()


# ---- forecasts


def test_forecast_by_a_reference_is_exact_for_a_unit_like_it() -> None:
    limits = known()
    seen = [(v, 1.3 * a) for v, a in list(healthy().items())[:5]]
    found = forecast_current(limits, seen, 0.70)
    assert found is not None
    assert found.middle == pytest.approx(1.3 * 0.227)
    assert found.low < found.middle < found.high
    assert "reference invented 7" in found.assumes
    assert "if nothing new wakes up" in found.assumes


def test_forecast_without_reference_falls_back() -> None:
    maker = forecast_current(known(reference=False, idle_w=17.0), [], 0.5)
    assert maker is not None
    assert "maker's idle figure" in maker.assumes
    assert forecast_current(known(reference=False), [], 0.5) is None
    own = forecast_current(known(reference=False), [(0.2, 0.104), (0.3, 0.160)], 0.5)
    assert own is not None
    assert own.low < 0.203 < own.high
    assert "own earlier steps" in own.assumes
    beyond = forecast_current(known(), [(0.9, 0.25)], 1.1)
    assert beyond is not None
    assert "own earlier steps" in beyond.assumes


def test_forecast_of_watts() -> None:
    found = forecast_power(known(), [(v, 66 * v * a) for v, a in list(healthy().items())[:5]], 0.70)
    assert found is not None
    assert found.middle == pytest.approx(66 * 0.7 * 0.227, rel=1e-6)
    own = forecast_power(known(reference=False), [(0.3, 3.4)], 0.5)
    assert own is not None
    assert own.low < 6.9 < own.high
    maker = forecast_power(known(reference=False, idle_w=17.0), [], 1.0)
    assert maker is not None
    assert maker.middle == pytest.approx(17.0)


@given(factor=st.floats(0.2, 5.0), v=st.floats(0.06, 0.99))
def test_forecast_follows_the_units_own_level(factor: float, v: float) -> None:
    limits = known()
    one = forecast_current(limits, [(0.05, HEALTHY[0])], v)
    other = forecast_current(limits, [(0.05, factor * HEALTHY[0])], v)
    assert one is not None
    assert other is not None
    assert other.middle == pytest.approx(factor * one.middle, rel=1e-9)


def test_the_expected_curve_is_the_basis_without_a_reference() -> None:
    limits = known(reference=False)
    found = features(limits, run(limits, {0.5: 2 * curve.expected_a(limits.expectation, 0.5)}))
    assert found.basis == "plate"
    assert found.excess[0].ratio == pytest.approx(2.0)
    assert found.excess[0].above
