"""Arrival of a voltage and the step it belongs to."""

import msgspec
import pytest

from benchlog.bringup.inlet import Inlet, Move
from benchlog.model.clock import US
from benchlog.model.event import Instruct, Judged, Key, SetSource, SourceAnswered, StepDone
from benchlog.model.instrument import Accuracy, MeterSheet
from benchlog.model.quantity import Quantity
from benchlog.model.role import Role
from benchlog.model.step import DecidedBy, StepVerdict
from benchlog.model.unit import Amplifier


def follow(inlet: Inlet, volts: float, seconds: float, t_s: float) -> tuple[list[Move], float]:
    """Ten readings a second of one voltage."""
    moves = []
    for _ in range(round(seconds * 10)):
        t_s += 0.1
        moves.append(inlet.take(round((t_s - 0.1) * US), round(t_s * US), volts))
    return moves, t_s


@pytest.mark.parametrize(("rise_v", "arrives"), [(2.4, False), (2.5, True)])
def test_a_rise_of_more_than_two_percent_of_nominal_is_an_arrival(rise_v: float, arrives: bool) -> None:
    inlet = Inlet(120.0, 0.1)
    _, t_s = follow(inlet, 0.0, 2.0, 0.0)
    moves, _ = follow(inlet, rise_v, 0.1, t_s)
    assert (Move.ARRIVAL in moves) is arrives


@pytest.mark.parametrize(("rise_v", "arrives"), [(3.0, False), (4.0, True)])
def test_three_counts_of_a_coarse_voltmeter_are_no_arrival(rise_v: float, arrives: bool) -> None:
    inlet = Inlet(120.0, 1.0)
    _, t_s = follow(inlet, 0.0, 2.0, 0.0)
    moves, _ = follow(inlet, rise_v, 0.1, t_s)
    assert (Move.ARRIVAL in moves) is arrives


def test_a_creeping_dial_is_an_arrival_once_it_has_crept_two_percent() -> None:
    inlet = Inlet(120.0, 0.1)
    _, t_s = follow(inlet, 36.0, 3.0, 0.0)
    assert inlet.stood_v == 36.0
    arrived_at = []
    for k in range(200):
        volts = 36.0 + 0.05 * k
        moves, t_s = follow(inlet, volts, 0.5, t_s)
        if Move.ARRIVAL in moves:
            arrived_at.append(volts)
    assert arrived_at[0] == pytest.approx(38.45, abs=0.051)
    assert len(arrived_at) >= 3


def test_the_reference_follows_downward_only() -> None:
    inlet = Inlet(120.0, 0.1)
    _, t_s = follow(inlet, 36.0, 3.0, 0.0)
    _, t_s = follow(inlet, 35.0, 3.0, t_s)
    assert inlet.stood_v == 35.0
    _, t_s = follow(inlet, 36.5, 3.0, t_s)
    assert inlet.stood_v == 35.0
    moves, _ = follow(inlet, 37.5, 0.1, t_s)
    assert moves == [Move.ARRIVAL]


def test_a_fall_as_large_is_a_fall_and_a_smaller_one_is_not() -> None:
    inlet = Inlet(120.0, 0.1)
    _, t_s = follow(inlet, 36.0, 3.0, 0.0)
    assert Move.FALL not in follow(inlet, 33.7, 0.1, t_s)[0]
    assert Move.FALL in follow(inlet, 33.5, 0.1, t_s + 0.1)[0]


def test_no_new_arrival_before_the_voltage_has_stood_still() -> None:
    inlet = Inlet(120.0, 0.1)
    t_s = 0.0
    moves = []
    for k in range(100):
        found, t_s = follow(inlet, 1.0 * k, 0.2, t_s)
        moves += found
    assert moves.count(Move.ARRIVAL) == 1
    assert Move.FURTHER in moves
    assert Move.STOOD not in moves


