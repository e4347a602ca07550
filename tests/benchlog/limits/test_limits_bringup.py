"""The limits of a step worked out by hand at single voltages, and what holds at every voltage."""

import math
from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchlog.bench.sheet import CurrentMeter, current_meter
from benchlog.limits import bringup, curve
from benchlog.limits.bringup import StepLimits, step_limits
from benchlog.limits.fuse import parse_fuse
from benchlog.model.errors import UsageError
from benchlog.model.instrument import Accuracy, MeterSheet
from benchlog.model.limit import Confidence
from benchlog.model.quantity import Quantity
from benchlog.model.reference import Reference, ReferencePoint
from benchlog.model.unit import Amplifier, Core, Plate, PlateKind, Supply, Unit

BENCH = CurrentMeter(0.003, 10, 0.001)
HANDHELD = CurrentMeter(0.01, 5, 0.001)
CLAMP = CurrentMeter(0.02, 5, 0.010, least_a=0.05)
EXACT = CurrentMeter(0.0, 0, 0.001)


def unit(
    va: float = 300.0, amplifier: str = "class-ab", supply: str = "linear", core: str = "toroidal", **more
) -> Unit:
    return Unit(
        amplifier=Amplifier(amplifier),
        supply=Supply(supply),
        core=Core(core) if core else None,
        plate=Plate(PlateKind.VOLT_AMPERES, va),
        **more,
    )


def limits(
    meter: CurrentMeter = BENCH, source_a: float | None = 10.0, reference: Reference | None = None, **of
) -> StepLimits:
    return step_limits(unit(**of), meter, source_a, reference)


REFERENCE = Reference(
    "invented 1",
    120.0,
    tuple(ReferencePoint(v, 0.05 + 0.2 * v, 1.25 * (0.05 + 0.2 * v)) for v in (0.1, 0.2, 0.5, 1.0)),
)


# ---- by hand


@pytest.mark.parametrize(
    ("v", "share"), [(0.0, 0.05), (0.05, 0.12), (0.075, 0.175), (0.3, 0.6), (0.75, 0.88), (1.3, 1.0)]
)
def test_share_of_idle(v: float, share: float) -> None:
    assert curve.idle_share(v) == pytest.approx(share)


def test_nameplate_row_at_half_voltage() -> None:
    # 150 VA at 120 V: Ir = 1.25 A, I_idle = 0.41875 A, s(0.5) = 0.76; Im = 1.25·0.02·(0.2 + 0.6·0.5⁸) = 5 mA.
    expected = 1.25 * math.hypot(0.41875 * 0.76, 1.25 * 0.02 * (0.4 * 0.5 + 0.6 * 0.5**8))
    found = limits(va=150.0)
    assert bringup.acceptance_a(found, 0.5) == pytest.approx(expected, rel=1e-12)
    assert bringup.stop_a(found, 0.5) == pytest.approx(1.7 * expected, rel=1e-12)  # class AB by its plate
    assert bringup.acceptance(found, 0.5).source.startswith("nameplate")


def test_a_large_unit_wakes_earlier() -> None:
    # 1200 VA: v′ = v·min(√(1200/170), 1.5) = 1.5·v, so s(0.15) is met at v = 0.10.
    e = curve.expect(unit(va=1200.0))
    assert curve.load_a(e, 0.10) == pytest.approx(0.335 * 10.0 * 0.37)
    # 244.8 VA: v′ = 1.2·v, so s(0.30) is met at v = 0.25; below 170 VA v′ = v.
    e = curve.expect(unit(va=244.8))
    assert curve.load_a(e, 0.25) == pytest.approx(0.335 * 2.04 * 0.60)
    assert curve.load_a(curve.expect(unit(va=90.0)), 0.30) == pytest.approx(0.335 * 0.75 * 0.60)


def test_plate_in_watts_counts_a_power_factor() -> None:
    one = Unit(plate=Plate(PlateKind.WATTS, 210.0))
    assert one.rated_a == pytest.approx(2.5)


