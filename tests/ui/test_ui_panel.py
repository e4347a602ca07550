"""How a panel takes its place in a stage."""

import sys
import types
from pathlib import Path

import pytest
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest

from benchlog.model.history import Noted
from benchlog_ui import panel as panels
from benchlog_ui.climbpage import SLOW
from benchlog_ui.invented import cold_checks, entries_of
from benchlog_ui.keys import Deed
from benchlog_ui.panel import Panel
from benchlog_ui.shell import KEYS
from benchlog_ui.stages import Stage


class Counting(Panel):
    """A panel that counts what it is told."""

    def __init__(self, place):
        super().__init__(place)
        self.entries, self.frames, self.pressed, self.looks, self.dropped = [], 0, 0, 0, []

    def restyle(self, look):
        self.looks += 1

    def take(self, entries):
        self.entries += entries

    def refresh(self, real_s):
        self.frames += 1

    def deeds(self):
        return (Deed("Ctrl+Return", "take", "Take the reading", self._press),)

    def drop(self, paths):
        self.dropped += paths
        return True

    def _press(self):
        self.pressed += 1


@pytest.fixture
def shell(bench, monkeypatch):
    module = types.ModuleType("invented_panel")
    module.Counting = Counting
    monkeypatch.setitem(sys.modules, "invented_panel", module)
    monkeypatch.setitem(panels.PANELS, Stage.COLD, "invented_panel:Counting")
    return bench.start.desk.shell


def test_a_panel_gets_all_lines_its_frames_and_its_keys(bench, shell):
    shell.take(entries_of(cold_checks()))
    shell.go(Stage.COLD.value)
    panel = shell.panels[Stage.COLD]
    before = len(panel.entries)
    assert before == len(cold_checks())
    shell.take(entries_of([(3.0, Noted("later", stage="cold-checks"))], first=99))
    assert len(panel.entries) == before + 1
    for _ in range(SLOW + 1):
        bench.start.desk.frame()
    assert panel.frames >= 1
    assert panel.looks >= 1
    QTest.keyClick(bench.start.window, Qt.Key.Key_Return, Qt.KeyboardModifier.ControlModifier)
    assert panel.pressed == 1
    assert shell.drop([Path("one.csv")])
    assert panel.dropped == [Path("one.csv")]
    shell.go(Stage.INTAKE.value)
    QTest.keyClick(bench.start.window, Qt.Key.Key_Return, Qt.KeyboardModifier.ControlModifier)
    assert panel.pressed == 1
    assert not shell.drop([Path("one.csv")])
    shell.go(KEYS)
    words = [label.text() for label, _ in shell.help._labels]
    assert "cold checks: Take the reading" in words


def test_a_sentence_for_the_technician_stands_at_the_top(bench):
    bench.start.window.tell("Stored.")
    assert bench.start.window.bands.words == ["Stored."]
    bench.start.window.bands.unpin("told", "Stored.")
    assert bench.start.window.bands.words == []