def test_standing_still_takes_a_second_within_half_a_percent() -> None:
    inlet = Inlet(120.0, 0.1)
    moves, t_s = follow(inlet, 36.0, 0.9, 0.0)
    assert Move.STOOD not in moves and not inlet.standing
    moves, t_s = follow(inlet, 36.6, 0.2, t_s)
    assert moves[-1] is Move.STOOD
    inlet = Inlet(120.0, 0.1)
    _, t_s = follow(inlet, 36.0, 0.9, 0.0)
    moves, _ = follow(inlet, 36.7, 0.2, t_s)
    assert Move.STOOD not in moves


def test_near_zero_is_below_five_volts_twice() -> None:
    inlet = Inlet(120.0, 0.1)
    follow(inlet, 5.0, 0.5, 0.0)
    assert not inlet.near_zero
    follow(inlet, 4.9, 0.1, 0.5)
    assert not inlet.near_zero
    follow(inlet, 4.9, 0.1, 0.6)
    assert inlet.near_zero


def test_nothing_is_set_before_both_meters_have_answered(rig) -> None:
    r = rig()
    r.silent = {Role.INLET_VOLTAGE}
    r.run(0.35)
    assert not r.all(SetSource)
    assert r.verdict.rule == "first-readings"
    r.silent = set()
    r.run(0.2)
    assert [s.set_v for s in r.all(SetSource)] == [6.0]


@pytest.mark.parametrize("hand_set", [False, True])
def test_nothing_is_begun_on_a_live_inlet(rig, hand_set: bool) -> None:
    r = rig(hand_set=hand_set)
    r.turn(12.0)
    r.run(1.0)
    assert r.verdict.rule == "live"
    assert not r.all(SetSource)
    assert not [line for line in r.lines() if line.target_v]
    r.turn(0.0)
    r.run(0.5)
    assert r.all(SetSource) if not hand_set else r.lines()[-1].text == "Turn the source to 6 V"


def test_the_sources_answer_is_an_arrival(rig) -> None:
    r = rig()
    r.run(0.15)
    assert r.marks("arrival")[0].step == 0


def test_an_answer_for_another_voltage_or_with_the_output_off_is_none(rig) -> None:
    r = rig()
    r.answers = False
    r.run(0.15)
    assert r.all(SetSource)
    r.tell(SourceAnswered(60.0, output_on=True))
    r.tell(SourceAnswered(6.0, output_on=False))
    assert not r.marks("arrival")
    r.tell(SourceAnswered(6.0, output_on=True))
    assert r.marks("arrival")


def test_the_voltage_of_a_programmed_source_may_arrive_before_its_answer(rig) -> None:
    r = rig()
    r.answers = False
    r.run(0.15)
    r.turn(6.0)
    r.run(0.3)
    assert len(r.marks("arrival")) == 1
    r.tell(SourceAnswered(6.0, output_on=True))
    assert len(r.marks("arrival")) == 1


def test_a_silent_source_is_cut_off(rig) -> None:
    r = rig()
    r.answers = False
    r.run(6.0)
    assert r.verdict.rule == "no-answer"
    assert r.watch.latched


def test_the_technicians_key_is_an_arrival(rig) -> None:
    r = rig(hand_set=True)
    r.run(0.5)
    assert not r.marks("arrival")
    r.press(Key.MOVED)
    assert r.marks("arrival")[0].step == 0


def test_a_hand_is_told_where_to_turn_and_again_when_it_does_not(rig) -> None:
    r = rig(hand_set=True)
    r.run(0.5)
    assert r.lines()[-1] == Instruct("Turn the source to 6 V", 6.0)
    before = len(r.lines())
    r.run(121.0)
    assert r.lines()[before:] == [Instruct("Turn the source to 6 V", 6.0)]
    r.run(500.0)
    assert r.ended is not None and r.ended.reason.endswith("was not turned to 6 V in 10 min")


