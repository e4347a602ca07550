"""A current that rises at one voltage."""

import msgspec
import pytest

from benchlog.model.clock import US
from benchlog.model.event import SwitchOff
from benchlog.model.role import Role
from benchlog.model.unit import Amplifier


def dwelling(rig, **options):
    """At 48 V with 0.2 A for 35 s."""
    r = rig(**options).to_step(0.40, 0.05)
    r.level[Role.SOURCE_CURRENT] = 0.20
    r.run(35.0)
    assert not r.watch.latched
    return r


def test_a_second_ten_percent_and_two_counts_above_that_of_thirty_seconds_before_cuts_off(rig) -> None:
    r = dwelling(rig)
    since_s = r.now_us / US
    r.level[Role.SOURCE_CURRENT] = 0.20 * 1.10 + 2 * 0.001 + 0.001
    r.run(5.0)
    assert r.verdict.rule == "rise-30s"
    assert 1.0 < r.when(SwitchOff) - since_s < 4.0
    assert r.verdict.reason.startswith("Cut off. The current rose from 0.20 A to 0.22 A in 30 s at 48 V")


def test_ten_percent_and_two_counts_are_not_more_than_that(rig) -> None:
    r = dwelling(rig)
    r.level[Role.SOURCE_CURRENT] = 0.20 * 1.10 + 2 * 0.001 - 0.0002
    r.run(20.0)
    assert not r.watch.latched


def test_a_single_second_is_not_enough(rig) -> None:
    r = dwelling(rig)
    r.level[Role.SOURCE_CURRENT] = 0.25
    r.run(0.9)
    r.level[Role.SOURCE_CURRENT] = 0.20
    r.run(10.0)
    assert not r.watch.latched


def test_a_steep_slope_cuts_off_before_thirty_seconds_have_passed(rig) -> None:
    r = rig().to_step(0.40, 0.05)
    begun_s = r.now_us / US
    r.level[Role.SOURCE_CURRENT] = lambda v, t: 0.20 + 0.004 * max(t - 12.0, 0.0)
    r.run(40.0)
    assert r.verdict.rule == "rise-slope"
    assert r.when(SwitchOff) - begun_s < 30.0


def test_the_rise_of_a_current_that_is_nearly_nothing_is_no_runaway(rig) -> None:
    """A good unit whose remanence wore off drew 23, then 38 mA at 10 % of mains: 0.8 % of rated."""
    r = rig().to_step(0.40, 0.05)
    least_a = 0.02 * r.setup.unit.rated_a
    r.level[Role.SOURCE_CURRENT] = lambda v, t: least_a * (0.4 + min(max(t - 12.0, 0.0), 29.0) / 50.0)
    r.run(45.0)
    assert not r.watch.latched
    r.level[Role.SOURCE_CURRENT] = 1.2 * least_a
    r.run(5.0)
    assert r.verdict.rule.startswith("rise")


def test_readings_of_the_first_ten_seconds_do_not_serve(rig) -> None:
    """A front end that wakes 9 s after the arrival is no runaway."""
    r = rig().to_step(0.40, 0.05)
    r.level[Role.SOURCE_CURRENT] = lambda v, t: 0.10 if t < 9.0 else 0.20
    r.run(50.0)
    assert not r.watch.latched


def test_it_acts_settled_or_not(rig) -> None:
    r = rig().to_step(0.40, 0.05)
    r.level[Role.SOURCE_CURRENT] = lambda v, t: 0.20 * 1.007**t
    r.run(60.0)
    assert r.watch.latched
    assert not [m for m in r.marks("settled") if m.step == 5]


def test_a_change_of_voltage_begins_the_rules_anew(rig) -> None:
    r = dwelling(rig)
    r.level[Role.SOURCE_CURRENT] = 0.23
    r.turn(48.7)
    r.run(20.0)
    assert not r.watch.latched


def test_a_change_within_one_percent_does_not(rig) -> None:
    r = dwelling(rig)
    r.level[Role.SOURCE_CURRENT] = 0.23
    r.turn(48.4)
    r.run(20.0)
    assert r.verdict.rule == "rise-30s"


def test_a_valve_amplifier_is_warned_of_once(rig) -> None:
    valve = msgspec.structs.replace(rig.__globals__["UNIT"], amplifier=Amplifier.VALVE)
    r = rig(valve)
    r.level[Role.SOURCE_CURRENT] = lambda v, t: 0.20 + 0.004 * max(t - 15.0, 0.0)
    r.run(60.0)
    assert not r.watch.latched
    warnings = r.marks("warning")
    assert len(warnings) == 1 and warnings[0].detail.startswith("The current rose")


def test_it_goes_on_while_a_hand_is_awaited(rig) -> None:
    r = rig(hand_set=True)
    r.level[Role.SOURCE_CURRENT] = 0.05
    r.to_step_by_hand(0.50)
    r.level[Role.SOURCE_CURRENT] = 0.20
    r.run(58.0)
    assert r.lines()[-1].text == "Turn the source to 78 V"
    r.level[Role.SOURCE_CURRENT] = 0.24
    r.run(5.0)
    assert r.verdict.rule == "rise-30s"


def test_a_soak_is_watched_by_the_same_rules(rig) -> None:
    r = rig(soak_s=1800.0).to_step(1.00, lambda v, t: 0.02 + 0.13 * min(v / 60.0, 1.0))
    r.run(200.0)
    assert r.marks("soak-begun")
    r.level[Role.SOURCE_CURRENT] = 0.18
    r.run(5.0)
    assert r.verdict.rule == "rise-30s"
    assert r.watch.records[-1].fraction == 1.0
    assert len(r.watch.records) == len(r.setup.steps)


@pytest.mark.parametrize("per_second", [2.5, 10.0])
def test_a_slow_meter_serves_too(rig, per_second: float) -> None:
    period = 1.0 / per_second
    r = rig(periods={Role.SOURCE_CURRENT: period, Role.INLET_VOLTAGE: period}).to_step(0.40, 0.05)
    r.level[Role.SOURCE_CURRENT] = 0.20
    r.run(38.0)
    r.level[Role.SOURCE_CURRENT] = 0.24
    r.run(6.0)
    assert r.verdict.rule == "rise-30s"