@pytest.mark.parametrize(
    ("va", "core", "m"),
    [(300, "toroidal", 0.02), (300, "frame", 0.10), (40, "frame", 0.35), (300, "", 0.10), (40, "", 0.35)],
)
def test_core_and_an_unknown_core_takes_the_wider_band(va: float, core: str, m: float) -> None:
    e = curve.expect(unit(va=va, core=core))
    assert curve.magnetising_a(e, 1.0) == pytest.approx(va / 120.0 * m)


def test_a_small_frame_in_a_class_d_unit() -> None:
    e = curve.expect(unit(va=40.0, core="frame", amplifier="class-d"))
    assert curve.magnetising_a(e, 1.0) == pytest.approx(40.0 / 120.0 * 0.50)
    assert curve.core_share(unit(va=60.0, core="frame", amplifier="class-d")) == 0.10


def test_class_a_and_valve() -> None:
    assert curve.load_a(curve.expect(unit(amplifier="class-a")), 1.0) == pytest.approx(2.5)
    valve = curve.expect(unit(amplifier="valve"))
    assert curve.load_a(valve, 1.0) == pytest.approx(0.85 * 2.5)
    assert curve.load_a(valve, 0.1) == pytest.approx(max(0.85 * 2.5 * 0.23, 0.45 * 2.5 * 0.1**0.55))
    for v in (0.01, 0.05, 0.2, 0.5):
        heaters = 0.45 * 2.5 * v**0.55
        assert curve.load_a(valve, v) == pytest.approx(max(0.85 * 2.5 * curve.idle_share(v), heaters))


def test_switch_mode() -> None:
    # 300 VA at 120 V 60 Hz: I_idle = 0.335·2.5 A; X-capacitors of 0.47 µF draw 2π·60·0.47 µF·120 V = 21.3 mA.
    found = limits(supply="switch-mode")
    assert bringup.acceptance_a(found, 0.49) == bringup.floor_a(found)
    for v in (0.5, 0.8, 1.0):
        expected = 1.25 * math.hypot(0.8375 / v, 0.02126 * v)
        assert bringup.acceptance_a(found, v) == pytest.approx(expected, rel=1e-5)


def test_a_switch_mode_supply_for_all_mains_voltages_may_run_from_70_volts() -> None:
    """Such supplies start at 75-90 V and stop at 60-75 V whatever the nominal (common practice)."""
    found = limits(supply="switch-mode", mains_v=230.0)
    idle_a = 0.335 * 300.0 / 230.0
    assert bringup.acceptance_a(found, 69.0 / 230.0) == bringup.floor_a(found)
    assert bringup.acceptance_a(found, 75.0 / 230.0) == pytest.approx(
        1.25 * math.hypot(idle_a * 230.0 / 75.0, 2.0 * math.pi * 60.0 * 0.47e-6 * 75.0)
    )


def test_makers_idle_figure() -> None:
    # 100 W at 120 V: 100 ÷ (120·0.6) = 1.389 A, the core's 0.02 of 2.5 A at a right angle; × 1.15 at v = 1.
    found, idle_a = limits(idle_w=100.0), math.hypot(100 / 72, 0.02 * 2.5)
    assert bringup.acceptance_a(found, 1.0) == pytest.approx(1.15 * idle_a)
    assert bringup.acceptance(found, 1.0).confidence is Confidence.MAKER
    e = found.expectation
    share = curve.expected_a(e, 0.3) / curve.expected_a(e, 1.0)
    assert bringup.acceptance_a(found, 0.3) == pytest.approx(1.15 * idle_a * share)
    assert bringup.acceptance_a(limits(idle_a=0.9), 1.0) == pytest.approx(1.15 * 0.9)
    for amplifier, factor in (("class-a", 0.7), ("valve", 0.8)):
        by_watts = 100 / (120 * factor)
        found_a = curve.maker_idle_a(unit(idle_w=100.0, amplifier=amplifier))
        assert found_a == pytest.approx(math.hypot(by_watts, 0.05))


def test_the_stop_limit_is_higher_where_only_the_plate_of_a_class_ab_unit_is_known() -> None:
    def factor(**of: object) -> float:
        found = limits(**of)
        return bringup.stop_a(found, 0.5) / bringup.acceptance_a(found, 0.5)

    assert factor() == pytest.approx(1.7)
    assert "1.7 × acceptance limit" in bringup.stop(limits(), 0.5).source
    for of in (
        {"idle_a": 0.6},
        {"amplifier": "class-a"},
        {"supply": "switch-mode"},
        {"reference": REFERENCE},
    ):
        assert factor(**of) == pytest.approx(1.5)


