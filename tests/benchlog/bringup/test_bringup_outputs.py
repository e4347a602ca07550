"""Output DC and rails, where they are read."""

import msgspec
import pytest

from benchlog.bringup.outputs import Outputs
from benchlog.bringup.planfile import PlanFile, PlanStep
from benchlog.model.clock import US
from benchlog.model.event import StepDone
from benchlog.model.role import Role
from benchlog.model.step import StepVerdict
from benchlog.model.unit import Fuse, OutputTopology, Plate, PlateKind, Unit

BRIDGE = Unit(
    mains_v=120.0,
    plate=Plate(PlateKind.VOLT_AMPERES, 300.0),
    fuse=Fuse("T5AL250V", 5.0),
    topology=OutputTopology.BRIDGE,
)
ALL = {Role.OUTPUT_DC: 0.1, Role.RAIL_PLUS: 0.1, Role.RAIL_MINUS: 0.1}


def at(rig, fraction: float, topology: OutputTopology = OutputTopology.DIRECT, rail_v: float | None = None):
    """A unit with rails of 48 V at nominal, at a step, its window over."""
    unit = msgspec.structs.replace(rig.__globals__["UNIT"], topology=topology)
    file = PlanFile((PlanStep(0.05), PlanStep(fraction), PlanStep(1.0))) if fraction > 0.3 else None
    r = rig(unit, periods=dict(ALL), file=file)
    r.level[Role.RAIL_PLUS] = lambda v, t: 0.4 * v if rail_v is None else rail_v
    r.level[Role.RAIL_MINUS] = lambda v, t: -(0.4 * v if rail_v is None else rail_v)
    return r.to_step(fraction, 0.05)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_an_output_at_seven_tenths_of_its_rail_twice_is_cut_off_at_any_voltage(rig, sign: float) -> None:
    r = at(rig, 0.10)
    r.level[Role.OUTPUT_DC] = sign * 0.7001 * 4.8
    r.run(0.1)
    assert not r.watch.latched
    r.run(0.1)
    assert r.verdict.rule == "output-at-rail"
    assert f"{sign * 3.4:+.1f} V of a 4.8 V rail: a shorted output device" in r.verdict.reason


def test_less_than_seven_tenths_is_not(rig) -> None:
    r = at(rig, 0.10)
    r.level[Role.OUTPUT_DC] = 0.69 * 4.8
    r.run(5.0)
    assert not r.watch.latched


def test_it_is_the_rail_on_its_own_side_that_counts(rig) -> None:
    r = at(rig, 0.20)
    r.level[Role.RAIL_MINUS] = -4.0
    r.level[Role.OUTPUT_DC] = 4.0
    r.run(5.0)
    assert r.verdict.rule != "output-at-rail"


def test_a_rail_below_three_volts_proves_nothing(rig) -> None:
    r = at(rig, 0.10, rail_v=2.9)
    r.level[Role.OUTPUT_DC] = 2.9
    r.run(5.0)
    assert not r.watch.latched


@pytest.mark.parametrize(
    "topology", [OutputTopology.CAPACITOR, OutputTopology.BRIDGE, OutputTopology.UNKNOWN]
)
def test_other_topologies_are_not_cut_off_for_it(rig, topology: OutputTopology) -> None:
    r = at(rig, 0.20, topology)
    r.level[Role.OUTPUT_DC] = 8.0
    r.run(5.0)
    assert not r.watch.latched


def test_readings_in_the_window_serve_no_rule() -> None:
    outputs = Outputs(OutputTopology.DIRECT)
    outputs.begin(3 * US)
    outputs.take(Role.RAIL_PLUS, 0, 10.0, 0.2)
    for start_us in (0, 1 * US, 2 * US):
        assert outputs.take(Role.OUTPUT_DC, start_us, 10.0, 0.2) is None
    assert outputs.take(Role.OUTPUT_DC, 3 * US, 10.0, 0.2) is None
    found = outputs.take(Role.OUTPUT_DC, 4 * US, 10.0, 0.2)
    assert found is not None and found.kind == "cut-off"


