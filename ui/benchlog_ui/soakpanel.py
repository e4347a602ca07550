"""The soak: how far it is, the present readings, and what was said of it."""

from collections.abc import Sequence

from PySide6.QtWidgets import QHBoxLayout, QLabel, QProgressBar, QVBoxLayout

from benchlog.model.clock import US
from benchlog.model.event import Ended, Marked
from benchlog.model.history import Entry, Noted, RunBegun, RunSaid
from benchlog_ui import sight
from benchlog_ui.look import Look
from benchlog_ui.multiples import Multiples
from benchlog_ui.panel import Panel, Place
from benchlog_ui.readout import Readout
from benchlog_ui.words import elapsed

NONE_YET = (
    "No soak yet. Enter its minutes before power (F3); it follows the last step by itself, "
    "and the stop limit goes on watching."
)
STEADY = (
    "Steady over its last ten minutes means: current and watts within ±5 %, output DC within ±10 mV, "
    "heatsink risen by at most 2 K and not above 60 °C (common practice, no source; low confidence)."
)


class SoakPanel(Panel):
    """Progress, large readings, small courses, and the words of the limit watch."""

    def __init__(self, place: Place) -> None:
        """Nothing begun."""
        super().__init__(place)
        self.begun_us: int | None = None
        self.ended = ""
        self.length_us = 0
        self.notes: list[str] = []
        self.head, self.said, self.steady = QLabel(NONE_YET), QLabel(), QLabel(STEADY)
        for label in (self.head, self.said, self.steady):
            label.setWordWrap(True)
        self.progress = QProgressBar()
        self.progress.setTextVisible(False)
        self.progress.setAccessibleName("How far the soak is")
        self.current = Readout(place.look, "source current", "AC r.m.s.")
        self.inlet = Readout(place.look, "inlet voltage", "AC r.m.s.")
        self.multiples = Multiples(place.look, place.traces) if place.traces is not None else None
        self._lay_out()
        self.restyle(place.look)

    def _lay_out(self) -> None:
        self._readouts = QHBoxLayout()
        self._readouts.addWidget(self.current)
        self._readouts.addWidget(self.inlet)
        column = self._column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.addWidget(self.head)
        column.addWidget(self.progress)
        column.addLayout(self._readouts)
        if self.multiples is not None:
            column.addWidget(self.multiples, 3)
        column.addWidget(self.said)
        column.addStretch(1)
        column.addWidget(self.steady)

    def restyle(self, look: Look) -> None:
        """Take colours and sizes."""
        self.head.setFont(look.font(26, bold=True))
        self.said.setFont(look.font(22))
        self.steady.setFont(look.font(18))
        self._column.setSpacing(look.px(12))
        self._readouts.setSpacing(look.px(8))
        for part in (self.current, self.inlet, self.multiples):
            if part is not None:
                part.restyle(look)

    def take(self, entries: Sequence[Entry]) -> None:
        """The beginning and the end of a soak, and what was not steady."""
        for entry in entries:
            match entry.payload:
                case RunBegun(setup=setup):
                    self.begun_us, self.ended, self.notes = None, "", []
                    self.length_us = round(setup.soak_s * US)
                case RunSaid(said=Marked(what="soak-begun", detail=detail)):
                    self.begun_us = entry.t_us
                    self.notes = [detail]
                case RunSaid(said=Marked(what="soak-not-steady", detail=detail)):
                    self.notes.append(detail)
                case RunSaid(said=Ended(reason=reason)) if self.begun_us is not None:
                    self.ended = reason
                case Noted(stage="soak", text=text):
                    self.notes.append(text)
        self.said.setText("\n".join(self.notes))
        self._progress(self.begun_us if self.begun_us is not None else 0)

    def refresh(self, real_s: float) -> None:
        """The present readings, and how far it is."""
        board = self.place.board
        now_us = board.now_us(real_s)
        self.current.show_reading(sight.current_shown(board, real_s))
        self.inlet.show_reading(sight.inlet_shown(board, real_s))
        if self.multiples is not None:
            from_us = self.begun_us if self.begun_us is not None else max(now_us - 120 * US, 0)
            self.multiples.refresh(board, from_us / US, now_us, real_s)
        self._progress(now_us)

    def _progress(self, now_us: int) -> None:
        self.progress.setVisible(self.begun_us is not None and not self.ended)
        if self.begun_us is None:
            asked = (
                f"A soak of {elapsed(self.length_us / US)} follows the last step." if self.length_us else ""
            )
            self.head.setText(asked or NONE_YET)
            return
        if self.ended:
            self.head.setText(self.ended)
            return
        gone_us = min(max(now_us - self.begun_us, 0), self.length_us)
        self.head.setText(f"Soak: {elapsed(gone_us / US)} of {elapsed(self.length_us / US)}")
        self.progress.setRange(0, max(self.length_us // US, 1))
        self.progress.setValue(gone_us // US)
