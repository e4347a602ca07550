"""A whole job by keyboard alone: the real recorder in its process, a simulated bench in another."""

import json
import os
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest
from crowd import crowd
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest

from benchlog.model.history import Noted, RunBegun, RunEnded
from benchlog.model.step import Outcome
from benchlog.session.reader import SessionReader
from benchlog_drivers.simulated.options import make_options
from benchlog_drivers.simulated.process import spawn
from benchlog_ui.stages import Stage
from benchlog_ui.start import Start

CTRL = Qt.KeyboardModifier.ControlModifier
RELAYED = Path(__file__).with_name("relayed.py")


class Hands:
    """The window of a real recorder, and keys for it. Nothing is clicked, no slot is called."""

    def __init__(self, qapp, start):
        self.qapp, self.start = qapp, start

    def until(self, ready, seconds=30.0):
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            self.qapp.processEvents()
            if ready():
                return
            time.sleep(0.003)
        line = self.start.window.instruction
        raise AssertionError(
            f"not within {seconds} s; the line says: {line.text} ({line.accessibleDescription()})"
        )

    def key(self, key, modifier=Qt.KeyboardModifier.NoModifier):
        from PySide6.QtGui import QGuiApplication

        window = QGuiApplication.focusWindow() or self.start.window.windowHandle()
        QTest.keyClick(window, key, modifier)

    def type(self, text):
        QTest.keyClicks(self.qapp.focusWidget(), text)

    def tab_to(self, widget):
        for _ in range(60):
            if widget.hasFocus():
                return
            self.key(Qt.Key.Key_Tab)
        raise AssertionError(f"{widget.accessibleName()} can't be reached by Tab")


@pytest.fixture
def hands(qapp, tmp_path, monkeypatch):
    for name in ("XDG_STATE_HOME", "XDG_DATA_HOME", "XDG_CONFIG_HOME"):
        monkeypatch.setenv(name, str(tmp_path / name))
    listener = socket.create_server(("127.0.0.1", 0))
    running = []

    def open_window(*words):
        command = [sys.executable, str(RELAYED), str(listener.getsockname()[1]), "open", *map(str, words)]
        with (tmp_path / "said").open("wb") as said:
            child = subprocess.Popen(command, stdin=subprocess.DEVNULL, stderr=said)
        line, _ = listener.accept()
        start = Start(qapp, line.fileno(), os.dup(line.fileno()))
        running.extend([child, line, start])
        start.window.resize(1366, 768)
        start.window.show()
        start.window.activateWindow()
        return Hands(qapp, start), child

    yield open_window
    child, line, start = running
    if start.desk is not None:
        start.desk.stop()
    start.window.may_close = True
    start.window.close()
    qapp.removeEventFilter(start.key)
    start.window.deleteLater()
    qapp.processEvents()
    start.link.close()
    line.shutdown(socket.SHUT_RDWR)
    line.close()
    listener.close()
    try:
        child.wait(15)
    except subprocess.TimeoutExpired:
        child.kill()
        child.wait()


@pytest.mark.alone
@pytest.mark.timeout(240)
def test_a_whole_job_by_keyboard_alone(hands, tmp_path):
    session = tmp_path / "job.benchlog"
    with spawn(make_options(supply="switch-mode", time_scale=max(15.0 / crowd(), 6.0))) as simulated:
        began = time.monotonic()
        hand, child = hands(session, "--bench", simulated.bench_path)
        hand.until(lambda: hand.start.desk is not None and "source-current" in hand.start.desk.board.latest)
        assert time.monotonic() - began < 20.0 * crowd()
        desk = hand.start.desk
        fill_in_intake(hand)
        begin(hand)
        cut_off_while_typing(hand)
        begin_again(hand)
        hand.until(lambda: desk.board.ended is not None, 90.0)
        for _ in range(2):
            if "gives way" in desk.board.ended.reason:  # the simulated bench of a loaded machine lags behind
                begin_again(hand)
                hand.until(lambda: desk.board.ended is not None, 90.0)
        assert desk.board.ended.outcome is Outcome.COMPLETED
        hand.until(lambda: desk.board.at_rest)
        hand.key(Qt.Key.Key_F4)
        hand.type("restored")
        hand.until(lambda: len(desk.shell.history.model.rows) == 1)
        document = hand_over(hand, tmp_path)
        hand.key(Qt.Key.Key_Q, CTRL)
        hand.until(lambda: child.poll() is not None)
    check(session)
    check_judged_again(session)
    assert document.read_bytes().startswith(b"%PDF-")