def test_a_reference_serves_a_little_beyond_its_voltages_with_its_own_slope() -> None:
    points = tuple(ReferencePoint(f, 0.5 * f, 0.6 * f) for f in (0.2, 0.5, 0.8, 0.98))
    found = limits(reference=Reference("invented 2", 120.0, points))
    for v in (0.98, 1.0, 1.01):
        assert bringup.acceptance_a(found, v) == pytest.approx(0.6 * v, rel=0.01)
    assert "reference" not in bringup.acceptance(found, 1.02).source


def test_makers_figure_has_no_plate_ceiling() -> None:
    found = limits(idle_a=2.0)
    assert bringup.acceptance_a(found, 0.9) > 0.5 * 2.5


def test_reference_unit() -> None:
    found = limits(reference=REFERENCE)
    assert bringup.acceptance_a(found, 0.5) == pytest.approx(1.25 * 0.15)
    assert "reference unit invented 1" in bringup.acceptance(found, 0.5).source
    outside = bringup.acceptance(found, 0.05)
    assert "reference" not in outside.source
    narrow = Reference(
        "narrow", 120.0, tuple(ReferencePoint(p.fraction, p.current_a, p.current_a) for p in REFERENCE.points)
    )
    assert bringup.acceptance_a(limits(reference=narrow), 0.5) == pytest.approx(1.10 * 0.15)


def test_reference_goes_before_the_maker_and_the_nameplate_outside_it() -> None:
    found = limits(reference=REFERENCE, idle_w=100.0)
    assert "reference" in bringup.acceptance(found, 0.5).source
    # At 1.05 the reference says nothing: the nameplate row, although a maker's figure is known.
    assert bringup.acceptance(found, 1.05).source.startswith("nameplate")


def test_the_reference_also_keeps_the_floor_and_the_ceiling() -> None:
    low = Reference("low", 120.0, tuple(ReferencePoint(v, 0.001, 0.001) for v in (0.05, 1.0)))
    assert bringup.acceptance_a(limits(reference=low), 0.5) == bringup.floor_a(limits())
    high = Reference("high", 120.0, tuple(ReferencePoint(v, 2.0, 2.4) for v in (0.05, 1.0)))
    assert bringup.acceptance_a(limits(reference=high), 0.5) == pytest.approx(1.25)


def test_floor() -> None:
    # 5 % of Ir; 25 mA; or where the meter is coarse the current that equals 2U, at most 8 % of Ir.
    assert bringup.floor_a(limits(EXACT)) == pytest.approx(0.125)
    assert bringup.floor_a(limits(EXACT, va=24.0)) == pytest.approx(0.025)
    two_u = 2 * 2 / math.sqrt(3) * 0.05 / (1 - 2 * 2 / math.sqrt(3) * 0.02)
    assert bringup.floor_a(limits(CLAMP, va=240.0)) == pytest.approx(two_u)
    assert bringup.u_a(limits(CLAMP, va=240.0), two_u) == pytest.approx(two_u / 2)
    assert bringup.floor_a(limits(CLAMP, va=120.0)) == pytest.approx(0.08)


def test_ceiling() -> None:
    found = limits()
    assert bringup.ceiling_a(found, 0.5) == pytest.approx(1.25)
    assert bringup.ceiling_a(found, 0.90) == pytest.approx(1.25)
    assert bringup.ceiling_a(found, 0.915) == pytest.approx(0.8 * 2.5)
    assert bringup.ceiling_a(found, 0.93) == pytest.approx(2.75)
    assert bringup.ceiling_a(found, 1.1) == pytest.approx(2.75)
    for kind in (
        {"amplifier": "class-a"},
        {"amplifier": "valve"},
        {"supply": "switch-mode"},
        {"amplifier": "class-d"},
    ):
        assert math.isinf(bringup.ceiling_a(limits(**kind), 0.5))


