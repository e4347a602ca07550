"""Messages folded into what the window knows."""

import math

import msgspec
import pytest

from benchlog.model.clock import US
from benchlog.model.event import Ended, Instruct, Judged, Marked, SetSource, StepDone, SwitchOff
from benchlog.model.protocol import LimitsNow, Live, Point, PowerState, SaidNow
from benchlog.model.reading import Status
from benchlog.model.step import Outcome, StepVerdict
from benchlog_ui import sight
from benchlog_ui.alarm import GONE, ORDER
from benchlog_ui.board import Board
from benchlog_ui.marks import Shape
from benchlog_ui.scenes import Scene, named
from benchlog_ui.story import Story


def board_of(scene: Scene) -> Board:
    board = Board()
    for message in Story(scene).messages():
        board.take(message, 100.0)
    return board


def live(t_s: float, *points: tuple[str, float | None, Status | None]) -> Live:
    t_us = int(t_s * US)
    return Live(t_us, tuple(Point(c, t_us, v, s) for c, v, s in points))


def started(programmed: bool = True, time_scale: float = 1.0) -> Board:
    board = Board()
    board.take(next(Story(Scene("x", programmed=programmed, time_scale=time_scale)).messages()), 0.0)
    return board


def test_a_reading_without_a_number_is_a_gap_and_keeps_the_last_number_apart():
    board = started()
    board.take(live(1.0, ("source-current", 0.5, None)), 1.0)
    board.take(live(1.1, ("source-current", None, Status.OVERLOAD)), 1.1)
    shown = sight.current_shown(board, 1.1)
    assert (shown.digits, shown.usable, shown.status, shown.shape) == (
        "0.500",
        False,
        "OVER RANGE",
        Shape.OVER,
    )
    assert shown.pointer is None
    assert math.isnan(board.pending["source-current"][-1][1])


def test_age_grows_in_real_seconds_and_becomes_stale():
    board = started(time_scale=20.0)
    for n in range(20):
        board.take(live(1 + n * 2.0, ("source-current", 0.5 + n / 1000, None)), n * 0.1)
    assert board.age_s("source-current", 1.9) == pytest.approx(0.0, abs=1e-6)
    assert board.age_s("source-current", 2.9) == pytest.approx(1.0, abs=1e-6)
    assert sight.current_shown(board, 2.1).usable
    shown = sight.current_shown(board, 2.9)
    assert not shown.usable
    assert shown.shape is Shape.HOURGLASS
    assert "STALE" in shown.status


def test_a_slow_meter_is_not_called_stale_between_its_readings():
    board = started()
    for n in range(10):
        board.take(live(1 + n * 1.0, ("source-current", 0.5, None)), n * 1.0)
    assert sight.current_shown(board, 9 + 2.5).usable
    assert not sight.current_shown(board, 9 + 3.5).usable


def test_the_same_figure_alone_is_not_suspect_but_it_is_when_the_voltage_has_moved():
    board = started()
    for n in range(200):
        board.take(live(1 + n * 0.1, ("source-current", 0.2, None), ("inlet-voltage", 12.0, None)), n * 0.1)
    assert not board.stands_still("source-current")
    for n in range(200, 300):
        board.take(live(1 + n * 0.1, ("source-current", 0.2, None), ("inlet-voltage", 24.0, None)), n * 0.1)
    assert board.stands_still("source-current")
    assert "STANDS STILL" in sight.current_shown(board, 29.9).status


def test_the_completed_scene():
    board = board_of(named("completed"))
    assert len(board.records) == 11
    assert board.ended is not None
    assert board.ended.outcome is Outcome.COMPLETED
    assert sight.instruction(board).text.startswith("Completed at 120 V")
    assert sight.alarm(board, 100.0, 99.0) is None
    assert sight.bar(board, math.inf).state == "source off"


def test_cut_off_of_a_programmed_source_is_latched_and_read_back():
    board = board_of(named("rail-short"))
    bar = sight.bar(board, math.inf)
    assert bar.latched
    assert "read back" in bar.state
    line = sight.instruction(board)
    assert line.text.startswith("Cut off. ")
    assert "Ω" in line.text
    assert line.shape is Shape.OPEN_CONTACT
    assert sight.alarm(board, 100.0, 99.0) is None


def test_a_programmed_source_that_does_not_confirm_raises_the_alarm_after_its_time():
    board = started()
    board.take(PowerState(True, True, False), 1.0)
    assert sight.alarm(board, 1.1, 0.1) is None
    words = sight.alarm(board, 2.0, 0.8)
    assert words is not None
    assert "did not confirm" in words.head
    assert "NOT CONFIRMED" in sight.bar(board, math.inf).state


def test_a_hand_set_source_alarms_at_once_with_the_order_and_the_rails():
    board = board_of(named("hand-set"))
    words = sight.alarm(board, 100.0, 0.0)
    assert words is not None
    assert words.orders == ORDER == ("Bench switch off.", "Dial to zero.", "Unplug.")
    assert any(fact.startswith("inlet ") for fact in words.facts)
    assert any("rail +" in fact for fact in words.facts)
    board.take(PowerState(False, True, True), 101.0)
    assert sight.alarm(board, 101.0, 99.0) is None


