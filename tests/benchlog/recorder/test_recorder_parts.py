"""The small parts of the recorder, each by itself."""

import os
import sys
import threading
from datetime import datetime, timedelta
from pathlib import Path

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlog.model.clock import US, HandClock
from benchlog.model.event import Ended, Judged, Key, KeyPressed, Marked, Said
from benchlog.model.job import Job
from benchlog.model.protocol import (
    Closing,
    Hello,
    LimitsNow,
    Live,
    Ping,
    Point,
    PowerState,
    RunClosed,
    SaidNow,
    ToWindow,
)
from benchlog.model.role import Role
from benchlog.model.run import RunSetup
from benchlog.model.step import Outcome, StepVerdict
from benchlog.model.unit import Amplifier, Fuse, Plate, PlateKind, Unit
from benchlog.recorder import awake
from benchlog.recorder.attention import Attention
from benchlog.recorder.herald import Herald
from benchlog.recorder.jump import JumpDetector
from benchlog.recorder.limit import source_limit
from benchlog.recorder.outbox import MOST_POINTS, Outbox
from benchlog.recorder.technician import Technician
from benchlog.recorder.terminal import Terminal, parse_line, typed_lines
from benchlog.recorder.threads import Thread

# ---- attention ---------------------------------------------------------------------------------------


def test_a_terminal_or_a_technician_always_watches() -> None:
    assert Attention(terminal=True, technician=False).watched(1e6)
    assert Attention(terminal=False, technician=True).watched(1e6)
    assert not Attention(terminal=False, technician=False).watched(0.0)


def test_a_window_watches_while_it_answers_and_had_input_in_ten_minutes() -> None:
    attention = Attention(terminal=False, technician=False)
    attention.window_started(0.0)
    attention.answered(1.0, 1.0)
    assert attention.watched(1.5)
    assert not attention.watched(3.5)  # no answer for more than two seconds
    attention.answered(599.0, 599.0)
    assert attention.watched(599.5)
    attention.answered(601.0, 601.0)
    assert not attention.watched(601.0)
    attention.answered(602.0, 0.5)
    assert attention.watched(602.0)


def test_a_window_that_starts_again_is_nobodys_input() -> None:
    attention = Attention(terminal=False, technician=False)
    attention.window_started(0.0)
    attention.window_started(700.0)
    attention.answered(701.5, 0.0)
    assert not attention.watched(701.5)
    attention.touched(702.0)
    assert attention.watched(702.0)


# ---- time jumps --------------------------------------------------------------------------------------


class SplitClock(HandClock):
    """A wall clock that can be set apart from the monotonic one."""

    apart = timedelta()

    def wall(self) -> datetime:
        return super().wall() + self.apart


@pytest.mark.parametrize("jump_s", [3600.0, -3600.0, 7.0])
def test_a_jump_of_the_wall_clock_is_told_once(jump_s: float) -> None:
    clock = SplitClock()
    jumps = JumpDetector(clock)
    clock.move_to(US)
    assert jumps.look() is None
    clock.apart = timedelta(seconds=jump_s)
    found = jumps.look()
    assert found is not None
    assert abs(found - jump_s) < 1e-3
    assert jumps.look() is None


def test_a_clock_that_is_slewed_is_no_jump() -> None:
    clock = SplitClock()
    jumps = JumpDetector(clock)
    for second in range(1, 7200):
        clock.move_to(second * US)
        clock.apart = timedelta(seconds=500e-6 * second)
        assert jumps.look() is None


# ---- the outbox --------------------------------------------------------------------------------------


def point(i: int) -> Point:
    return Point("source-current", i, float(i))


def test_points_are_bundled_and_the_oldest_dropped_and_counted() -> None:
    outbox = Outbox()
    for i in range(MOST_POINTS + 7):
        outbox.add_point(point(i), i)
    (live,) = outbox.take() or []
    assert isinstance(live, Live)
    assert len(live.points) == MOST_POINTS
    assert live.points[0].t_us == 7
    assert (live.dropped, live.now_us) == (7, MOST_POINTS + 6)


def test_of_states_only_the_newest_is_sent() -> None:
    outbox = Outbox()
    for i in range(5):
        outbox.add(Ping(i))
        outbox.add(PowerState(on=bool(i % 2), latched=False, confirmed=True))
    assert outbox.take() == [Ping(4), PowerState(False, False, True)]


