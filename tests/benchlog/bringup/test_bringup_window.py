"""The inrush window and the stop limit after it."""

import math

import msgspec
import pytest

from benchlog.bringup.inrush import Inrush
from benchlog.bringup.overrun import Overrun
from benchlog.limits.fuse import parse_fuse
from benchlog.model.clock import US
from benchlog.model.event import InrushMeasured, Instruct, Key, ReadingTaken, StepDone, SwitchOff
from benchlog.model.instrument import MeterSheet
from benchlog.model.reading import Channel, Measured, Setting, Status, Unusable
from benchlog.model.role import Role
from benchlog.model.step import Outcome, StepVerdict


def good(v: float, t: float) -> float:
    """A unit that draws 0.15 A from 60 V on."""
    return 0.02 + 0.13 * min(v / 60.0, 1.0)


def stop_a(r) -> float:
    """I_stop at the present voltage."""
    now = r.watch.limits_now()
    assert now is not None
    return now.stop_a


def arrived(rig, **options):
    """Just arrived at the first step."""
    r = rig(**options)
    r.run(0.15)
    assert r.marks("arrival")
    return r


def test_a_switch_on_reading_stops_nothing(rig) -> None:
    r = arrived(rig)
    r.level[Role.SOURCE_CURRENT] = 8.0
    r.run(0.2)
    r.level[Role.SOURCE_CURRENT] = 0.02
    r.run(10.0)
    assert not r.watch.latched


def test_the_largest_reading_is_stored_as_a_lower_bound(rig) -> None:
    r = arrived(rig)
    r.level[Role.SOURCE_CURRENT] = 0.6
    r.run(0.2)
    r.level[Role.SOURCE_CURRENT] = 0.02
    r.run(16.0)
    record = r.all(StepDone)[0].record
    assert record.inrush_a == pytest.approx(0.6)
    assert record.inrush_is_lower_bound


def test_at_once_on_the_sources_short_time_limit_where_its_sheet_states_one(rig) -> None:
    source = MeterSheet(rated_current_a=10.0, rated_voltage_v=150.0, short_time_current_a=20.0)
    r = arrived(rig, source=source)
    r.level[Role.SOURCE_CURRENT] = 19.9
    r.run(0.1)
    assert not r.watch.latched
    r.level[Role.SOURCE_CURRENT] = 20.0
    r.run(0.1)
    assert r.verdict.rule == "short-time"


def test_without_a_short_time_limit_that_rule_is_off(rig) -> None:
    r = arrived(rig)
    r.level[Role.SOURCE_CURRENT] = 50.0
    r.run(0.3)
    r.level[Role.SOURCE_CURRENT] = 0.02
    r.run(6.0)
    assert not r.watch.latched


def test_two_readings_of_three_times_the_limit_half_a_second_after_arrival_cut_off(rig) -> None:
    r = arrived(rig)
    limit = stop_a(r)
    r.level[Role.SOURCE_CURRENT] = 3.0 * limit + 1e-9
    r.run(0.7)
    assert not r.watch.latched
    r.run(0.1)
    assert r.verdict.rule == "inrush-gross"
    # Arrived just after 0.1 s: the readings begun at 0.7 and 0.8 s are the first two that serve.
    assert r.when(SwitchOff) == pytest.approx(0.9, abs=0.001)


def test_just_below_three_times_does_not(rig) -> None:
    r = arrived(rig)
    r.level[Role.SOURCE_CURRENT] = 3.0 * stop_a(r) - 1e-6
    r.run(2.0)
    assert not r.watch.latched


def test_the_two_have_to_be_consecutive(rig) -> None:
    r = arrived(rig)
    limit = stop_a(r)
    r.level[Role.SOURCE_CURRENT] = lambda v, t: 4.0 * limit if round(t * 10) % 2 else 0.02
    r.run(2.85)
    assert not r.watch.latched