def test_a_voltage_belongs_to_the_nearest_target_not_yet_passed(rig) -> None:
    r = rig(hand_set=True)
    r.level[Role.SOURCE_CURRENT] = 0.02
    r.run(0.5)
    r.turn(19.0)
    r.run(4.0)
    skipped = r.marks("not-visited")
    assert [m.step for m in skipped] == [0, 1]
    assert [record.visited for record in r.watch.records] == [False, False]
    r.run(30.0)
    done = r.all(StepDone)[-1]
    assert (done.step, done.record.fraction, done.record.measured_v) == (2, 0.15, 19.0)
    assert r.lines()[-1].text == "Turn the source to 24 V"


def test_halfway_belongs_to_the_lower_target(rig) -> None:
    r = rig(hand_set=True)
    r.run(0.5)
    r.turn(9.0)
    r.run(3.9)
    assert not r.marks("not-visited")
    assert r.verdict.step == 0


def test_turning_on_before_a_verdict_leaves_the_step_to_the_technician(rig) -> None:
    r = rig(hand_set=True)
    r.level[Role.SOURCE_CURRENT] = 0.02
    r.run(0.5)
    r.turn(6.0)
    r.run(8.0)
    assert r.verdict.rule == "settling"
    r.turn(12.0)
    r.run(4.0)
    done = r.all(StepDone)[-1].record
    assert (done.fraction, done.decided_by, done.visited) == (0.05, DecidedBy.TECHNICIAN, True)
    assert r.verdict.step == 1
    r.run(20.0)
    assert r.all(StepDone)[-1].record.fraction == 0.10


def test_creeping_on_at_the_same_step_stays_there(rig) -> None:
    r = rig(hand_set=True)
    r.level[Role.SOURCE_CURRENT] = 0.02
    r.run(0.5)
    r.turn(5.0)
    r.run(8.0)
    r.turn(7.6)
    r.run(5.0)
    assert len(r.marks("arrival")) == 2
    assert r.verdict.step == 0
    assert not r.all(StepDone)


def test_a_dial_above_nominal_has_to_be_turned_back(rig) -> None:
    r = rig(hand_set=True)
    r.level[Role.SOURCE_CURRENT] = 0.02
    r.run(0.5)
    r.turn(129.0)
    r.run(4.0)
    assert r.verdict.rule == "too-high"
    assert r.lines()[-1] == Instruct("Turn back to 120 V: this is above nominal", 120.0)
    r.turn(120.0)
    r.run(4.0)
    assert r.verdict.step == len(r.setup.steps) - 1
    assert r.verdict.rule == "settling"


def test_the_window_lasts_three_seconds(rig) -> None:
    r = rig()
    r.run(10.0)
    opened, closed = (
        next(t for t, s in r.said if getattr(s, "what", "") == w) for w in ("arrival", "window-closed")
    )
    assert closed - opened == pytest.approx(3 * US, abs=10)


def test_the_window_of_a_valve_amplifier_lasts_thirty(rig, setup) -> None:
    unit = msgspec.structs.replace(setup().unit, amplifier=Amplifier.VALVE)
    r = rig(unit)
    r.run(40.0)
    opened, closed = (
        next(t for t, s in r.said if getattr(s, "what", "") == w) for w in ("arrival", "window-closed")
    )
    assert closed - opened == pytest.approx(30 * US, abs=10)


def turn_slowly(r, from_v: float, to_v: float, over_s: float) -> None:
    for k in range(round(over_s * 10)):
        r.turn(from_v + (to_v - from_v) * (k + 1) / (over_s * 10))
        r.run(0.1)


def test_further_rises_extend_the_window(rig) -> None:
    r = rig(hand_set=True)
    r.run(0.5)
    turn_slowly(r, 0.0, 12.0, 2.0)
    first_us = next(t for t, s in r.said if getattr(s, "what", "") == "arrival")
    r.run(4.0)
    closed_us = next(t for t, s in r.said if getattr(s, "what", "") == "window-closed")
    assert len(r.marks("arrival")) == 1
    assert 4.0 < (closed_us - first_us) / US < 5.0
    assert not [line for line in r.lines() if line.text == "Stop turning"]