def test_a_window_started_again_gets_hello_lines_and_states() -> None:
    outbox = Outbox()
    limits = LimitsNow(0.1, 1.0, "a", 2.0, "b")
    for message in (limits, RunClosed(Outcome.COMPLETED, "Done."), Ping(3)):
        outbox.add(message)
    outbox.take()
    outbox.add_point(point(1), 1)
    outbox.close()
    hello = Hello("x", Job(), (), 120.0, True, True, 1.0, 0)
    line = SaidNow(1, Marked("arrival"))
    outbox.begin_again(hello, (line,))
    assert outbox.take() == [hello, line, limits, RunClosed(Outcome.COMPLETED, "Done.")]
    outbox.close()
    assert outbox.take() is None


def test_closing_is_the_last_that_is_sent() -> None:
    outbox = Outbox()
    outbox.add_point(point(1), 1)
    outbox.add(Ping(1))
    outbox.add(Closing())
    outbox.add_point(point(2), 2)
    outbox.add(Ping(2))
    assert outbox.take() == [Live(1, (point(1),), 0), Ping(1), Closing()]
    outbox.add(Ping(3))
    outbox.close()
    assert outbox.take() is None


def test_take_waits_for_something() -> None:
    outbox = Outbox()
    got: list[list[ToWindow] | None] = []
    thread = threading.Thread(target=lambda: got.append(outbox.take()))
    thread.start()
    outbox.add(Ping(1))
    thread.join(2.0)
    assert got == [[Ping(1)]]


# ---- the terminal ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("line", "pressed"),
    [
        ("c", KeyPressed(Key.CUT_OFF, by="terminal")),
        ("C \n", KeyPressed(Key.CUT_OFF, by="terminal")),
        ("g looks right", KeyPressed(Key.GO_ON, "looks right", "terminal")),
        ("g", KeyPressed(Key.GO_ON, "no reason given", "terminal")),
        ("s", KeyPressed(Key.STOP, by="terminal")),
        ("m", KeyPressed(Key.MOVED, by="terminal")),
        ("z", KeyPressed(Key.NEAR_ZERO, by="terminal")),
        ("r yes", KeyPressed(Key.REARM, "yes", "terminal", fuse_intact=True)),
        ("r n", KeyPressed(Key.REARM, "n", "terminal", fuse_intact=False)),
        ("r", KeyPressed(Key.REARM, "", "terminal", fuse_intact=None)),
        ("", None),
        ("cut", None),
    ],
)
def test_typed_keys(line: str, pressed: KeyPressed | None) -> None:
    assert parse_line(line) == pressed


@given(st.text())
def test_any_line_is_a_key_or_none(line: str) -> None:
    assert parse_line(line) is None or isinstance(parse_line(line), KeyPressed)


def test_the_terminal_presses_keys_and_shows_help() -> None:
    pressed: list[object] = []
    shown: list[str] = []
    ours, theirs = os.pipe()
    with os.fdopen(ours) as lines:
        os.write(theirs, b"what\nc\ng half a li")
        os.close(theirs)
        Terminal(lines, pressed.append, shown.append)._work()
    assert pressed == [KeyPressed(Key.CUT_OFF, by="terminal")]
    assert len(shown) == 2


def test_the_terminal_lets_go_while_nothing_is_typed() -> None:
    ours, theirs = os.pipe()
    stopping = threading.Event()
    threading.Timer(0.1, stopping.set).start()
    assert list(typed_lines(ours, stopping)) == []
    os.close(ours)
    os.close(theirs)


# ---- the simulated technician ------------------------------------------------------------------------


def technician(answer: str = "go-on", ask: bool = False) -> tuple[Technician, list[KeyPressed]]:
    pressed: list[KeyPressed] = []
    return Technician(answer, ask, pressed.append), pressed  # type: ignore[arg-type]


def follow(who: Technician, *said: tuple[float, Said]) -> None:
    for t_s, word in said:
        who.hear(int(t_s * US), word)
        who.look(int(t_s * US))


def test_he_answers_an_undecided_step_after_a_moment() -> None:
    who, pressed = technician()
    follow(who, (10.0, Marked("undecided", "Wait", 2)))
    assert pressed == []
    who.look(int(11.0 * US))
    assert [(p.key, p.by, bool(p.reason)) for p in pressed] == [(Key.GO_ON, "rehearsal", True)]


def test_he_ends_where_he_was_told_to() -> None:
    who, pressed = technician("end")
    follow(who, (10.0, Marked("undecided", "Wait", 2)))
    who.look(12 * US)
    assert [p.key for p in pressed] == [Key.STOP]


