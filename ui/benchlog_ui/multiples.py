"""Rails, output DC, power and temperature as small multiples: the same drawing for each, side by side."""

import pyqtgraph as pg
from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QFontMetricsF, QPainter, QPaintEvent, QPen
from PySide6.QtWidgets import QGridLayout, QWidget

from benchlog.model.clock import US
from benchlog.model.role import Role
from benchlog_ui.board import Board
from benchlog_ui.discharge import estimate
from benchlog_ui.look import Look, paint_shape
from benchlog_ui.marks import Shape
from benchlog_ui.traces import Traces
from benchlog_ui.words import STATUS, age, channel_words, figure, span

ORDER = (
    Role.RAIL_PLUS.value,
    Role.RAIL_MINUS.value,
    Role.OUTPUT_DC.value,
    Role.SOURCE_POWER.value,
    Role.HEATSINK.value,
    Role.BIAS.value,
    Role.RESERVOIR.value,
)
_LEAST_SPAN = {Role.OUTPUT_DC.value: 0.1, Role.BIAS.value: 0.01}
"""Height of a small plot at least, so that the last digit does not fill it; elsewhere 1 of its unit."""


_LEAST_PX = 16
"""A curve lower than this tells nothing: words then stand over it."""


class SmallPlot(QWidget):
    """One channel: name, present value, age, status, and its course over the time of the main plots."""

    def __init__(self, look: Look, channel: str, traces: Traces) -> None:
        """Nothing drawn before the first `refresh`."""
        super().__init__()
        self.channel = channel
        self._traces = traces
        self._look = look
        self._range = (0.0, 1.0)
        self._value = "–"
        self._status = ""
        self._shape = Shape.HOLLOW
        self._usable = False
        self.setMinimumHeight(look.px(60))

    def restyle(self, look: Look) -> None:
        """Take colours and sizes."""
        self._look = look
        self.setMinimumHeight(look.px(60))
        self.update()

    def refresh(self, board: Board, from_s: float, now_us: int, real_s: float) -> None:
        """Take the present state and draw."""
        self._range = (from_s, max(now_us / US, from_s + 1.0))
        latest = board.latest.get(self.channel)
        name, unit, decimals = channel_words(self.channel)
        if latest is not None:
            self._value = (
                "–" if latest.last_value is None else f"{figure(latest.last_value, decimals)} {unit}"
            )
            old = board.age_s(self.channel, real_s)
            stale = old > board.stale_s(self.channel) and not board.at_rest
            self._usable = latest.status is None and not stale
            if latest.status is not None:
                self._status, self._shape = STATUS[latest.status]
            else:
                self._status = f"STALE {age(old)}" if stale else ""
                self._shape = Shape.HOURGLASS if stale else Shape.DOT
            if self._usable:
                self._status = discharge_words(board, self.channel)
        self.setAccessibleName(f"{name} {self._value} {self._status}".strip())
        self.update()

    def paintEvent(self, event: QPaintEvent) -> None:
        """Draw heading and course."""
        look = self._look
        painter = QPainter(self)
        painter.fillRect(self.rect(), look.colour("paper"))
        margin = look.px(10)
        head, line = look.px(34), look.px(28)
        wide = self.width() - 2 * margin
        self._heading(painter, QRectF(margin, look.px(2), wide, head))
        plot = QRectF(margin, head + look.px(4), wide, self.height() - head - look.px(10))
        words = QRectF(margin, plot.top(), wide, line)
        if self._status and plot.height() > line + _LEAST_PX:
            plot.setTop(plot.top() + line)
        self._curve(painter, plot)
        if self._status:
            painter.setClipping(False)
            self._complaint(painter, words)

    def _heading(self, painter: QPainter, box: QRectF) -> None:
        look = self._look
        painter.setFont(look.fixed_font(18))
        painter.setPen(look.colour("faint"))
        name = channel_words(self.channel)[0]
        painter.drawText(box, int(Qt.AlignmentFlag.AlignVCenter), name)
        ink = "ink" if self._usable else "stop"
        font = look.fixed_font(26, bold=True)
        painter.setFont(font)
        painter.setPen(look.colour(ink))
        painter.drawText(box, int(Qt.AlignmentFlag.AlignVCenter | Qt.AlignmentFlag.AlignRight), self._value)

    def _complaint(self, painter: QPainter, box: QRectF) -> None:
        """What is wrong with the reading; over its curve where there is no room above it."""
        look = self._look
        side = look.px(20)
        font = look.fixed_font(18, bold=True)
        width = QFontMetricsF(font).horizontalAdvance(self._status) + side * 1.8
        ground = QRectF(box.x(), box.y(), width, look.px(28))
        painter.fillRect(ground, look.colour("paper"))
        ink = look.colour("ink" if self._usable else "stop")
        paint_shape(painter, self._shape, QRectF(box.x(), box.y() + 3, side, side), ink)
        painter.setFont(font)
        painter.setPen(ink)
        painter.drawText(
            ground.adjusted(side * 1.5, 0, 0, 0), int(Qt.AlignmentFlag.AlignVCenter), self._status
        )

    def _curve(self, painter: QPainter, box: QRectF) -> None:
        look = self._look
        from_s, to_s = self._range
        line = self._traces.line(self.channel, from_s, to_s, max(int(box.width()), 10))
        extremes = self._traces.curves[self.channel].extremes(from_s, to_s) if line is not None else None
        if line is None or extremes is None or box.height() < 8:
            return
        low, high = min(extremes[0], 0.0), max(extremes[1], 0.0)
        least = _LEAST_SPAN.get(self.channel, 1.0)
        if high - low < least:
            high = low + least
        zero = box.bottom() - (0.0 - low) / (high - low) * box.height()
        painter.setPen(QPen(look.colour("rule"), 1))
        painter.drawLine(QPointF(box.left(), zero), QPointF(box.right(), zero))
        painter.setClipRect(box.adjusted(-1, -2, 1, 2))
        painter.setPen(QPen(look.colour("ink"), 1))
        x = box.left() + (line.t_s - from_s) / (to_s - from_s) * box.width()
        y = box.bottom() - (line.v - low) / (high - low) * box.height()
        painter.drawPath(pg.arrayToQPath(x, y, connect="finite"))