def test_what_has_not_decayed_by_the_windows_end_is_cut_off(rig) -> None:
    r = arrived(rig)
    r.level[Role.SOURCE_CURRENT] = stop_a(r)
    r.run(2.95)
    assert not r.watch.latched
    r.run(0.1)
    assert r.verdict.rule == "inrush-undecayed"
    assert r.when(SwitchOff) == pytest.approx(3.1, abs=0.001)


@pytest.mark.parametrize("last_two", [(1.0, 0.99), (0.99, 1.0)])
def test_one_of_the_last_two_below_the_limit_has_decayed(rig, last_two: tuple[float, float]) -> None:
    r = arrived(rig)
    limit = stop_a(r)
    r.level[Role.SOURCE_CURRENT] = 1.5 * limit
    r.run(2.75)
    for share in last_two:
        r.level[Role.SOURCE_CURRENT] = share * limit
        r.run(0.1)
    r.level[Role.SOURCE_CURRENT] = 0.02
    r.run(1.0)
    assert not r.watch.latched


def test_a_single_reading_in_the_window_decides_nothing() -> None:
    window = Inrush(3 * US)
    window.open(0)
    assert not window.take(2 * US, 5.0, 0.1)
    assert not window.undecayed(0.1)


def current_reading(start_s: float, end_s: float, amperes: float) -> ReadingTaken:
    channel = Channel(Role.SOURCE_CURRENT, "ac-current", "meter")  # type: ignore[arg-type]
    return ReadingTaken(Measured(channel, amperes, round(start_s * US), round(end_s * US)))


def silent_current(rig):
    """Arrived just after 0.1 s, window to just after 3.1 s; from 2.7 s currents by hand only."""
    r = arrived(rig)
    r.level[Role.SOURCE_CURRENT] = 0.02
    r.run(2.6)
    r.silent = {Role.SOURCE_CURRENT}
    return r


def feed(r, start_s: float, end_s: float, amperes: float, told_s: float | None = None) -> None:
    r.run((told_s or end_s) - r.now_us / US)
    r.tell(current_reading(start_s, end_s, amperes))


def test_a_reading_that_straddles_the_windows_end_serves_nothing(rig) -> None:
    r = silent_current(rig)
    feed(r, 3.05, 3.15, 9.0)
    feed(r, 3.15, 3.25, 9.0)
    assert not r.watch.latched
    feed(r, 3.25, 3.35, 9.0)
    assert r.verdict.rule == "stop-limit"


def test_a_reading_that_ends_with_the_window_is_in_it(rig) -> None:
    r = silent_current(rig)
    feed(r, 2.8, 3.0, 0.4)
    feed(r, 3.0, 3.1, 0.4)
    r.run(0.15)
    assert r.verdict.rule == "inrush-undecayed"


def test_a_reading_told_late_still_counts_in_the_window(rig) -> None:
    r = silent_current(rig)
    feed(r, 2.8, 2.9, 0.4)
    r.run(0.3)
    assert r.marks("window-closed") and not r.watch.latched
    feed(r, 2.95, 3.05, 0.4, told_s=3.25)
    assert r.verdict.rule == "inrush-undecayed"


def test_readings_begun_after_the_window_are_after_it(rig) -> None:
    r = silent_current(rig)
    feed(r, 3.11, 3.2, 1.0)
    assert not r.watch.latched
    feed(r, 3.2, 3.3, 1.0)
    assert r.verdict.rule == "stop-limit"


def settled(rig, **options):
    """At 48 V with 0.1 A, settled, waiting out its dwell."""
    r = rig(**options)
    r.to_step(0.40, 0.10)
    r.run(15.0)
    assert r.verdict.rule == "dwell"
    return r


def test_two_consecutive_readings_at_the_limit_cut_off(rig) -> None:
    r = settled(rig)
    r.level[Role.SOURCE_CURRENT] = stop_a(r)
    r.run(0.1)
    assert not r.watch.latched
    r.run(0.1)
    assert r.verdict.rule == "stop-limit"
    assert r.ended is not None
    assert (r.ended.outcome, r.ended.cut_off_at_fraction, r.ended.cut_off_step_fraction) == (
        Outcome.CUT_OFF,
        0.4,
        0.4,
    )


