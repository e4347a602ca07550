"""Silence, droop, lost links, nobody watching, readings that are not stored, clocks that jump."""

import pytest

from benchlog.model.clock import US
from benchlog.model.event import (
    AttentionChanged,
    Ended,
    Key,
    LinkChanged,
    Marked,
    SetSource,
    StepDone,
    StorageChanged,
    TimeJumped,
)
from benchlog.model.instrument import MeterSheet
from benchlog.model.role import Role
from benchlog.model.step import Outcome

WATCHED = (Role.SOURCE_CURRENT, Role.INLET_VOLTAGE)


def gone_for(r, role: Role, event_kind: type, rule: str = "") -> float:
    """Seconds from the last reading of a role until something was said."""
    last_us = max(
        e.reading.end_us for _, e in r.told if getattr(e, "reading", None) and e.reading.channel.role is role
    )
    said_us = next(
        t for t, s in r.said if isinstance(s, event_kind) and (not rule or getattr(s, "rule", "") == rule)
    )
    return (said_us - last_us) / US


@pytest.mark.parametrize("role", WATCHED)
@pytest.mark.parametrize(("period_s", "stale_s"), [(0.1, 0.5), (0.4, 1.2)])
def test_stale_waits_with_an_alarm_then_cuts_off_at_twice_the_time(
    rig, role: Role, period_s: float, stale_s: float
) -> None:
    r = rig(periods={role: period_s}).to_step(0.10, 0.05)
    r.silent = {role}
    r.run(stale_s * 2 + 1.0)
    assert gone_for(r, role, type(r.verdict), f"stale:{role}") == pytest.approx(stale_s, abs=0.001)
    alarm = next(line for line in r.lines() if line.urgent)
    assert alarm.text.startswith("Alarm: no reading from the ")
    assert r.verdict.rule == "stale"
    assert gone_for(r, role, Ended) == pytest.approx(2 * stale_s, abs=0.001)


def test_a_reading_that_comes_back_in_time_lets_it_go_on(rig) -> None:
    r = rig().to_step(0.10, 0.05)
    r.silent = {Role.SOURCE_CURRENT}
    r.run(0.8)
    assert r.verdict.rule == f"stale:{Role.SOURCE_CURRENT}"
    r.silent = set()
    r.run(0.2)
    assert r.verdict.rule == "settling"
    r.run(20.0)
    assert r.ended is None


def test_silence_at_a_fast_bench_is_measured_in_real_seconds_too(rig) -> None:
    r = rig(time_scale=20.0).to_step(0.10, 0.05)
    r.silent = {Role.SOURCE_CURRENT}
    r.run(9.0)
    assert r.verdict.rule == "settling"
    r.run(2.0)
    assert r.verdict.rule == f"stale:{Role.SOURCE_CURRENT}"


def test_no_reading_at_all_never_switches_anything_on(rig) -> None:
    r = rig()
    r.silent = {Role.SOURCE_CURRENT}
    r.run(31.0)
    assert r.ended is not None
    assert (r.ended.outcome, r.ended.reason) == (
        Outcome.UNDECIDED,
        "Undecided: no reading from the ammeter; nothing was switched on",
    )
    assert not r.all(SetSource)


def test_an_inlet_below_what_was_set_is_cut_off_on_the_second_reading(rig) -> None:
    r = rig(source=MeterSheet(rated_current_a=10.0, rated_voltage_v=150.0, regulation=0.05)).to_step(
        0.40, 0.05
    )
    low_v = 48.0 * 0.95
    u_v = 2 / 3**0.5 * (0.005 * low_v + 0.2)
    r.turn(low_v - u_v + 0.05)
    r.run(2.0)
    assert not r.watch.latched
    r.turn(low_v - u_v - 0.1)
    r.run(0.1)
    assert not r.watch.latched
    r.run(0.1)
    assert r.verdict.rule == "droop"
    assert r.verdict.reason.startswith("Cut off. The inlet reads 45 V where 48 V was set")