def discharge_words(board: Board, channel: str) -> str:
    """How long a rail still takes to discharge, once the source is away; empty otherwise."""
    if channel not in board.rails or board.power is None or board.power.on or board.ended is None:
        return ""
    found = estimate(board.rails[channel])
    if found is None or found.to_probe_s is None or found.to_touch_s is None:
        return "treat as charged"
    if found.to_touch_s == 0.0:
        return "below 10 V"
    return f"about {span(found.to_touch_s)} to 10 V"


class Multiples(QWidget):
    """The small plots of whatever channels are there, two in a row."""

    def __init__(self, look: Look, traces: Traces) -> None:
        """No plots before their channels give readings."""
        super().__init__()
        self._look = look
        self._traces = traces
        self.plots: dict[str, SmallPlot] = {}
        self._grid = QGridLayout(self)
        self._grid.setContentsMargins(0, 0, 0, 0)
        self._grid.setSpacing(look.px(6))

    def restyle(self, look: Look) -> None:
        """Take colours and sizes."""
        self._look = look
        self._grid.setSpacing(look.px(6))
        for plot in self.plots.values():
            plot.restyle(look)

    def refresh(self, board: Board, from_s: float, now_us: int, real_s: float) -> None:
        """Draw all of them; a channel that is new gets its plot."""
        there = [c for c in ORDER if c in board.latest]
        if there != list(self.plots):
            self._arrange(there)
        for plot in self.plots.values():
            plot.refresh(board, from_s, now_us, real_s)

    def _arrange(self, channels: list[str]) -> None:
        plots = {c: self.plots.get(c) or SmallPlot(self._look, c, self._traces) for c in channels}
        self.plots = plots
        columns = 1 if len(channels) <= 2 else 2
        for number, plot in enumerate(plots.values()):
            self._grid.addWidget(plot, number // columns, number % columns)