def test_ceiling_says_so() -> None:
    high = Reference("high", 120.0, tuple(ReferencePoint(v, 2.0, 2.4) for v in (0.05, 1.0)))
    found = bringup.acceptance(limits(reference=high), 0.9)
    assert found.source == "nameplate ceiling: 50% of the rated current"


def test_fuse_and_source_cap_the_acceptance_limit() -> None:
    fused = limits(fuse=parse_fuse("T500mAL250V"))
    assert bringup.acceptance_a(fused, 1.0) == pytest.approx(0.5)
    assert "fuse T500mAL250V" in bringup.acceptance(fused, 1.0).source
    weak = limits(source_a=0.6)
    assert bringup.acceptance_a(weak, 1.0) == pytest.approx(0.6)
    assert bringup.acceptance(weak, 1.0).source == "rated current of the source"
    # UL types too: never above 1.0·In.
    assert bringup.acceptance_a(limits(fuse=parse_fuse("UL 0.5A")), 1.0) == pytest.approx(0.5)


def test_hard_bound() -> None:
    assert bringup.hard_bound_a(limits()) == pytest.approx(2.75)
    assert bringup.hard_bound_a(limits(fuse=parse_fuse("T2AL250V"))) == pytest.approx(2.0)
    assert bringup.hard_bound_a(limits(source_a=1.5)) == pytest.approx(1.5)
    assert math.isinf(bringup.hard_bound_a(limits(amplifier="valve", source_a=None)))
    assert bringup.hard_bound(limits(amplifier="valve", source_a=None)) is None
    found = bringup.hard_bound(limits(fuse=parse_fuse("T2AL250V")))
    assert found is not None
    assert found.source == "rated current of the fuse T2AL250V"


def test_stop_is_capped_but_never_below_acceptance_and_two_u() -> None:
    capped = limits(fuse=parse_fuse("T1.25AL250V"))
    assert bringup.stop_a(capped, 1.0) == pytest.approx(1.25)
    assert bringup.stop(capped, 1.0).source == "hard bound: rated current of the fuse T1.25AL250V"
    tight = limits(CLAMP, fuse=parse_fuse("T500mAL250V"))
    u = bringup.u_a(tight, 0.5)
    assert bringup.stop_a(tight, 1.0) == pytest.approx(0.5 + 2 * u)
    assert bringup.cannot_watch(tight, 1.0)
    assert bringup.remedy(tight, 1.0).startswith("This meter can't watch this unit")


def test_cannot_judge_and_the_turns_that_help() -> None:
    # 60 VA: Ir = 0.5 A; one-turn clamp U(0.04) = 58.7 mA: more than half of the 40 mA floor.
    coarse = limits(CLAMP, va=60.0)
    assert bringup.cannot_judge(coarse, 0.05)
    u1 = 2 / math.sqrt(3) * (0.02 * 0.04 + 0.05)
    by_formula = math.ceil(u1 / max(0.0125, 0.04 * 0.5))
    assert by_formula <= bringup.turns_needed(coarse, 0.05) <= by_formula + 1
    assert f"a clamp {bringup.turns_needed(coarse, 0.05)} times" in bringup.remedy(coarse, 0.05)
    mended = limits(CurrentMeter(0.02, 5, 0.010, bringup.turns_needed(coarse, 0.05)), va=60.0)
    assert not bringup.cannot_judge(mended, 0.05)
    assert bringup.remedy(limits(BENCH), 0.5) == ""


def test_go_up_counts_the_least_specified_current() -> None:
    clamp = limits(CLAMP)
    assert bringup.go_up_u_a(clamp, 0.01) == bringup.u_a(clamp, 0.05)
    assert bringup.go_up_u_a(clamp, 0.5) == bringup.u_a(clamp, 0.5)
    five = limits(CurrentMeter(0.02, 5, 0.010, 5, 0.05))
    assert bringup.go_up_u_a(five, 0.001) == bringup.u_a(five, 0.01)


def test_a_unit_without_a_plate_is_refused() -> None:
    with pytest.raises(UsageError, match="nameplate"):
        step_limits(Unit(), BENCH)


