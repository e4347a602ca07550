"""What a run may say in the end, and what it leaves open."""

import msgspec
import pytest

from benchlog.bringup.claims import least_fraction, no_short_claim, not_judged, unseen
from benchlog.model.event import Key
from benchlog.model.instrument import Accuracy, Coupling, MeterSheet
from benchlog.model.quantity import Quantity
from benchlog.model.role import Role
from benchlog.model.step import DecidedBy, Outcome, StepRecord, StepVerdict
from benchlog.model.unit import Amplifier, OutputTopology, Plate, PlateKind, Supply

ALL = {Role.OUTPUT_DC: 0.1, Role.RAIL_PLUS: 0.1, Role.RAIL_MINUS: 0.1}
SUFFIX = "; a single shorted output device does not show at this voltage"


def record(volts: float, verdict: StepVerdict = StepVerdict.GO_UP, idle_a: float = 0.1) -> StepRecord:
    return StepRecord(
        fraction=volts / 120.0, set_v=volts, measured_v=volts, inrush_a=None, inrush_is_lower_bound=True,
        idle_a=idle_a, idle_u_a=0.012, acceptance_a=0.3, acceptance_source="x", stop_a=0.5, stop_source="x",
        verdict=verdict, decided_by=DecidedBy.PROGRAM, decision_reason="", settled_after_s=13.0,
    )  # fmt: skip


def claim(setup, records, plate_va: float = 300.0, outcome=Outcome.UNDECIDED, no_current=False, **options):
    unit = msgspec.structs.replace(setup.__globals__["UNIT"], plate=Plate(PlateKind.VOLT_AMPERES, plate_va))
    return no_short_claim(setup(unit, **options), records, outcome, no_current)


@pytest.mark.parametrize(
    ("plate_va", "fraction"), [(300.0, 0.10), (100.0, 0.10), (99.0, 0.15), (60.0, 0.15), (59.0, 0.20)]
)
def test_from_which_voltage_a_short_would_have_shown(plate_va: float, fraction: float) -> None:
    assert least_fraction(plate_va) == fraction


def test_a_cold_valve_rectifier_hides_a_short() -> None:
    """It conducts from somewhere between 40 and 75 % of mains (common practice)."""
    assert least_fraction(300.0, Amplifier.VALVE) == least_fraction(40.0, Amplifier.VALVE) == 0.80


@pytest.mark.parametrize(("plate_va", "least_v"), [(300.0, 12.0), (80.0, 18.0), (40.0, 24.0)])
def test_the_claim_may_be_printed_from_that_step_only(setup, plate_va: float, least_v: float) -> None:
    steps = [record(v) for v in (6.0, 12.0, 18.0, 24.0)]
    for k in range(1, 5):
        found = claim(setup, steps[:k], plate_va)
        assert (found is not None) is (steps[k - 1].measured_v >= least_v)


def test_it_says_up_to_which_voltage(setup) -> None:
    found = claim(setup, [record(6.0), record(12.0), record(24.0)])
    assert found == f"No short behind the transformer or across the rails seen up to 24 V{SUFFIX}"


def test_with_rails_and_output_read_nothing_is_added(setup) -> None:
    found = claim(setup, [record(6.0), record(12.0)], periods=dict(ALL))
    assert found == "No short behind the transformer or across the rails seen up to 12 V"


def test_at_nominal_a_shorted_device_does_show(setup) -> None:
    found = claim(setup, [record(v) for v in (12.0, 60.0, 120.0)], outcome=Outcome.COMPLETED)
    assert found == "No short behind the transformer or across the rails seen up to 120 V"


def test_steps_that_cannot_be_judged_do_not_count(setup) -> None:
    assert claim(setup, [record(12.0, StepVerdict.CANNOT_JUDGE)]) is None
    found = claim(setup, [record(12.0), record(18.0, StepVerdict.CANNOT_JUDGE)])
    assert found is not None and "up to 12 V" in found


def test_nothing_beyond_a_step_above_its_limit_counts(setup) -> None:
    assert claim(setup, [record(6.0), record(12.0, StepVerdict.WAIT), record(18.0)]) is None


@pytest.mark.parametrize("outcome", [Outcome.CUT_OFF, Outcome.ALARMED, Outcome.REFUSED])
def test_never_after_a_cut_off(setup, outcome: Outcome) -> None:
    assert claim(setup, [record(12.0)], outcome=outcome) is None


def test_never_where_no_current_was_seen(setup) -> None:
    assert claim(setup, [record(12.0, idle_a=0.01)]) is None
    assert claim(setup, [record(12.0)], no_current=True) is None


def test_a_switch_mode_unit_has_no_transformer_to_speak_of(setup) -> None:
    unit = msgspec.structs.replace(setup.__globals__["UNIT"], supply=Supply.SWITCH_MODE)
    assert no_short_claim(setup(unit), [record(120.0)], Outcome.COMPLETED, no_current=False) is None


