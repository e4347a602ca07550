"""The bring-up view: ladder, readouts, courses over time, idle current against voltage, small multiples."""

from PySide6.QtWidgets import QGridLayout, QHBoxLayout, QStackedWidget, QVBoxLayout, QWidget

from benchlog_ui import sight
from benchlog_ui.board import Board
from benchlog_ui.climb import Climb
from benchlog_ui.course import SPANS_S, Course
from benchlog_ui.inrush import InrushPanel, Switched
from benchlog_ui.ladder import LadderView
from benchlog_ui.look import Look
from benchlog_ui.multiples import Multiples
from benchlog_ui.readout import Readout
from benchlog_ui.traces import Traces

DIGITS = 3
SLOW = 6
"""Frames from one drawing of the digits, and of ladder, steps and small plots, to the next."""


class BringUpPage(QWidget):
    """The central view."""

    def __init__(self, look: Look, traces: Traces) -> None:
        """Empty until the first `refresh`."""
        super().__init__()
        self._traces = traces
        self._span = 1
        self.current = Readout(look, "source current", "AC r.m.s.")
        self.inlet = Readout(look, "inlet voltage", "AC r.m.s.")
        self.ladder = LadderView(look)
        self.course = Course(look, traces)
        self.climb = Climb(look)
        self.multiples = Multiples(look, traces)
        self.inrush = InrushPanel(look)
        self.beside = QStackedWidget()
        self.beside.addWidget(self.multiples)
        self.beside.addWidget(self.inrush)
        self._lay_out()
        self.restyle(look)

    def _lay_out(self) -> None:
        self._readouts = QHBoxLayout()
        self._readouts.addWidget(self.current)
        self._readouts.addWidget(self.inlet)
        self._lower = QHBoxLayout()
        self._lower.addWidget(self.climb, 5)
        self._lower.addWidget(self.beside, 4)
        self._right = QVBoxLayout()
        self._right.addLayout(self._readouts)
        self._right.addWidget(self.course, 11)
        self._right.addLayout(self._lower, 8)
        self._grid = QGridLayout(self)
        self._grid.addWidget(self.ladder, 0, 0)
        self._grid.addLayout(self._right, 0, 1)
        self._grid.setColumnStretch(0, 39)
        self._grid.setColumnStretch(1, 61)

    def restyle(self, look: Look) -> None:
        """Take colours and sizes."""
        gap = look.px(8)
        self._grid.setContentsMargins(gap, gap, gap, gap)
        for layout in (self._grid, self._readouts, self._lower, self._right):
            layout.setSpacing(gap)
        parts = (self.current, self.inlet, self.ladder, self.course, self.climb, self.multiples, self.inrush)
        for part in parts:
            part.restyle(look)

    def turn_over(self) -> None:
        """Show the switch-on waveform in place of the small plots, or those again."""
        self.beside.setCurrentIndex(1 - self.beside.currentIndex())

    def show_switched(self, news: Switched) -> None:
        """A switch-on was captured: show it."""
        self.inrush.show_switched(news)
        self.beside.setCurrentWidget(self.inrush)

    def next_span(self) -> str:
        """Show the next length of the past; returns its words."""
        self._span = (self._span + 1) % len(SPANS_S)
        self.course.show_span(SPANS_S[self._span])
        return self.span_words()

    def span_words(self) -> str:
        """What is shown of the past."""
        span_s = SPANS_S[self._span]
        return "past: all" if span_s is None else f"past: {span_s:.0f} s"

    def refresh(self, board: Board, real_s: float, frame: int, grown: set[str]) -> None:
        """Draw a frame: curves at every one, digits at every third, what is read slowly at every sixth."""
        now_us = board.old_end_us if board.old_end_us is not None else board.now_us(real_s)
        self.course.refresh(board, now_us, sight.forecast(board), grown)
        if frame % DIGITS == 0:
            self.current.show_reading(sight.current_shown(board, real_s))
            self.inlet.show_reading(sight.inlet_shown(board, real_s))
        if frame % SLOW == 0:
            self.ladder.show_rungs(sight.rungs(board), board.volts())
            self.climb.refresh(board)
            self.inrush.show_limit(board.limits.stop_a if board.limits is not None else None)
        if frame % SLOW == SLOW // 2:
            self.beside.setVisible(bool(self.multiples.plots) or self.inrush.shown is not None)
            self.multiples.refresh(board, self.course.from_s, now_us, real_s)
