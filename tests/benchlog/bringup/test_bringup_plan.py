"""Step plans: the default of each kind, plan files, what is said before power, what is refused."""

from itertools import pairwise
from pathlib import Path

import msgspec
import pytest

from benchlog.bench.sheet import current_meter
from benchlog.bringup.plan import make_plan
from benchlog.bringup.planfile import PlanFile, PlanStep, load_plan
from benchlog.limits import bringup as rules
from benchlog.model.errors import PlanRefused, UsageError
from benchlog.model.instrument import Accuracy, MeterSheet
from benchlog.model.limit import Confidence
from benchlog.model.quantity import Quantity
from benchlog.model.role import Role
from benchlog.model.unit import Amplifier, Core, Fuse, OutputTopology, Plate, PlateKind, Supply, Unit

AMMETER = MeterSheet((Accuracy(Quantity.AC_CURRENT, 0.003, 10, 0.001),))
CLAMP = MeterSheet((Accuracy(Quantity.AC_CURRENT, 0.02, 5, 0.010, least=0.05),))
SOURCE = MeterSheet(rated_current_a=10.0, rated_voltage_v=150.0)
SHEETS = {Role.SOURCE_CURRENT: AMMETER, Role.SOURCE: SOURCE}
READS = (Role.SOURCE_CURRENT, Role.INLET_VOLTAGE)
UNIT = Unit(mains_v=120.0, plate=Plate(PlateKind.VOLT_AMPERES, 300.0), fuse=Fuse("T5AL250V", 5.0))


def unit(**changes: object) -> Unit:
    return msgspec.structs.replace(UNIT, **changes)


def plan(of: Unit = UNIT, sheets: dict[Role, MeterSheet] | None = None, **options: object):
    return make_plan(of, sheets or SHEETS, READS, **options)


def test_a_linear_class_ab_unit_has_eleven_steps_from_five_percent() -> None:
    steps = plan().steps
    assert [s.fraction for s in steps] == [0.05, 0.10, 0.15, 0.20, 0.30, 0.40, 0.50, 0.65, 0.80, 0.90, 1.00]
    assert [s.set_v for s in steps][:3] == [6.0, 12.0, 18.0]
    assert {s.fraction: s.dwell_min_s for s in steps if s.dwell_min_s} == {0.40: 60.0, 0.50: 60.0}
    assert {s.dwell_max_s for s in steps} == {120.0}


def test_each_step_carries_its_limits_with_source_and_confidence() -> None:
    limits = rules.step_limits(UNIT, current_meter(AMMETER), 10.0)
    for step in plan().steps:
        assert step.acceptance == rules.acceptance(limits, step.fraction)
        assert step.stop == rules.stop(limits, step.fraction)
        assert step.acceptance.source and step.stop.source


def test_a_class_a_unit_has_the_same_steps() -> None:
    assert [s.fraction for s in plan(unit(amplifier=Amplifier.CLASS_A)).steps] == [
        s.fraction for s in plan().steps
    ]


def test_a_valve_unit_does_not_stay_long_between_thirty_and_seventy_percent() -> None:
    found = plan(unit(amplifier=Amplifier.VALVE))
    assert [s.fraction for s in found.steps] == [0.05, 0.10, 0.20, 0.35, 0.50, 0.65, 0.80, 0.90, 1.00]
    assert {s.fraction: s.dwell_max_s for s in found.steps if s.dwell_max_s < 300.0} == {
        0.35: 120.0,
        0.50: 120.0,
        0.65: 120.0,
    }
    assert not any(s.dwell_min_s for s in found.steps)
    assert any("have a load connected" in text for text in found.warnings)


def test_a_switch_mode_unit_goes_from_a_short_look_to_ninety_percent() -> None:
    found = plan(unit(supply=Supply.SWITCH_MODE, amplifier=Amplifier.CLASS_D, core=None))
    assert [(s.fraction, s.short_check, s.dwell_min_s) for s in found.steps] == [
        (0.10, True, 2.0),
        (0.90, False, 0.0),
        (1.00, False, 0.0),
    ]
    assert any("series lamp is advised; no lamp is declared" in text for text in found.warnings)


def test_the_lamp_is_not_asked_for_where_it_is_declared() -> None:
    found = plan(unit(supply=Supply.SWITCH_MODE, core=None), lamp_w=100.0)
    assert not any("lamp" in text for text in found.warnings)


SLOW = PlanFile(tuple(PlanStep(f) for f in (0.10, 0.50, 1.00)))


def test_a_plan_that_stays_between_twenty_and_ninety_percent_is_refused_for_switch_mode() -> None:
    found = plan(unit(supply=Supply.SWITCH_MODE, core=None), file=SLOW)
    assert found.refused.startswith("The plan stays at 60 V, where a switch-mode supply starts and stops")
    assert 'procedure = "maker"' in found.refused