def test_not_before_the_run_has_ended(rig) -> None:
    r = rig().to_step(0.20, 0.05)
    assert r.watch.no_short_claim is None
    r.press(Key.STOP)
    assert (
        r.watch.no_short_claim
        == f"No short behind the transformer or across the rails seen up to 18 V{SUFFIX}"
    )


def test_what_was_not_tested_is_said(rig) -> None:
    r = rig().to_step(0.20, 0.05)
    r.press(Key.STOP)
    found = r.watch.not_tested
    assert "Anything above 24 V" in found
    assert "Output under load and with signal" in found
    assert "DC at the output" in found
    assert "Rails: an open rail fuse does not show in the source current" in found
    assert "Soak" in found


def test_behind_a_lamp_the_idle_is_to_be_taken_again(rig) -> None:
    r = rig(lamp_w=100.0)
    assert "Idle current without the series lamp: to be taken again from a low step" in r.watch.not_tested


def test_the_absence_of_a_lamp_is_recorded_for_switch_mode(rig) -> None:
    unit = msgspec.structs.replace(rig.__globals__["UNIT"], supply=Supply.SWITCH_MODE)
    assert "First power behind a series lamp: it was not used" in rig(unit).watch.not_tested


def test_an_unknown_output_is_shown_not_judged(rig) -> None:
    unit = msgspec.structs.replace(rig.__globals__["UNIT"], topology=OutputTopology.UNKNOWN)
    r = rig(unit, periods=dict(ALL))
    assert any("not judged, as the kind of output is not known" in text for text in r.watch.not_tested)


def test_nothing_says_healthy_safe_passed_or_ok(rig) -> None:
    r = rig(soak_s=300.0)
    r.level[Role.SOURCE_CURRENT] = lambda v, t: 0.02 + 0.13 * min(v / 60.0, 1.0)
    r.run(1500.0)
    assert r.ended is not None
    words = {w.strip(".,;:()").casefold() for _, said in r.said for w in repr(said).replace("'", " ").split()}
    assert not words & {"healthy", "safe", "passed", "ok", "pass"}


def test_what_was_seen_serves_the_fault_patterns(rig) -> None:
    fine = MeterSheet((Accuracy(Quantity.AC_CURRENT, 0.003, 10, 0.0001),))
    r = rig(periods=dict(ALL) | {Role.SOURCE_POWER: 0.1}, ammeter=fine)
    r.level[Role.SOURCE_POWER] = lambda v, t: 0.6 * v * (0.02 + 0.08 * (v / 24.0) ** 3)
    r.level[Role.RAIL_PLUS] = lambda v, t: 0.4 * v
    r.level[Role.RAIL_MINUS] = lambda v, t: -0.4 * v
    r.to_step(0.20, lambda v, t: 0.02 + 0.08 * (v / 24.0) ** 3)
    r.level[Role.OUTPUT_DC] = 8.5
    r.run(1.0)
    assert r.watch.latched
    seen = r.watch.seen
    assert [round(s.fraction, 2) for s in seen] == [0.05, 0.10, 0.15, 0.20]
    assert (seen[-1].output_dc_v, seen[-1].rail_plus_v) == (8.5, pytest.approx(9.6))
    assert seen[0].power_factor == pytest.approx(0.6, abs=0.01)
    assert any("output device" in p.name for p in r.watch.fault_patterns)


def test_volt_amperes_of_a_few_counts_tell_no_power_factor(rig) -> None:
    r = rig(periods={Role.SOURCE_POWER: 0.1})
    r.level[Role.SOURCE_POWER] = lambda v, t: 0.6 * v * 0.02
    r.to_step(0.20, 0.02)
    assert [record.power_factor for record in r.watch.records] == [None, None, None]
    assert all(record.power_w is not None for record in r.watch.records)


def test_a_clamp_that_passes_ac_only_leaves_the_dc_untested(rig) -> None:
    sheet = msgspec.structs.replace(rig.__globals__["CLAMP"], coupling=Coupling.AC)
    assert (
        "DC in the source current: the ammeter's path passes AC only" in rig(ammeter=sheet).watch.not_tested
    )


def test_steps_of_which_the_same_is_to_be_said_are_one_sentence() -> None:
    word = {"decided_by": DecidedBy.TECHNICIAN, "decision_reason": "no lamp at hand"}
    waits = [msgspec.structs.replace(record(v, StepVerdict.WAIT), **word) for v in (48.0, 60.0)]
    other = msgspec.structs.replace(record(78.0, StepVerdict.WAIT), decision_reason="Wait: rails unequal")
    assert not_judged([record(36.0), *waits, other], ("a note",)) == (
        "48 V, 60 V: at wait; the technician's word: no lamp at hand",
        "78 V: at wait: rails unequal",
        "a note",
    )


def test_a_current_within_its_bound_is_unseen() -> None:
    assert unseen(record(12.0, idle_a=0.001))
    assert not unseen(record(12.0))
    assert not unseen(msgspec.structs.replace(record(12.0, idle_a=0.001), idle_u_a=None))