def test_one_reading_or_one_just_below_does_not(rig) -> None:
    r = settled(rig)
    limit = stop_a(r)
    for share in (1.0, 0.999, 1.0, 0.2):
        r.level[Role.SOURCE_CURRENT] = share * limit
        r.run(0.1)
    assert not r.watch.latched


def test_the_stop_limit_acts_before_anything_has_settled(rig) -> None:
    r = rig().to_step(0.10, 0.05)
    assert r.verdict.rule == "settling"
    r.level[Role.SOURCE_CURRENT] = 1.0
    r.run(0.25)
    assert r.watch.latched


def test_an_overload_counts_as_full_scale(rig) -> None:
    r = settled(rig)
    r.level[Role.SOURCE_CURRENT] = math.inf
    r.run(0.25)
    assert r.verdict.rule == "stop-limit"
    assert "10 A" in r.verdict.reason


def test_an_overload_of_an_unknown_range_is_above_every_limit(rig) -> None:
    r = settled(rig)
    channel = Channel(Role.SOURCE_CURRENT, "ac-current", "meter")  # type: ignore[arg-type]
    for _ in range(2):
        end_us = r.now_us + 1000
        r.now_us = end_us
        r.tell(ReadingTaken(Unusable(channel, Status.OVERLOAD, end_us - 1000, end_us, Setting())))
    assert r.verdict.rule == "stop-limit"
    assert r.verdict.reason.startswith("Cut off. Overload at 48 V")


def test_an_unreadable_current_is_neither_zero_nor_a_stop(rig) -> None:
    r = settled(rig)
    channel = Channel(Role.SOURCE_CURRENT, "ac-current", "meter")  # type: ignore[arg-type]
    for _ in range(3):
        r.now_us += 1000
        r.tell(ReadingTaken(Unusable(channel, Status.GARBLED, r.now_us - 1000, r.now_us)))
    assert not r.watch.latched


def by_hand(rig, v_period: float = 0.4):
    """A hand-set source standing at 12 V with 20 mA, with a slow voltmeter."""
    r = rig(hand_set=True, periods={Role.INLET_VOLTAGE: v_period})
    r.level[Role.SOURCE_CURRENT] = 0.02
    r.to_step_by_hand(0.10)
    r.run(1.0)
    assert not r.watch.latched
    return r


def test_by_hand_a_pair_waits_for_the_next_voltage(rig) -> None:
    r = by_hand(rig)
    limit = stop_a(r)
    r.run(5.0, until=lambda r: r.now_us % (400_000) < 100)
    r.level[Role.SOURCE_CURRENT] = 1.5 * limit
    r.run(0.25)
    assert not r.watch.latched
    r.run(0.2)
    assert r.verdict.rule == "stop-limit"
    assert r.lines()[-1] == Instruct("Bench switch off. Dial to zero. Unplug.", 0.0, urgent=True)
    assert r.ended is not None and r.ended.outcome is Outcome.ALARMED
    assert not r.all(SwitchOff)


def test_by_hand_a_pair_that_the_new_voltage_explains_stops_nothing(rig) -> None:
    r = by_hand(rig)
    limit = stop_a(r)
    r.run(5.0, until=lambda r: r.now_us % (400_000) < 100)
    r.level[Role.SOURCE_CURRENT] = 1.2 * limit
    r.run(0.25)
    r.turn(36.0)
    r.run(1.0)
    assert not r.watch.latched


def test_by_hand_three_times_the_limit_does_not_wait(rig) -> None:
    r = by_hand(rig)
    limit = stop_a(r)
    r.run(5.0, until=lambda r: r.now_us % (400_000) < 100)
    r.level[Role.SOURCE_CURRENT] = 3.0 * limit
    r.run(0.25)
    assert r.verdict.rule == "stop-limit"


def test_a_single_gross_reading_by_hand_stops_nothing(rig) -> None:
    r = by_hand(rig)
    r.level[Role.SOURCE_CURRENT] = 5.0
    r.run(0.1)
    r.level[Role.SOURCE_CURRENT] = 0.02
    r.run(2.0)
    assert not r.watch.latched