@pytest.mark.parametrize(("fraction", "refused"), [(0.20, False), (0.21, True), (0.89, True), (0.90, False)])
def test_the_forbidden_zone_is_open_at_both_ends(fraction: float, refused: bool) -> None:
    file = PlanFile((PlanStep(0.10), PlanStep(fraction), PlanStep(1.0)))
    assert bool(plan(unit(supply=Supply.SWITCH_MODE, core=None), file=file).refused) is refused


def test_a_makers_own_procedure_overrides_with_its_reason() -> None:
    file = msgspec.structs.replace(SLOW, procedure="maker", reason="service manual: ramp slowly from zero")
    found = plan(unit(supply=Supply.SWITCH_MODE, core=None), file=file)
    assert not found.refused
    assert found.procedure_reason == "service manual: ramp slowly from zero"
    assert "Maker's own procedure: service manual: ramp slowly from zero" in found.warnings


def test_a_refused_plan_can_not_be_run(setup) -> None:
    with pytest.raises(PlanRefused, match="switch-mode supply starts and stops"):
        setup(unit(supply=Supply.SWITCH_MODE, core=None), file=SLOW)


@pytest.mark.parametrize("hand_set", [False, True])
def test_a_plan_above_the_sources_range_is_refused(hand_set: bool) -> None:
    low = MeterSheet(rated_current_a=10.0, rated_voltage_v=119.0)
    found = plan(sheets={**SHEETS, Role.SOURCE: low}, hand_set=hand_set)
    assert found.refused.startswith("The plan goes to 120 V, above the source's range of 119 V")
    file = PlanFile((PlanStep(0.05), PlanStep(0.99)), procedure="maker", reason="manual")
    assert not plan(sheets={**SHEETS, Role.SOURCE: low}, hand_set=hand_set, file=file).refused


def test_a_makers_procedure_does_not_lift_the_sources_range() -> None:
    file = PlanFile((PlanStep(0.05), PlanStep(1.1)), procedure="maker", reason="manual")
    low = MeterSheet(rated_current_a=10.0, rated_voltage_v=130.0)
    assert plan(sheets={**SHEETS, Role.SOURCE: low}, file=file).refused


def test_the_first_step_of_a_linear_supply_is_at_most_twenty_percent() -> None:
    assert not plan(file=PlanFile((PlanStep(0.20), PlanStep(1.0)))).refused
    found = plan(file=PlanFile((PlanStep(0.25), PlanStep(1.0))))
    assert found.refused.startswith("The plan begins at 30 V; a transformer may saturate")
    maker = PlanFile((PlanStep(0.25), PlanStep(1.0)), procedure="maker", reason="manual")
    assert not plan(file=maker).refused


def test_steps_that_the_meter_cannot_judge_are_named_with_what_would_help() -> None:
    small = unit(plate=Plate(PlateKind.VOLT_AMPERES, 100.0), fuse=Fuse("T1.6AL250V", 1.6))
    found = plan(small, sheets={Role.SOURCE_CURRENT: CLAMP, Role.SOURCE: SOURCE})
    limits = rules.step_limits(small, current_meter(CLAMP), 10.0)
    for step in found.steps:
        assert step.judgeable is not rules.cannot_judge(limits, step.fraction)
        assert bool(step.remedy) is not step.judgeable or rules.cannot_watch(limits, step.fraction)
    named = next(
        text for text in found.warnings if text.startswith("Can't be judged with this meter: 6 V, 12 V")
    )
    assert "through a clamp" in named and "series lamp" in named


def test_with_five_turns_the_same_steps_can_be_judged() -> None:
    small = unit(plate=Plate(PlateKind.VOLT_AMPERES, 100.0), fuse=Fuse("T1.6AL250V", 1.6))
    turned = msgspec.structs.replace(CLAMP, turns=5)
    found = plan(small, sheets={Role.SOURCE_CURRENT: turned, Role.SOURCE: SOURCE})
    assert all(step.judgeable for step in found.steps)


def test_a_meter_that_can_not_watch_a_unit_is_said_so_before_power() -> None:
    tiny = unit(plate=Plate(PlateKind.VOLT_AMPERES, 10.0), core=Core.FRAME, fuse=Fuse("T100mAL250V", 0.1))
    found = plan(tiny, sheets={Role.SOURCE_CURRENT: CLAMP, Role.SOURCE: SOURCE})
    assert any(text.startswith("This meter can't watch this unit: ") for text in found.warnings)


def test_other_things_worth_saying_before_power() -> None:
    found = make_plan(UNIT, SHEETS, (Role.SOURCE_CURRENT,))
    assert any(text.startswith("The inlet voltage is not read") for text in found.warnings)
    assert any("core" in text for text in plan(unit(core=None)).warnings)
    reads = (*READS, Role.OUTPUT_DC)
    shown = make_plan(unit(topology=OutputTopology.UNKNOWN), SHEETS, reads)
    assert "The kind of output is not known: its DC is shown, not judged." in shown.warnings
    frame = unit(core=Core.FRAME, plate=Plate(PlateKind.VOLT_AMPERES, 40.0))
    assert any("magnetising current is normal" in text for text in plan(frame).warnings)