def test_he_tries_again_where_his_answer_is_not_taken_and_stops_when_it_is() -> None:
    who, pressed = technician()
    follow(who, (10.0, Marked("undecided", "Wait", 2)))
    who.look(11 * US)
    who.look(12 * US)
    assert len(pressed) == 1
    who.look(17 * US)
    assert len(pressed) == 2
    follow(who, (18.0, Ended(Outcome.UNDECIDED, "x")))
    who.look(60 * US)
    assert len(pressed) == 2


def test_he_presses_the_key_at_each_step_where_the_run_asks() -> None:
    who, pressed = technician(ask=True)
    follow(who, (10.0, Judged(0, StepVerdict.GO_UP, "", rule="accepted")))
    who.look(12 * US)
    assert [p.key for p in pressed] == [Key.GO_ON]


# ---- the source's own limit --------------------------------------------------------------------------


def run_setup(unit: Unit, hand_set: bool = False) -> RunSetup:
    from recorder_fakes import SHEET

    sheets = {
        Role.SOURCE_CURRENT: SHEET,
        Role.SOURCE: msgspec.structs.replace(SHEET, short_time_current_a=30.0),
    }
    return RunSetup(unit=unit, steps=(), periods_s={}, sheets=sheets, hand_set=hand_set)


def test_the_source_limit_is_the_hard_bound_and_outlasts_the_inrush_window() -> None:
    plate = Plate(PlateKind.AMPERES, 2.0)
    of_plate = source_limit(run_setup(Unit(plate=plate)))
    assert of_plate is not None
    assert of_plate.limit_a == pytest.approx(2.2)  # 1.1 times the plate, class AB on a linear supply
    assert of_plate.trip_delay_s > 3.0
    assert of_plate.short_time_a == 30.0
    of_fuse = source_limit(run_setup(Unit(plate=plate, fuse=Fuse("T1.6A", 1.6))))
    assert of_fuse is not None
    assert of_fuse.limit_a == pytest.approx(1.6)
    of_valve = source_limit(run_setup(Unit(amplifier=Amplifier.VALVE, plate=plate)))
    assert of_valve is not None
    assert of_valve.limit_a == pytest.approx(10.0)  # the source's rating
    assert of_valve.trip_delay_s > 30.0
    assert source_limit(run_setup(Unit(plate=plate), hand_set=True)) is None


# ---- threads and heralds -----------------------------------------------------------------------------


def test_a_thread_that_fails_is_told() -> None:
    failed: list[tuple[str, Exception]] = []

    def work(stopping: threading.Event) -> None:
        raise ZeroDivisionError

    thread = Thread("odd", work, lambda name, error: failed.append((name, error)))
    thread.start()
    assert thread.stop()
    assert [(name, type(error)) for name, error in failed] == [("odd", ZeroDivisionError)]


def test_a_herald_passes_on_in_order() -> None:
    heard: list[object] = []
    herald = Herald([lambda t, said: heard.append((t, said))], heard.append, lambda *_: None)
    herald.start()
    herald.pass_on(1, Marked("arrival"))
    herald.announce("No standby.")
    herald.stop()
    assert heard == [(1, Marked("arrival")), "No standby."]


def test_a_listener_that_fails_keeps_nobody_else_from_hearing() -> None:
    heard: list[object] = []

    def gone(t_us: int, said: Said) -> None:
        raise BrokenPipeError

    herald = Herald([gone, lambda t, said: heard.append(t)], heard.append, lambda *_: None)
    herald.start()
    herald.pass_on(1, Marked("arrival"))
    herald.announce("x")
    herald.stop()
    assert heard == [1, "x"]


# ---- sleep -------------------------------------------------------------------------------------------


def script(folder: Path, name: str, text: str) -> None:
    path = folder / name
    path.write_text(f"#!/bin/sh\n{text}\n", encoding="utf-8")
    path.chmod(0o755)


@pytest.mark.skipif(sys.platform != "linux", reason="the tool of this system")
@pytest.mark.parametrize(
    ("text", "words"),
    [('shift 4; exec "$@"', ""), ("exit 1", "does not work here"), ("sleep 5", "does not work here")],
)
def test_sleep_is_held_off_or_it_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, text: str, words: str
) -> None:
    script(tmp_path, "systemd-inhibit", text)
    monkeypatch.setenv("PATH", f"{tmp_path}:{os.environ['PATH']}")
    awake_ = awake.Awake()
    said = awake_.hold(wait_s=0.5)
    assert words in said
    assert bool(said) is bool(words)
    child = awake_._child
    awake_.release()
    assert child is None or child.poll() is not None


@pytest.mark.skipif(sys.platform != "linux", reason="the tool of this system")
def test_without_the_tool_it_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    assert "is not on this machine" in awake.Awake().hold()
