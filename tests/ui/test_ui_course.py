"""What stands on and beside the plots: names of limits, figures of the axes, long sentences."""

import time
from datetime import UTC, datetime
from itertools import pairwise

import pyqtgraph as pg
import pytest
from PySide6.QtGui import QFontMetricsF

from benchlog.model.clock import US
from benchlog.model.event import Ended, Marked
from benchlog.model.history import Entry, RunBegun, RunSaid
from benchlog.model.step import Outcome
from benchlog_ui import sight
from benchlog_ui.bands import Band, Bands
from benchlog_ui.board import STOP, Board
from benchlog_ui.climbpage import SLOW
from benchlog_ui.colours import LIGHT
from benchlog_ui.course import PlainAxis
from benchlog_ui.look import Look
from benchlog_ui.scenes import SOAK, named, setup
from benchlog_ui.stages import Stage
from benchlog_ui.story import Story


def told(desk, name):
    heard = time.monotonic()
    for message in Story(named(name)).messages():
        desk.board.take(message, heard)
    desk.shell.go("bring-up")
    for _ in range(2 * SLOW):
        desk.frame_at(heard + 0.05)


@pytest.mark.parametrize("size", [(1366, 768), (1920, 1080)])
def test_both_limits_name_value_and_source_inside_the_plot_and_run_to_its_edge(bench, qapp, size):
    bench.start.window.resize(*size)
    qapp.processEvents()
    told(bench.start.desk, "middle")
    course = bench.start.desk.shell.bring_up.course
    texts = [label.item.textItem.toPlainText() for label in (course._acceptance, course._stop)]
    assert [text.replace("\n", "  ") for text in texts] == [
        "acceptance 0.811 A  nameplate",
        "stop 1.38 A  1.7 × acceptance limit",
    ]
    box = course._current.getViewBox()
    px_a = course._top["current"] / box.height()
    stop_at = course._stop.item.pos().y()
    assert stop_at + course._stop.height(texts[1].count("\n") + 1) * px_a <= course._top["current"] * 1.02
    t_s, _ = course._lines[STOP][1].getData()
    assert t_s[-1] == pytest.approx(course._view[1], abs=1.0)


def test_the_figures_of_an_axis_follow_its_range(qapp):
    axis = PlainAxis(orientation="left")
    axis.picture = object()
    axis.setRange(0.0, 9.0)
    assert axis.picture is None  # drawn anew at the next frame
    assert axis.autoSIPrefixScale == 1.0
    assert issubclass(PlainAxis, pg.AxisItem)


def test_cannot_judge_stands_alone_in_the_large_line_and_what_would_help_below():
    board = Board()
    for message in Story(named("cannot-judge")).messages():
        board.take(message, 0.0)
    line = sight.instruction(board)
    assert line.text == "Cannot judge at 12 V"
    assert "pass the conductor through a clamp 3 times" in line.reason
    assert "step 2 of 11" in line.reason


def test_no_nominal_voltage_is_shown_before_one_is_known():
    assert sight.inlet_shown(Board(), 0.0).notches == ()


def test_a_long_sentence_takes_more_lines_and_is_not_cut_at_its_ends(qtbot):
    look = Look(LIGHT, 0.7)
    bands = Bands(look)
    qtbot.addWidget(bands)
    bands.resize(600, 100)
    bands.show()
    words = "The session can't be continued here because the disk is full; make room and begin again. " * 2
    heights = []
    for said in ("short", words):
        bands.show_bands([Band("told", said, "paper", "ink")])
        bands.adjustSize()
        bands.resize(600, bands.sizeHint().height())
        qtbot.wait(1)
        heights.append(bands._stripes[0].height())
    needed = QFontMetricsF(look.fixed_font(21, bold=True)).horizontalAdvance(words) / 600
    assert heights[1] >= heights[0] * 0.8 * needed


@pytest.mark.parametrize("width", [900, 1366, 1920])
def test_no_stop_of_the_route_lies_over_another(bench, qapp, width):
    bench.start.window.resize(width, 768)
    qapp.processEvents()
    boxes = [button.geometry() for button in bench.start.desk.shell.route.buttons.values()]
    assert all(a.right() < b.left() for a, b in pairwise(boxes))
    assert boxes[-1].right() <= width


def test_the_soak_tells_how_far_it_is_and_how_it_ended(bench):
    desk = bench.start.desk
    told(desk, "middle")
    heard, wall = time.monotonic(), datetime.now(UTC)
    now_us = desk.board.now_us(heard)
    begun = RunSaid(Marked("soak-begun", "Soak: 10 min at 120 V", 10))
    entries = [Entry(1, 0, wall, RunBegun(setup(SOAK))), Entry(2, now_us - 260 * US, wall, begun)]
    desk.shell.take(entries)
    desk.shell.go(Stage.SOAK.value)
    panel = desk.shell.panels[Stage.SOAK]
    panel.refresh(heard)
    assert panel.head.text() == "Soak: 4:20 of 10:00"
    assert (panel.progress.value(), panel.progress.maximum()) == (260, 600)
    assert panel.current.shown.digits == "0.190"
    assert [plot.channel for plot in panel.multiples.plots.values()][:2] == ["rail-plus", "rail-minus"]
    over = RunSaid(Ended(Outcome.COMPLETED, "Completed: 10 min of soak at 120 V, 0.31 A"))
    panel.take([Entry(3, now_us, wall, over)])
    assert panel.head.text() == "Completed: 10 min of soak at 120 V, 0.31 A"
    assert panel.progress.isHidden()