def test_meter_from_its_sheet() -> None:
    sheet = MeterSheet(
        (Accuracy(Quantity.AC_CURRENT, 0.01, 5, 0.001, range=2.0, range_fraction=0.001, least=0.02),), turns=3
    )
    found = current_meter(sheet)
    assert found == CurrentMeter(0.01, 7.0, 0.001, 3, 0.02)
    assert current_meter(sheet, turns=1).turns == 1
    only_range = MeterSheet((Accuracy(Quantity.AC_CURRENT, 0.01, 0, 0.0, range=2.0, range_fraction=0.001),))
    assert current_meter(only_range) == CurrentMeter(0.01, 1.0, 0.002)
    with pytest.raises(UsageError, match="sheet"):
        current_meter(MeterSheet())


# ---- at every voltage

UNITS = st.builds(
    unit,
    va=st.floats(30, 1000),
    amplifier=st.sampled_from(["class-ab", "class-a", "class-d", "valve"]),
    core=st.sampled_from(["toroidal", "frame", ""]),
    idle_w=st.one_of(st.none(), st.floats(5, 200)),
    fuse=st.one_of(
        st.none(), st.sampled_from([parse_fuse("T1AL"), parse_fuse("T4AL"), parse_fuse("UL 10A")])
    ),
)
METERS = st.sampled_from([BENCH, HANDHELD, CLAMP, CurrentMeter(0.02, 5, 0.010, 5, 0.05)])
VOLTS = st.floats(0.0, 1.15)


@given(one=UNITS, meter=METERS, source_a=st.one_of(st.none(), st.floats(0.5, 20)), v=VOLTS)
def test_what_always_holds(one: Unit, meter: CurrentMeter, source_a: float | None, v: float) -> None:
    found = step_limits(one, meter, source_a)
    acceptance, stop = bringup.acceptance_a(found, v), bringup.stop_a(found, v)
    assert 0.0 < acceptance < stop or meter == EXACT
    assert stop >= acceptance + 2 * bringup.u_a(found, acceptance) - 1e-12
    cap = min(source_a or math.inf, one.fuse.rated_a if one.fuse else math.inf)
    assert acceptance <= cap + 1e-12
    if not bringup.cannot_watch(found, v):
        assert stop <= bringup.hard_bound_a(found) + 1e-12
    assert bringup.acceptance(found, v).value == acceptance
    assert bringup.stop(found, v).value == pytest.approx(stop)
    assert bringup.stop(found, v).source
    assert bringup.cannot_judge(found, v) == (bringup.u_a(found, acceptance) > acceptance / 2)


@settings(deadline=None, max_examples=40)
@given(one=UNITS, meter=METERS)
def test_limits_are_continuous_on_linear_supplies(one: Unit, meter: CurrentMeter) -> None:
    found = step_limits(one, meter, 10.0)
    for limit in (bringup.acceptance_a, bringup.stop_a):
        values = np.array([limit(found, v) for v in np.linspace(0.001, 1.1, 2200)])
        assert np.abs(np.diff(values)).max() < 0.06 * one.rated_a


@settings(deadline=None, max_examples=40)
@given(one=UNITS, meter=METERS, a=VOLTS, b=VOLTS)
def test_limits_do_not_fall_with_voltage(one: Unit, meter: CurrentMeter, a: float, b: float) -> None:
    found = step_limits(one, meter, 10.0)
    low, high = sorted((a, b))
    assert bringup.acceptance_a(found, low) <= bringup.acceptance_a(found, high) + 1e-12


@given(one=UNITS, v=VOLTS)
def test_a_coarser_meter_never_lowers_the_stop_limit(one: Unit, v: float) -> None:
    fine, coarse = step_limits(one, HANDHELD, 10.0), step_limits(one, CLAMP, 10.0)
    assert bringup.stop_a(coarse, v) >= bringup.stop_a(fine, v) - 1e-12


def test_every_kind_has_limits() -> None:
    for amplifier, supply, core in product(Amplifier, Supply, (*Core, None)):
        found = step_limits(
            Unit(amplifier=amplifier, supply=supply, core=core, plate=Plate(PlateKind.AMPERES, 1.0)),
            BENCH,
            10.0,
        )
        assert all(bringup.stop_a(found, v / 100) > 0 for v in range(1, 111))