@pytest.mark.parametrize(("volts", "cut"), [(40.7, False), (39.9, True)])
def test_fifteen_percent_where_the_regulation_is_not_known(rig, volts: float, cut: bool) -> None:
    r = rig(source=MeterSheet(rated_current_a=10.0, rated_voltage_v=150.0)).to_step(0.40, 0.05)
    r.turn(volts)
    r.run(2.0)
    assert r.watch.latched is cut


def test_with_a_series_lamp_droop_is_expected(rig) -> None:
    r = rig(lamp_w=100.0).to_step(0.40, 0.05)
    r.turn(30.0)
    r.run(5.0)
    assert not r.watch.latched


def test_by_hand_a_droop_is_a_warning_only(rig) -> None:
    r = rig(hand_set=True)
    r.level[Role.SOURCE_CURRENT] = 0.05
    r.to_step_by_hand(0.40)
    r.turn(39.0)
    r.run(0.3)
    assert not r.watch.latched
    assert [m.detail for m in r.marks("warning")] == ["The inlet reads 39 V where 48 V stood"]


def test_a_lost_source_link_is_cut_off_at_once(rig) -> None:
    r = rig().to_step(0.10, 0.05)
    said = r.tell(LinkChanged(Role.SOURCE, up=False, detail="connection reset"))
    assert r.verdict.rule == "source-link"
    assert "switch it off by hand" in r.verdict.reason
    assert any(isinstance(s, Ended) for s in said)


def test_a_lost_meter_link_waits_at_once_and_goes_on_with_its_next_reading(rig) -> None:
    r = rig().to_step(0.10, 0.05)
    r.tell(LinkChanged(Role.SOURCE_CURRENT, up=False))
    assert r.verdict.rule == "link:source-current"
    assert r.verdict.reason == "Wait: the link to the ammeter is lost"
    r.tell(LinkChanged(Role.SOURCE_CURRENT, up=True))
    assert r.verdict.rule == "link:source-current"
    r.run(0.2)
    assert r.verdict.rule == "settling"


def test_a_lost_link_of_another_instrument_is_recorded_only(rig) -> None:
    r = rig().to_step(0.10, 0.05)
    r.tell(LinkChanged(Role.HEATSINK, up=False, detail="thermometer unplugged"))
    assert r.verdict.rule == "settling"
    assert r.marks("link-down")[0].detail == "thermometer unplugged"


@pytest.mark.parametrize("scale", [1.0, 5.0])
def test_nobody_watching_waits_after_ten_real_seconds_and_cuts_off_after_thirty(rig, scale: float) -> None:
    r = rig(time_scale=scale).to_step(0.05, 0.16)
    r.run(12.0)
    begun_us = r.now_us
    r.tell(AttentionChanged(watched=False))
    r.run(31.0 * scale, until=lambda r: r.verdict.rule == "unwatched")
    assert r.verdict.reason == "Wait: nobody is watching"
    assert (r.now_us - begun_us) / US == pytest.approx(10.0 * scale, abs=0.2)
    r.run(31.0 * scale, until=lambda r: r.ended)
    assert r.verdict.rule == "unwatched" and r.watch.latched
    assert (r.now_us - begun_us) / US == pytest.approx(30.0 * scale, abs=0.2)


def test_no_step_is_taken_while_nobody_watches(rig) -> None:
    r = rig().to_step(0.05, 0.02)
    r.tell(AttentionChanged(watched=False))
    r.run(11.5)
    assert r.verdict.rule == "unwatched"
    assert not r.all(StepDone)
    assert r.press(Key.GO_ON, "hurry")[0].detail == "Wait: nobody is watching"


