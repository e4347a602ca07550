"""One point's readings over time as a small graph: each a mark of its verdict, the limit as a line."""

import math
from collections.abc import Callable, Sequence

from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QFontMetricsF, QPainter, QPaintEvent, QPen
from PySide6.QtWidgets import QWidget

from benchlog.model.history import Entry, Taken
from benchlog.model.printed import with_prefix
from benchlog_ui.look import Look, paint_shape
from benchlog_ui.panels.verdicts import POINT_VERDICT, value_words

_LOGARITHMIC = 20.0
"""Readings that differ by more than this are drawn on a logarithmic axis."""


class PointCourse(QWidget):
    """The readings of one point, first to last, evenly spaced with their dates, before and after a repair."""

    def __init__(self, look: Look) -> None:
        """No point."""
        super().__init__()
        self._look = look
        self._entries: list[tuple[Entry, Taken]] = []
        self._bounds: list[int] = []
        self.restyle(look)

    def restyle(self, look: Look) -> None:
        """Take colours and sizes."""
        self._look = look
        self.setMinimumHeight(look.px(104))
        self.update()

    def show_readings(self, entries: Sequence[Entry], parts_at: Sequence[int]) -> None:
        """The readings of one point, and the numbers of the entries at which parts were fitted."""
        self._entries = [(e, e.payload) for e in entries if isinstance(e.payload, Taken)][-24:]
        self._bounds = [
            sum(entry.seq < at for entry, _ in self._entries)
            for at in parts_at
            if self._entries and self._entries[0][0].seq < at
        ]
        words = [f"{value_words(t)} {POINT_VERDICT[t.verdict][0]}" for _, t in self._entries]
        self.setAccessibleName("Readings of this point: " + ("; ".join(words) or "none"))
        self.update()

    def _values(self) -> list[float | None]:
        return [t.value for _, t in self._entries]

    def _scale(self) -> tuple[float, float, bool]:
        """Lowest and highest of readings and limits, and whether the axis is logarithmic."""
        found = [v for v in self._values() if v is not None]
        found += [t.limit.value for _, t in self._entries if t.limit is not None]
        if not found:
            return 0.0, 1.0, False
        low, high = min(found), max(found)
        log = low > 0.0 and high / low > _LOGARITHMIC
        if log:
            low, high = math.log10(low), math.log10(high)
        room = 0.15 * (high - low) or 0.5 * abs(high) or 0.5
        return low - room, high + room, log

    def paintEvent(self, event: QPaintEvent) -> None:
        """The graph."""
        look, painter = self._look, QPainter(self)
        box = QRectF(self.rect())
        painter.fillRect(box, look.colour("paper"))
        painter.setFont(look.font(17))
        metrics = QFontMetricsF(painter.font())
        if not self._entries:
            painter.setPen(look.colour("faint"))
            painter.drawText(box, int(Qt.AlignmentFlag.AlignCenter), "no reading of this point yet")
            return
        inner = box.adjusted(
            look.px(18), 1.9 * metrics.height(), -look.px(18), -metrics.height() - look.px(4)
        )
        low, high, log = self._scale()

        def height(value: float) -> float:
            at = math.log10(value) if log and value > 0.0 else value
            return inner.bottom() - (at - low) / (high - low) * inner.height()

        self._limit(painter, inner, height)
        step = inner.width() / len(self._entries)
        for bound in self._bounds:
            x = inner.left() + step * bound
            painter.setPen(QPen(look.colour("faint"), 1, Qt.PenStyle.DashLine))
            painter.drawLine(QPointF(x, inner.top()), QPointF(x, inner.bottom()))
        for number, (entry, taken) in enumerate(self._entries):
            x = inner.left() + step * (number + 0.5)
            y = height(taken.value) if taken.value is not None else inner.top()
            self._mark(painter, x, y, taken, step)
            painter.setPen(look.colour("faint"))
            when = f"{entry.wall:%d %b}" if step > metrics.horizontalAdvance("00 MMM ") else ""
            painter.drawText(
                QRectF(x - step / 2, inner.bottom() + look.px(2), step, metrics.height()),
                int(Qt.AlignmentFlag.AlignHCenter), when,
            )  # fmt: skip

    def _limit(self, painter: QPainter, inner: QRectF, height: Callable[[float], float]) -> None:
        limit = self._entries[-1][1].limit
        if limit is None:
            return
        look = self._look
        y = height(limit.value)
        painter.setPen(QPen(look.colour("acceptance"), 1, Qt.PenStyle.DashDotLine))
        painter.drawLine(QPointF(inner.left(), y), QPointF(inner.right(), y))
        words = f"limit {with_prefix(limit.value, limit.unit, 3)}"
        wide = QFontMetricsF(painter.font()).horizontalAdvance(words)
        painter.drawText(QPointF(inner.right() - wide, y - look.px(3)), words)

    def _mark(self, painter: QPainter, x: float, y: float, taken: Taken, step: float) -> None:
        look = self._look
        _, shape, name = POINT_VERDICT[taken.verdict]
        side = look.px(15)
        paint_shape(painter, shape, QRectF(x - side / 2, y - side / 2, side, side), look.colour(name))
        metrics = QFontMetricsF(painter.font())
        words = metrics.elidedText(value_words(taken), Qt.TextElideMode.ElideRight, step)
        painter.setPen(look.colour("ink"))
        painter.drawText(
            QRectF(x - step / 2, y - side - metrics.height(), step, metrics.height()),
            int(Qt.AlignmentFlag.AlignHCenter), words,
        )  # fmt: skip
