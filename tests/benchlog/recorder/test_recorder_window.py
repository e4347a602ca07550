"""The window's child process, as seen by the recorder: killed, mute, frozen, mad, or without a display."""

import os
import signal
import sys
import time
from pathlib import Path

import msgspec
import pytest
from recorder_stand import Stand

from benchlog.model.event import AttentionChanged, Ended, KeyPressed
from benchlog.model.history import Noted, RunTold
from benchlog.model.step import Outcome
from benchlog.recorder import window as window_module
from benchlog.recorder.contract import RunResult

pytestmark = pytest.mark.alone


def argv(stand: Stand, how: str) -> tuple[str, ...]:
    return (sys.executable, str(Path(__file__).with_name("fake_window.py")), how, str(log_of(stand)))


def log_of(stand: Stand) -> Path:
    return stand.path.with_name("window.log")


def run(stand: Stand, how: str) -> RunResult:
    return stand.run(window=argv(stand, how), answer_not_judged=None)


def lines(stand: Stand) -> list[str]:
    return log_of(stand).read_text().splitlines()


def kinds(stand: Stand) -> list[str]:
    return [line.split()[1] for line in lines(stand)]


def attention(stand: Stand) -> list[bool]:
    return [event.watched for _, event in stand.watch.told if isinstance(event, AttentionChanged)]


def test_a_good_window_sees_the_run_and_closes_in_order(stand: Stand) -> None:
    result = run(stand, "good")
    assert result.window == "shown"
    assert result.ended == Ended(Outcome.COMPLETED, "Done.")
    seen = kinds(stand)
    assert seen[0] == "Hello"
    assert {"Live", "LimitsNow", "SaidNow", "PowerState", "Ping"} <= set(seen)
    assert seen.index("RunClosed") < seen.index("Closing") == len(seen) - 1
    assert attention(stand) == [True]


def test_a_killed_window_is_back_within_a_second(stand: Stand) -> None:
    stand.watch.length_s = 4.0
    recorder = stand.make(window=argv(stand, "good"), answer_not_judged=None)
    link = recorder._window
    assert link is not None
    back: list[float] = []

    def kill() -> None:
        pid = link.pid
        assert pid is not None
        os.kill(pid, signal.SIGKILL)
        killed = time.monotonic()
        while link.pid in (pid, None) or not link.painted:
            time.sleep(0.01)
        back.append(time.monotonic() - killed)

    stand.when_on(kill)
    result = recorder.run()
    assert link.starts == 2
    assert back[0] < 1.5
    assert result.ended == Ended(Outcome.COMPLETED, "Done.")
    assert kinds(stand).count("Hello") == 2
    second = [line for line in lines(stand) if line.split()[0] == lines(stand)[-1].split()[0]]
    assert "Hello" in second[0]
    assert any("Instruct" in line for line in second[:4])


@pytest.mark.parametrize(
    ("how", "words"),
    [("no-display", "Qt can't be loaded"), ("abort", "No display (could not connect to display")],
)
def test_no_display_is_one_sentence_and_the_run_goes_on(stand: Stand, how: str, words: str) -> None:
    result = run(stand, how)
    assert words in result.window
    assert result.window.endswith("; going on as text.")
    assert "\n" not in result.window
    assert result.window in stand.shown
    assert result.ended == Ended(Outcome.COMPLETED, "Done.")


def test_a_window_that_cannot_be_started_is_no_display(stand: Stand) -> None:
    result = stand.run(window=("/nowhere/window",), answer_not_judged=None)
    assert "can't be started" in result.window
    assert result.ended is not None


def test_a_mute_window_holds_up_nothing_and_nobody_is_watching(stand: Stand) -> None:
    stand.watch.length_s = 3.0
    recorder = stand.make(window=argv(stand, "mute"), answer_not_judged=None)
    link = recorder._window
    assert link is not None
    hello, _ = link._hello()
    fat = msgspec.structs.replace(hello, session_path="x" * 200_000)

    def flood() -> None:
        for _ in range(3000):
            link.outbox.add(fat)

    stand.when_on(flood)
    stand.when_on(lambda: setattr(recorder._board, "leaving", True), delay_s=3.5)
    result = recorder.run()
    assert result.ended == Ended(Outcome.COMPLETED, "Done.")
    assert result.longest_tick_s < 0.5
    assert link.outbox.dropped > 0
    assert attention(stand) == [False]


def test_a_frozen_window_is_not_watching_and_is_started_again(
    stand: Stand, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(window_module, "DEAF_S", 1.0)
    stand.watch.length_s = 4.0
    recorder = stand.make(window=argv(stand, "frozen"), answer_not_judged=None)
    stand.when_on(lambda: setattr(recorder._board, "leaving", True), delay_s=4.2)
    result = recorder.run()
    assert recorder._window is not None
    assert recorder._window.starts >= 2
    assert attention(stand) == [False]
    assert result.ended == Ended(Outcome.COMPLETED, "Done.")


def test_a_mad_window_does_no_harm(stand: Stand) -> None:
    stand.watch.length_s = 2.0
    result = run(stand, "mad")
    assert result.ended == Ended(Outcome.COMPLETED, "Done.")
    told = [payload.event for payload in stand.entries() if isinstance(payload, RunTold)]
    assert not any(isinstance(event, KeyPressed) for event in told)


def test_an_entry_of_the_window_is_stored_and_its_fault_lands_in_the_crash_log(
    stand: Stand, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("platformdirs.user_log_dir", lambda *_, **__: str(tmp_path / "log"))
    run(stand, "enter")
    assert Noted("seen through the window", by="A.") in stand.entries()
    (kept,) = (tmp_path / "log").iterdir()
    assert kept.name.startswith("crash-")
    assert kept.read_text() == "a planted fault"


def test_the_key_in_the_window_cuts_off(stand: Stand) -> None:
    stand.watch.length_s = 30.0
    result = run(stand, "cut")
    assert result.ended is not None
    assert (result.ended.outcome, result.ended.reason) == (Outcome.CUT_OFF, "smoke")
    assert not stand.server.state["output_on"]


def test_closing_the_window_with_power_on_stops_the_run(stand: Stand) -> None:
    stand.watch.length_s = 30.0
    result = run(stand, "close")
    assert result.ended is not None
    assert result.ended.outcome is Outcome.UNDECIDED
    assert not stand.server.state["output_on"]


def test_closing_the_window_and_leaving_power_on_goes_on_as_text_unwatched(stand: Stand) -> None:
    stand.watch.length_s = 3.0
    result = run(stand, "leave")
    assert result.ended == Ended(Outcome.COMPLETED, "Done.")
    assert attention(stand) == [True, False]
    assert any("goes on as text" in text for text in stand.shown)
    assert kinds(stand)[-1] == "Closing"


def test_a_document_is_made_after_the_session_is_closed(stand: Stand, tmp_path: Path) -> None:
    def document(session: Path) -> Path:
        assert not session.with_name(session.name + "-wal").exists()
        assert not session.with_name(session.name + "-lock").exists()
        return tmp_path / "unit.pdf"

    result = stand.run(make_document=document)
    assert result.document == tmp_path / "unit.pdf"
