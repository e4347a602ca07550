"""A reading's verdict on the screen: the value large, its mark and word, and the limit with its source."""

from PySide6.QtCore import QRectF, QSize, Qt
from PySide6.QtGui import QFontMetricsF, QPainter, QPaintEvent
from PySide6.QtWidgets import QWidget

from benchlog.model.history import Taken
from benchlog.model.limit import Limit
from benchlog.model.printed import with_prefix
from benchlog.model.step import PointVerdict
from benchlog_ui.look import Look, fitting_font, paint_shape
from benchlog_ui.marks import Shape
from benchlog_ui.words import STATUS

POINT_VERDICT: dict[PointVerdict, tuple[str, Shape, str]] = {
    PointVerdict.WITHIN: ("within limit", Shape.DOT, "go_up"),
    PointVerdict.DOUBTFUL: ("doubtful", Shape.LEVEL, "wait"),
    PointVerdict.OUTSIDE: ("outside limit", Shape.OVER, "stop"),
    PointVerdict.NONE: ("no judgement", Shape.DASHED_RING, "cannot"),
}
"""Verdict → word, shape, name of its colour."""


def value_words(taken: Taken) -> str:
    """The value of a reading, or the word for why there is none."""
    if taken.value is not None:
        return with_prefix(taken.value, taken.quantity.unit)
    return STATUS[taken.status][0].lower() if taken.status is not None else "no reading"


def limit_words(limit: Limit | None) -> str:
    """A limit with its source."""
    if limit is None:
        return ""
    return f"limit {with_prefix(limit.value, limit.unit, 3)}: {limit.source}"


class VerdictView(QWidget):
    """Name, value and verdict of one point; flashes when a reading has been taken."""

    def __init__(self, look: Look) -> None:
        """Nothing read yet."""
        super().__init__()
        self._look = look
        self.name = ""
        self.value = "–"
        self.verdict: PointVerdict | None = None
        self.reason = ""
        self.limit = ""
        self.flashing = False
        self.restyle(look)

    def restyle(self, look: Look) -> None:
        """Take colours and sizes."""
        self._look = look
        self.setMinimumHeight(look.px(232))
        self.update()

    def sizeHint(self) -> QSize:
        """Wide, and as high as three lines under large figures."""
        return QSize(self._look.px(700), self._look.px(250))

    def show_point(self, name: str, taken: Taken | None) -> None:
        """A point with its latest reading."""
        self.name = name
        self.value = value_words(taken) if taken is not None else "–"
        self.verdict = taken.verdict if taken is not None else None
        self.reason = taken.reason if taken is not None else "not read yet"
        self.limit = limit_words(taken.limit) if taken is not None else ""
        self._describe()

    def show_live(self, value: str, state: str) -> None:
        """What the meter in the hand shows now."""
        if (value, state) != (self.value, self.reason) or self.verdict is not None:
            self.value, self.reason, self.verdict, self.limit = value, state, None, ""
            self._describe()

    def flash(self, on: bool) -> None:
        """Turn the colours round for a moment."""
        if on != self.flashing:
            self.flashing = on
            self.update()

    def _describe(self) -> None:
        word = POINT_VERDICT[self.verdict][0] if self.verdict is not None else ""
        text = ", ".join(x for x in (self.name, self.value, word, self.reason, self.limit) if x)
        self.setAccessibleName(text)
        self.update()

    def paintEvent(self, event: QPaintEvent) -> None:
        """Name, large figures, then verdict, reason and limit."""
        look, painter = self._look, QPainter(self)
        paper, ink = look.colour("paper"), look.colour("ink")
        if self.flashing:
            paper, ink = ink, paper
        box = QRectF(self.rect())
        painter.fillRect(box, paper)
        gap = look.px(16)
        inner = box.adjusted(gap, look.px(8), -gap, -look.px(8))
        y = self._line(painter, inner, inner.top(), self.name, look.px(25), ink)
        font = fitting_font(look, self.value, inner.width(), 86, 40)
        painter.setFont(font)
        painter.setPen(ink)
        height = QFontMetricsF(font).height()
        painter.drawText(
            QRectF(inner.left(), y, inner.width(), height), int(Qt.AlignmentFlag.AlignLeft), self.value
        )
        y += height
        if self.verdict is not None:
            y = self._verdict(painter, inner, y)
        for words in (self.reason, self.limit):
            y = self._line(painter, inner, y, words, look.px(21), ink)

    def _verdict(self, painter: QPainter, inner: QRectF, y: float) -> float:
        look = self._look
        assert self.verdict is not None
        word, shape, name = POINT_VERDICT[self.verdict]
        colour = look.colour("paper" if self.flashing else name)
        side = look.px(26)
        paint_shape(painter, shape, QRectF(inner.left(), y + look.px(4), side, side), colour)
        font = look.font(27, bold=True)
        painter.setFont(font)
        painter.setPen(colour)
        height = QFontMetricsF(font).height()
        left = inner.left() + side + look.px(12)
        painter.drawText(QRectF(left, y, inner.width(), height), int(Qt.AlignmentFlag.AlignLeft), word)
        return y + height

    def _line(self, painter: QPainter, inner: QRectF, y: float, words: str, size: int, ink: object) -> float:
        if not words:
            return y
        look = self._look
        font = look.font(size / look.scale if look.scale else size)
        metrics = QFontMetricsF(font)
        painter.setFont(font)
        painter.setPen(look.colour("paper" if self.flashing else "ink"))
        text = metrics.elidedText(words, Qt.TextElideMode.ElideRight, inner.width())
        painter.drawText(
            QRectF(inner.left(), y, inner.width(), metrics.height()), int(Qt.AlignmentFlag.AlignLeft), text
        )
        return y + metrics.height()