def test_a_smaller_offset_below_half_voltage_is_a_warning(rig) -> None:
    r = at(rig, 0.20)
    r.level[Role.OUTPUT_DC] = 0.6
    r.run(20.0)
    assert not r.watch.latched
    warned = [m for m in r.marks("warning") if m.step == 3]
    assert [m.detail for m in warned] == ["+600 mV at the output; not judged below half voltage"]
    assert r.all(StepDone)[-1].record.verdict is StepVerdict.GO_UP


@pytest.mark.parametrize(
    ("topology", "offset_v", "waits"),
    [
        (OutputTopology.DIRECT, 0.101, True),
        (OutputTopology.DIRECT, 0.099, False),
        (OutputTopology.SERVO, 0.101, True),
        (OutputTopology.SERVO, 0.099, False),
        (OutputTopology.CAPACITOR, 0.2, True),
        (OutputTopology.UNKNOWN, 5.0, False),
    ],
)
def test_from_half_voltage_it_is_judged_by_topology(
    rig, topology: OutputTopology, offset_v: float, waits: bool
) -> None:
    r = at(rig, 0.65, topology)
    r.level[Role.OUTPUT_DC] = offset_v
    r.run(1.0)
    assert (r.verdict.rule == "output-dc") is waits
    if waits:
        assert "connect no loudspeaker" in r.verdict.reason


def test_an_offset_that_goes_away_lets_the_run_go_on(rig) -> None:
    r = at(rig, 0.65)
    r.level[Role.OUTPUT_DC] = -0.3
    r.run(20.0)
    assert r.verdict.rule == "output-dc"
    assert r.verdict.reason.startswith("Wait: -300 mV at the output")
    r.level[Role.OUTPUT_DC] = -0.01
    r.run(1.0)
    assert r.watch.records[-1].fraction == 0.65


def test_a_bridge_sits_at_half_its_rail(rig) -> None:
    file = PlanFile((PlanStep(0.05), PlanStep(0.65)))
    r = rig(BRIDGE, periods={Role.OUTPUT_DC: 0.1, Role.RAIL_PLUS: 0.1}, file=file)
    r.level[Role.RAIL_PLUS] = lambda v, t: 0.4 * v
    r.level[Role.OUTPUT_DC] = lambda v, t: 0.2 * v
    r.to_step(0.65, 0.05)
    r.run(1.0)
    assert r.verdict.rule != "output-dc"
    r.level[Role.OUTPUT_DC] = 0.65 * 31.2
    r.run(1.0)
    assert r.verdict.reason == "Wait: +20.3 V at the output; +15.6 V is usual there: connect no loudspeaker"


def test_a_bridge_on_split_rails_sits_between_them(rig) -> None:
    r = at(rig, 0.65, OutputTopology.BRIDGE)
    r.run(1.0)
    assert r.verdict.rule != "output-dc"


@pytest.mark.parametrize(("minus_v", "waits"), [(-17.9, False), (-17.2, True), (-19.2, False)])
def test_rails_unequal_by_more_than_ten_percent_and_a_volt(rig, minus_v: float, waits: bool) -> None:
    r = at(rig, 0.40)
    assert r.value(Role.RAIL_PLUS) == pytest.approx(19.2)
    r.level[Role.RAIL_MINUS] = minus_v
    r.run(0.1)
    assert r.verdict.rule != "rails"
    r.run(0.2)
    assert (r.verdict.rule == "rails") is waits


def test_ten_percent_of_low_rails_is_less_than_a_volt(rig) -> None:
    r = at(rig, 0.15)
    r.level[Role.RAIL_MINUS] = -6.3
    r.run(1.0)
    assert r.verdict.rule != "rails"
    r.level[Role.RAIL_MINUS] = -6.1
    r.run(1.0)
    assert r.verdict.reason == "Wait: rails unequal, +7.2 V and −6.1 V: a rail fuse, or a reservoir"


def test_without_rails_nothing_is_said_of_them(rig) -> None:
    r = rig(periods={Role.OUTPUT_DC: 0.1}).to_step(0.20, 0.05)
    r.level[Role.OUTPUT_DC] = 9.0
    r.run(5.0)
    assert not r.watch.latched
    assert "Rails: an open rail fuse does not show in the source current" in r.watch.not_tested
