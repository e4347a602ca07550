"""How a panel takes its place in a stage, and what becomes of files that are dropped."""

import math
import sys
import time
import types
from pathlib import Path

import pytest
from PySide6.QtCore import QMimeData, QPoint, QPointF, Qt, QUrl
from PySide6.QtGui import QDragEnterEvent, QDropEvent, QImage, QShortcut
from PySide6.QtTest import QTest

from benchlog.model.history import Noted
from benchlog.model.protocol import EntryAdded, JobAsked
from benchlog_ui import panel as panels
from benchlog_ui.climbpage import SLOW
from benchlog_ui.invented import cold_checks, entries_of
from benchlog_ui.keys import Deed
from benchlog_ui.panel import Panel
from benchlog_ui.shell import KEYS
from benchlog_ui.stages import Stage

NONE = Qt.KeyboardModifier.NoModifier


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


def drop(window, *paths):
    data = QMimeData()
    data.setUrls([QUrl.fromLocalFile(str(p)) for p in paths])
    enter = QDragEnterEvent(QPoint(9, 9), Qt.DropAction.CopyAction, data, Qt.MouseButton.LeftButton, NONE)
    window.dragEnterEvent(enter)
    assert enter.isAccepted()
    window.dropEvent(
        QDropEvent(QPointF(9, 9), Qt.DropAction.CopyAction, data, Qt.MouseButton.LeftButton, NONE)
    )


def test_a_dropped_session_is_asked_for_and_a_waveform_is_shown(bench, tmp_path):
    job, wave = tmp_path / "one.benchlog", tmp_path / "scope.csv"
    rows = (f"{n / 5000},{v},{v / 40}" for n in range(2000) for v in (325 * math.sin(n * 0.0628),))
    wave.write_text("t_s,v_v,i_a\n" + "\n".join(rows))
    drop(bench.start.window, job)
    assert JobAsked(str(job)) in sent(bench)
    drop(bench.start.window, wave)
    page = bench.start.desk.shell.bring_up
    assert bench.pump(lambda: page.beside.currentWidget() is page.inrush, 10.0)
    notes = [m.payload.text for m in sent(bench) if isinstance(m, EntryAdded)]
    assert notes[0].startswith("waveform scope.csv:")
    drop(bench.start.window, tmp_path / "what.zip")
    assert bench.pump(lambda: any("what.zip" in words for words in bench.start.window.bands.words), 5.0)


def test_a_dropped_photograph_is_kept(bench, tmp_path):
    picture = tmp_path / "inside.png"
    image = QImage(40, 30, QImage.Format.Format_RGB32)
    image.fill(Qt.GlobalColor.darkGreen)
    image.save(str(picture))
    drop(bench.start.window, picture)
    assert bench.pump(lambda: bench.start.window.bands.words == ["The photograph is kept."], 10.0)
    (kept,) = [m.payload for m in sent(bench) if isinstance(m, EntryAdded)]
    assert type(kept).__name__ == "Photographed"


def sent(bench):
    time.sleep(0.05)
    return bench.heard()


def test_no_key_is_given_twice_on_any_page(bench):
    window, shell = bench.start.window, bench.start.desk.shell
    for name in shell.route.buttons:
        shell.go(name)
    everywhere = [s.key().toString() for s in window.findChildren(QShortcut) if s.parent() is window]
    allowed = {"F12", "Pause"}
    assert (
        len(everywhere) == len(set(everywhere))
        or {k for k in everywhere if everywhere.count(k) > 1} <= allowed
    )
    for panel in shell.panels.values():
        own = [deed.key for deed in panel.deeds()]
        assert len(own) == len(set(own))
        assert not set(own) & set(everywhere)