def test_without_an_ammeter_there_is_no_plan() -> None:
    with pytest.raises(UsageError, match="source-current"):
        make_plan(UNIT, SHEETS, (Role.INLET_VOLTAGE,))


def test_without_a_plate_there_is_no_plan() -> None:
    with pytest.raises(UsageError, match="nameplate"):
        plan(unit(plate=None))


def test_own_limits_of_a_step_carry_their_reason() -> None:
    own = PlanStep(0.5, acceptance_a=0.3, stop_a=0.5, reason="same model, job 12")
    found = plan(file=PlanFile((PlanStep(0.1), own, PlanStep(1.0))))
    step = found.steps[1]
    assert (step.acceptance.value, step.stop.value, step.own_limits) == (0.3, 0.5, True)
    assert step.stop.source == "plan file: same model, job 12"
    assert step.stop.confidence is Confidence.COMMON_PRACTICE


def test_an_own_acceptance_limit_brings_its_stop_limit_along() -> None:
    own = PlanStep(0.5, acceptance_a=0.3, reason="job 12")
    step = plan(file=PlanFile((PlanStep(0.1), own, PlanStep(1.0)))).steps[1]
    assert step.stop.value == pytest.approx(0.45)


def test_no_own_stop_limit_reaches_above_the_hard_bound() -> None:
    own = PlanStep(0.5, stop_a=50.0, reason="job 12")
    step = plan(file=PlanFile((PlanStep(0.1), own, PlanStep(1.0)))).steps[1]
    assert step.stop.value == pytest.approx(1.1 * 2.5)


def test_own_limits_act_and_are_continuous_between_steps(rig) -> None:
    own = PlanStep(0.5, acceptance_a=0.3, stop_a=0.4, reason="same model, job 12")
    file = PlanFile((PlanStep(0.1), own, PlanStep(1.0)))
    r = rig(file=file)
    bounds = r.watch._run.bounds
    by_rule = rules.step_limits(UNIT, current_meter(AMMETER), 10.0)
    assert bounds.stop_a(0.5) == pytest.approx(0.4)
    assert bounds.stop_a(0.1) == pytest.approx(rules.stop_a(by_rule, 0.1))
    levels = [bounds.stop_a(0.1 + 0.001 * k) for k in range(901)]
    assert max(abs(b - a) for a, b in pairwise(levels)) < 0.02
    assert bounds.stop(0.5).source == "the plan file's own limit"


def write(folder: Path, text: str) -> Path:
    path = folder / "plan.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_plan_file_is_read(tmp_path: Path) -> None:
    path = write(
        tmp_path,
        """
procedure = "maker"
reason = "service manual, ramp slowly"
[[step]]
volts = 12
dwell_s = 30
[[step]]
volts = 60
longest_s = 200
acceptance_a = 0.2
reason = "same model"
""",
    )
    file = load_plan(path)
    assert file.overrides
    steps = plan(file=file).steps
    assert [(s.set_v, s.fraction) for s in steps] == [(12.0, 0.1), (60.0, 0.5)]
    assert (steps[0].dwell_min_s, steps[1].dwell_max_s) == (30.0, 200.0)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "step"),
        ("step = []", "it has no"),
        ("[[step]]\nfraction = 0.1\nvolt = 3", "unknown field"),
        ("[[step]]\nfraction = 0.1\nvolts = 12", "give either fraction or volts"),
        ("[[step]]\ndwell_s = 3", "give either fraction or volts"),
        ("[[step]]\nfraction = 0.1\n[[step]]\nvolts = 60", "all steps as fractions or all as volts"),
        ("[[step]]\nfraction = 0.2\n[[step]]\nfraction = 0.2", "higher than the one before"),
        ("[[step]]\nfraction = 1.2", "at most 1.1"),
        ("[[step]]\nfraction = -0.1", "above 0"),
        ("[[step]]\nvolts = 4000", "at most 1000"),
        ("[[step]]\nfraction = 0.1\ndwell_s = -3", "dwell_s can't be"),
        ("[[step]]\nfraction = 0.1\nacceptance_a = nan\nreason = 'x'", "acceptance_a can't be"),
        ("[[step]]\nfraction = 0.1\ndwell_s = 30\nlongest_s = 20", "longest_s is below"),
        ("[[step]]\nfraction = 0.1\nstop_a = 1", "need their reason"),
        ("[[step]]\nfraction = 0.1\nstop_a = 1\nacceptance_a = 2\nreason = 'x'", "stop_a is below"),
        ('procedure = "maker"\n[[step]]\nfraction = 0.1', "needs its reason"),
        ('procedure = "mine"\n[[step]]\nfraction = 0.1', "procedure"),
        ("[[step]\nfraction", "can't be read"),
    ],
)
def test_a_plan_file_that_is_not_right_says_what_and_where(tmp_path: Path, text: str, says: str) -> None:
    path = write(tmp_path, text)
    with pytest.raises(UsageError, match=says) as raised:
        load_plan(path)
    assert "plan.toml" in str(raised.value)


def test_a_missing_plan_file_says_so(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="There is no plan file"):
        load_plan(tmp_path / "nowhere.toml")