def test_a_held_pair_acts_when_the_voltmeter_falls_silent(rig) -> None:
    r = by_hand(rig)
    limit = stop_a(r)
    r.silent = {Role.INLET_VOLTAGE}
    r.level[Role.SOURCE_CURRENT] = 1.5 * limit
    r.run(2.0)
    assert r.verdict.rule == "stop-limit"


def test_each_reading_is_held_against_the_limit_at_its_own_voltage(rig) -> None:
    """What is too much at 12 V is little at 120 V."""
    r = rig().to_step(1.00, good)
    assert stop_a(r) > 1.0
    r.level[Role.SOURCE_CURRENT] = 0.9
    r.run(5.0)
    assert not r.watch.latched
    r = rig().to_step(0.10, 0.05)
    r.level[Role.SOURCE_CURRENT] = 0.9
    r.run(5.0)
    assert r.watch.latched


def test_going_on_is_not_taken_inside_the_window(rig) -> None:
    r = arrived(rig)
    said = r.press(Key.GO_ON, "in a hurry")
    assert [(m.what, m.detail) for m in said] == [
        ("refused", "Not inside the inrush window: wait until it is over")
    ]
    r.run(3.2)
    r.press(Key.GO_ON, "in a hurry")
    assert r.all(StepDone)[0].record.decision_reason == "in a hurry"


def test_a_pair_counts_from_a_clean_slate_after_each_arrival() -> None:
    rule = Overrun()
    assert not rule.take(1, 1.0, 0.5, held=False)
    rule.clear()
    assert not rule.take(2, 1.0, 0.5, held=False)
    assert rule.take(3, 1.0, 0.5, held=False)


def test_a_pair_is_held_against_a_voltage_read_after_it_only() -> None:
    rule = Overrun()
    rule.take(1 * US, 1.0, 0.5, held=True)
    rule.take(2 * US, 1.2, 0.5, held=True)
    assert rule.holding
    assert rule.voltage(2 * US, 0.5) is None
    assert rule.holding
    assert rule.voltage(2 * US + 1, 0.5) == 1.0
    assert not rule.holding


def test_the_verdict_while_the_window_is_open_is_wait(rig) -> None:
    r = arrived(rig)
    assert (r.verdict.verdict, r.verdict.rule) == (StepVerdict.WAIT, "inrush")
    assert r.verdict.reason == "Wait: switch-on at 6 V"


def test_a_digitiser_gives_the_true_peak(rig) -> None:
    r = arrived(rig)
    r.level[Role.SOURCE_CURRENT] = 0.02
    r.run(1.0)
    assert r.tell(InrushMeasured(peak_a=-3.4, i2t_a2s=0.1)) == []
    r.run(16.0)
    record = r.all(StepDone)[0].record
    assert (record.inrush_a, record.inrush_is_lower_bound) == (3.4, False)


def test_more_i2t_than_the_fuse_may_take_is_cut_off(rig) -> None:
    """T5AL: 9.0 · 5^2.2 A²s of melting I²t (a fuse maker's time-lag glass types), 48 % for 100 pulses."""
    allowed = 0.48 * 9.0 * 5.0**2.2
    unit = msgspec.structs.replace(rig.__globals__["UNIT"], fuse=parse_fuse("T5AL250V"))
    r = rig(unit)
    r.run(0.15)
    r.tell(InrushMeasured(peak_a=60.0, i2t_a2s=0.99 * allowed))
    assert not r.watch.latched
    r.tell(InrushMeasured(peak_a=60.0, i2t_a2s=1.01 * allowed))
    assert r.verdict.rule == "inrush-i2t"


def test_without_a_known_fuse_there_is_no_such_rule(rig) -> None:
    unit = msgspec.structs.replace(rig.__globals__["UNIT"], fuse=None)
    r = rig(unit)
    r.run(0.2)
    r.tell(InrushMeasured(peak_a=60.0, i2t_a2s=1e6))
    assert not r.watch.latched