def test_somebody_back_in_time_lets_it_go_on(rig) -> None:
    r = rig().to_step(0.05, 0.02)
    r.tell(AttentionChanged(watched=False))
    r.run(15.0)
    r.tell(AttentionChanged(watched=True))
    assert r.all(StepDone)
    r.run(60.0)
    assert not r.watch.latched


def good(v: float, t: float) -> float:
    return 0.02 + 0.13 * min(v / 60.0, 1.0)


def test_a_soak_goes_on_unwatched_and_says_so(rig) -> None:
    r = rig(soak_s=600.0).to_step(1.00, good)
    r.run(130.0)
    assert r.marks("soak-begun")
    r.tell(AttentionChanged(watched=False))
    r.run(100.0)
    assert not r.watch.latched
    assert [m.detail for m in r.marks("not-watched")] == ["Nobody is watching; the soak goes on"]


def test_nothing_is_begun_unwatched(rig, setup) -> None:
    r = rig()
    r.tell(AttentionChanged(watched=False))
    r.silent = set(WATCHED)
    r.run(11.0)
    r.silent = set()
    r.run(5.0)
    assert not r.all(SetSource)
    r.tell(AttentionChanged(watched=True))
    assert r.all(SetSource)


def test_no_new_step_while_readings_are_not_stored(rig) -> None:
    r = rig().to_step(0.05, 0.02)
    r.tell(StorageChanged(storing=False, detail="disk full"))
    assert r.verdict.reason == "Wait: readings are not being stored (disk full)"
    r.run(40.0)
    assert not r.all(StepDone) and not r.watch.latched
    r.tell(StorageChanged(storing=True))
    assert r.all(StepDone)


def test_the_line_comes_back_when_a_hand_set_source_is_on_its_way(rig) -> None:
    r = rig(hand_set=True)
    r.run(0.5)
    r.tell(StorageChanged(storing=False))
    r.run(1.0)
    r.tell(StorageChanged(storing=True))
    assert r.lines()[-1].text == "Turn the source to 6 V"
    assert r.lines()[-1].target_v == 6.0


def test_a_small_jump_of_the_clock_is_nothing(rig) -> None:
    r = rig().to_step(0.10, 0.05)
    assert r.tell(TimeJumped(0.4)) == []


def test_a_jump_is_a_stale_reading(rig) -> None:
    r = rig().to_step(0.10, 0.05)
    r.tell(TimeJumped(-0.6))
    assert r.verdict.rule == "time-jump"
    r.run(0.2)
    assert r.verdict.rule == "settling"


def test_a_sleep_of_the_computer_is_cut_off(rig) -> None:
    r = rig().to_step(0.10, 0.05)
    r.tell(TimeJumped(30.0))
    assert r.verdict.rule == "time-jump" and r.watch.latched


def test_each_alarm_is_marked_or_said_once(rig) -> None:
    r = rig().to_step(0.10, 0.05)
    r.silent = {Role.SOURCE_CURRENT}
    r.run(0.95)
    assert len([line for line in r.lines() if line.urgent]) == 1
    assert not [m for m in r.all(Marked) if m.what == "stale"]


def test_an_ammeter_that_does_not_move_with_the_voltage_is_suspected_of_being_on_hold(rig) -> None:
    r = rig().to_step(0.10, 0.05)
    r.frozen = True
    r.run(20.0)
    assert r.verdict.rule == "frozen"
    assert r.verdict.step == 2
    assert r.verdict.reason.startswith("Wait: the ammeter shows the same 0.050 A as before the voltage moved")
    assert [line.text for line in r.lines() if line.urgent] == ["Alarm: the ammeter does not move"]
    r.level[Role.SOURCE_CURRENT] = 0.051
    r.run(0.2)
    assert r.verdict.rule == "settling"


def test_identical_readings_of_few_counts_are_normal(rig) -> None:
    r = rig()
    r.frozen = True
    r.level[Role.SOURCE_CURRENT] = 0.009
    r.run(60.0)
    assert not [line for line in r.lines() if line.urgent]