def fill_in_intake(hand):
    shell = hand.start.desk.shell
    hand.key(Qt.Key.Key_1, CTRL)
    assert shell.at == Stage.INTAKE.value
    hand.tab_to(shell.intake.complaint)
    hand.type("dead, fuse blown")
    hand.key(Qt.Key.Key_Tab)
    hand.until(lambda: shell.ledger.job.complaint == "dead, fuse blown")


def begin(hand):
    desk = hand.start.desk
    before = desk.shell.before
    hand.key(Qt.Key.Key_B, CTRL)
    hand.until(lambda: bool(before.boxes) and before.plan is not None)
    for box in before.boxes.values():
        hand.tab_to(box)
        hand.key(Qt.Key.Key_Space)
    assert before.unanswered() == []
    hand.key(Qt.Key.Key_B, CTRL)
    question = hand.start.window.question
    hand.until(lambda: desk.board.running or bool(question.words))
    if question.words:
        hand.type("looked at: nothing earthed on the unit")
        hand.key(Qt.Key.Key_Return)
    hand.until(lambda: desk.board.running and desk.board.power_on)


def cut_off_while_typing(hand):
    desk = hand.start.desk
    hand.until(lambda: bool(desk.board.records))
    hand.key(Qt.Key.Key_F2)
    hand.type("smells of ")
    hand.key(Qt.Key.Key_F12)
    hand.until(lambda: desk.board.latched and desk.board.power.confirmed)
    hand.type("varnish, restored")
    hand.key(Qt.Key.Key_Return)


def begin_again(hand):
    desk = hand.start.desk
    hand.until(lambda: desk.board.near_zero)
    before = runs(desk)
    hand.key(Qt.Key.Key_F10)
    assert "fuse" in hand.start.window.question.words
    hand.type("looked at: fuse good")
    hand.key(Qt.Key.Key_Return)
    hand.until(lambda: runs(desk) > before)


def runs(desk):
    return sum(isinstance(e.payload, RunBegun) for e in desk.shell.entries)


def hand_over(hand, folder):
    """The ending, and one document without its check."""
    shell = hand.start.desk.shell
    hand.key(Qt.Key.Key_7, CTRL)
    panel = shell.panels[Stage.HAND_OVER]
    hand.key(Qt.Key.Key_E, CTRL)
    assert "stands" in hand.start.window.question.words
    hand.type("rehearsed as far as this scenario goes")
    hand.key(Qt.Key.Key_Return)
    for box in [panel.check, *list(panel.layouts.values())[1:]]:
        hand.tab_to(box)
        hand.key(Qt.Key.Key_Space)
    hand.until(lambda: shell.ledger.ending is not None)
    hand.key(Qt.Key.Key_Return, CTRL)
    hand.until(lambda: not panel.works.busy and list(folder.glob("*.pdf")), 40.0)
    return next(folder.glob("*.pdf"))


def check_judged_again(session):
    """The run that was begun again has its own beginning: judged again it takes the same course."""
    words = [sys.executable, "-m", "benchlog", "rejudge", str(session), "--json"]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    report = json.loads(done.stdout)
    assert (report["outcome"], report["warnings"]) == ("completed", [])


def check(session):
    with SessionReader(session) as reader:
        entries = [e.payload for e in reader.entries()]
        assert reader.simulated
        assert reader.job().complaint == "dead, fuse blown"
    ends = [p for p in entries if isinstance(p, RunEnded)]
    assert [p.outcome for p in ends][:: len(ends) - 1] == [Outcome.CUT_OFF, Outcome.COMPLETED]
    assert "by the technician" in ends[0].reason
    assert sum(isinstance(p, RunBegun) for p in entries) == len(ends)
    assert any(isinstance(p, Noted) and p.text == "smells of varnish, restored" for p in entries)