def test_near_zero_needs_two_readings():
    board = started(programmed=False)
    board.take(live(1.0, ("inlet-voltage", 2.0, None)), 1.0)
    assert not board.near_zero
    board.take(live(1.4, ("inlet-voltage", None, Status.GARBLED)), 1.4)
    board.take(live(1.8, ("inlet-voltage", 2.0, None)), 1.8)
    assert not board.near_zero
    board.take(live(2.2, ("inlet-voltage", 1.0, None)), 2.2)
    assert board.near_zero


def test_a_recorder_that_is_gone_is_said_with_what_was_last_heard():
    board = board_of(named("middle"))
    board.gone = True
    words = sight.alarm(board, 100.0, 0.0)
    assert words is not None
    assert words.head == GONE
    assert words.facts[0].startswith("Last heard: source on at 48 V")
    assert "reaches nothing" in sight.bar(board, math.inf).state


def test_bands():
    board = board_of(named("middle"))
    assert [b.key for b in sight.bands(board, focused=True)] == ["sham"]
    assert sight.bands(board, focused=True)[0].words.startswith("SIMULATED ×20")
    assert [b.key for b in sight.bands(board, focused=False)] == ["sham", "focus"]
    stalled = board_of(named("not-stored"))
    assert "not being stored" in sight.bands(stalled, focused=True)[1].words


def test_rungs_carry_verdicts_and_the_present_step():
    board = board_of(named("middle"))
    rungs = sight.rungs(board)
    assert [r.now for r in rungs].index(True) == 5
    assert all(r.verdict is StepVerdict.GO_UP for r in rungs[:5])
    assert rungs[5].verdict is StepVerdict.WAIT
    assert rungs[5].record is None
    assert rungs[6].verdict is None
    assert sight.forecast(board) is not None


def test_beginning_again_forgets_verdicts_and_keeps_curves():
    board = board_of(named("runaway"))
    assert max(board.records) == 6
    curves = sum(len(v) for v in board.pending.values())
    board.take(SaidNow(0, Marked("rearmed", "From 6 V")), 101.0)
    board.take(SaidNow(0, SetSource(6.0)), 101.0)
    assert board.step == 0
    assert board.records == {}
    assert board.judged is None
    assert board.ended is None
    assert board.cut_off_us is None
    assert sum(len(v) for v in board.pending.values()) == curves


def test_a_refusal_is_shown_under_the_line():
    board = board_of(named("rail-short"))
    board.take(SaidNow(0, Marked("refused", "Say first whether the mains fuse is still good")), 101.0)
    assert "mains fuse" in sight.instruction(board, 101.0).reason


def test_while_the_source_moves_the_expected_range_is_said():
    board = board_of(named("middle"))
    step = board.step
    board.take(SaidNow(0, StepDone(step, next(iter(board.records.values())))), 101.0)
    assert board.step == step + 1
    board.records[step] = msgspec.structs.replace(board.records[0], forecast_next_a=(0.14, 0.17, 0.2))
    line = sight.instruction(board, 101.0)
    assert "0.14 to 0.20 A expected if nothing new wakes up" in line.reason


def test_an_alarm_stays_urgent_beside_the_verdict_that_goes_with_it():
    board = board_of(named("stale"))
    assert board.urgent
    assert sight.instruction(board).text == "Wait: no reading from the ammeter"
    board.take(SaidNow(board.judged_us + 2 * US, Judged(4, StepVerdict.WAIT, "Wait: still settling")), 101.0)
    assert not board.urgent


def test_limits_are_drawn_as_steps():
    board = started()
    board.take(live(1.0), 1.0)
    board.take(LimitsNow(0.1, 0.2, "a", 0.3, "b"), 1.0)
    board.take(live(2.0), 2.0)
    board.take(LimitsNow(0.2, 0.4, "a", 0.6, "b"), 2.0)
    assert board.pending["limit:stop"] == [(1.0, 0.3), (2.0, 0.3), (2.0, 0.6)]


def test_said_things_are_folded():
    board = started()
    board.take(SaidNow(1, SetSource(12.0)), 0.0)
    board.take(SaidNow(2, Instruct("Wait: still settling")), 0.0)
    board.take(SaidNow(3, Judged(1, StepVerdict.CANNOT_JUDGE, "U is too large")), 0.0)
    assert board.set_v == 12.0
    line = sight.instruction(board)
    assert line.text == "U is too large"
    assert line.shape is Shape.DASHED_RING
    assert "step 2 of 11" in line.reason
    board.take(SaidNow(4, SwitchOff("x", latched=True)), 0.0)
    board.take(SaidNow(5, Ended(Outcome.UNDECIDED, "nobody decided")), 0.0)
    assert board.cut_off_us == 4
    line = sight.instruction(board)
    assert line.text == "nobody decided"
    assert "Run ended undecided." in line.reason


def test_step_done_is_kept():
    board = board_of(named("cannot-judge"))
    record = board.records[0]
    assert record.verdict is StepVerdict.CANNOT_JUDGE
    assert isinstance(SaidNow(0, StepDone(0, record)).said, StepDone)