def test_at_most_to_twice_the_window_then_the_line_says_stop_turning(rig) -> None:
    r = rig(hand_set=True)
    r.run(0.5)
    turn_slowly(r, 0.0, 60.0, 20.0)
    first_us = next(t for t, s in r.said if getattr(s, "what", "") == "arrival")
    closed_us = next(t for t, s in r.said if getattr(s, "what", "") == "window-closed")
    assert closed_us - first_us == pytest.approx(6 * US, abs=10)
    assert [line for line in r.lines() if line == Instruct("Stop turning", urgent=True)]
    assert len(r.marks("arrival")) == 1
    assert r.verdict.rule == "turning"


def test_after_the_cap_the_stop_limit_acts_although_the_dial_moves(rig) -> None:
    r = rig(hand_set=True)
    r.run(0.5)
    turn_slowly(r, 0.0, 30.0, 7.0)
    assert not r.watch.latched
    r.level[Role.SOURCE_CURRENT] = 1.5
    turn_slowly(r, 30.0, 33.0, 0.7)
    assert r.watch.latched
    assert r.verdict.rule == "stop-limit"


def test_once_it_has_stood_still_it_can_arrive_again(rig) -> None:
    r = rig(hand_set=True)
    r.run(0.5)
    turn_slowly(r, 0.0, 36.0, 9.0)
    r.run(3.0)
    assert r.verdict.rule == "settling"
    r.turn(48.0)
    r.run(0.2)
    assert len(r.marks("arrival")) == 2


def test_a_rise_inside_the_window_never_restarts_it(rig) -> None:
    """It stood still for a second inside its window; the next rise extends, the largest reading is kept."""
    r = rig(hand_set=True)
    r.run(0.5)
    r.turn(6.0)
    r.level[Role.SOURCE_CURRENT] = 0.5
    r.run(0.25)
    r.level[Role.SOURCE_CURRENT] = 0.02
    r.run(1.5)
    r.turn(12.0)
    r.run(8.0)
    assert len(r.marks("arrival")) == 1
    closed = r.marks("window-closed")
    assert len(closed) == 1 and closed[0].detail == "largest reading 0.50 A"


def test_a_fall_restarts_settling_and_opens_no_window(rig) -> None:
    r = rig(hand_set=True)
    r.level[Role.SOURCE_CURRENT] = 0.02
    r.to_step_by_hand(0.40)
    r.run(20.0)
    assert r.verdict.rule == "dwell"
    r.turn(44.0)
    r.run(0.5)
    assert r.verdict.rule == "settling"
    assert len(r.marks("window-closed")) == 6
    r.run(9.0)
    assert r.verdict.rule == "settling"
    r.run(2.5)
    assert r.verdict.rule == "dwell"


def test_a_small_change_of_voltage_changes_nothing(rig) -> None:
    r = rig(hand_set=True)
    r.level[Role.SOURCE_CURRENT] = 0.02
    r.to_step_by_hand(0.40)
    r.run(20.0)
    judged = len(r.all(Judged))
    r.turn(46.0)
    r.run(2.0)
    assert len(r.all(Judged)) == judged


def test_without_a_voltmeter_the_key_and_the_target_serve(rig) -> None:
    r = rig(hand_set=True, periods={Role.INLET_VOLTAGE: 0.0})
    r.level[Role.SOURCE_CURRENT] = 0.02
    r.run(0.5)
    r.press(Key.MOVED)
    r.run(20.0)
    assert r.all(StepDone)[0].record.verdict is StepVerdict.GO_UP
    assert r.all(StepDone)[0].record.measured_v is None


def test_counts_come_from_the_voltmeters_sheet(rig) -> None:
    coarse = MeterSheet((Accuracy(Quantity.AC_VOLTAGE, 0.01, 2, 1.0),))
    r = rig(hand_set=True, voltmeter=coarse)
    r.run(0.5)
    r.turn(3.0)
    r.run(0.5)
    assert not r.marks("arrival")
    r.turn(4.0)
    r.run(0.5)
    assert r.marks("arrival")
