"""A number to be read from two metres, with its unit, age and status, and a scale with its limits below."""

from dataclasses import dataclass

from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QFontMetricsF, QPainter, QPaintEvent, QPen, QPolygonF
from PySide6.QtWidgets import QSizePolicy, QWidget

from benchlog_ui.look import Look, paint_shape
from benchlog_ui.marks import Shape


@dataclass(frozen=True, slots=True)
class Notch:
    """A mark on the scale: where, its word, the name of its colour, and the side it is written on."""

    at: float
    word: str
    ink: str
    above: bool = False


@dataclass(frozen=True, slots=True)
class Shown:
    """All that a readout shows."""

    digits: str
    """The number, or dashes where there is none."""
    unit: str
    status: str
    """Words: how old, or what is wrong."""
    shape: Shape
    usable: bool
    """False: the digits are struck through; they are the last ones, not the present ones."""
    pointer: float | None = None
    full: float = 1.0
    """Value at the right end of the scale."""
    notches: tuple[Notch, ...] = ()


EMPTY = Shown("–", "", "no reading yet", Shape.HOLLOW, False)


class Readout(QWidget):
    """Name, digits, status and scale of one channel."""

    def __init__(self, look: Look, name: str, kind: str) -> None:
        """``kind`` tells AC r.m.s., DC and peak apart."""
        super().__init__()
        self._look = look
        self._title = name
        self._kind = kind
        self._shown = EMPTY
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        self.restyle(look)
        self._name()

    @property
    def shown(self) -> Shown:
        """What is on it now."""
        return self._shown

    def show_reading(self, shown: Shown) -> None:
        """Replace what is shown; nothing is drawn when nothing changed."""
        if shown == self._shown:
            return
        self._shown = shown
        self._name()
        self.update()

    def restyle(self, look: Look) -> None:
        """Take colours and sizes."""
        self._look = look
        self.setFixedHeight(look.px(184))
        self.setMinimumWidth(look.px(420))
        self.update()

    def digit_height(self) -> float:
        """Height of a digit in pixels, as drawn."""
        return QFontMetricsF(self._look.fixed_font(84, bold=True)).tightBoundingRect("0").height()

    def _name(self) -> None:
        s = self._shown
        last = "" if s.usable else "not a present value, last "
        self.setAccessibleName(f"{self._title} {self._kind}: {last}{s.digits} {s.unit}, {s.status}")

    def paintEvent(self, event: QPaintEvent) -> None:
        """Draw everything."""
        look, s = self._look, self._shown
        painter = QPainter(self)
        painter.fillRect(self.rect(), look.colour("paper"))
        margin = float(look.px(20))
        self._heading(painter, margin)
        baseline = look.px(112)
        right = self._digits(painter, margin, baseline)
        if not s.usable and s.digits != "–":
            painter.setPen(QPen(look.colour("stop"), look.px(6)))
            middle = baseline - self.digit_height() / 2
            painter.drawLine(QPointF(margin, middle), QPointF(right, middle))
        self._scale(painter, margin, look.px(146))

    def _heading(self, painter: QPainter, margin: float) -> None:
        look, s = self._look, self._shown
        box = QRectF(margin, look.px(8), self.width() - 2 * margin, look.px(30))
        painter.setFont(look.fixed_font(22, bold=True))
        painter.setPen(look.colour("ink"))
        painter.drawText(box, int(Qt.AlignmentFlag.AlignVCenter), self._title)
        left = margin + QFontMetricsF(look.fixed_font(22, bold=True)).horizontalAdvance(self._title + "  ")
        status_font = look.fixed_font(22, bold=not s.usable)
        taken = QFontMetricsF(status_font).horizontalAdvance(s.status) + look.px(40)
        room = self.width() - margin - taken - left
        if room < QFontMetricsF(look.fixed_font(18)).horizontalAdvance(self._kind):
            room = 0.0
        painter.setFont(look.fixed_font(18))
        painter.setPen(look.colour("faint"))
        painter.drawText(
            QRectF(left, box.y(), room, box.height()), int(Qt.AlignmentFlag.AlignVCenter), self._kind
        )
        ink = "faint" if s.usable else "stop"
        font = look.fixed_font(22, bold=not s.usable)
        width = QFontMetricsF(font).horizontalAdvance(s.status)
        right = self.width() - margin
        mark = look.px(22)
        painter.setFont(font)
        painter.setPen(look.colour(ink))
        painter.drawText(
            QRectF(right - width - 2, box.y(), width + 4, box.height()),
            int(Qt.AlignmentFlag.AlignVCenter),
            s.status,
        )
        y = box.y() + (box.height() - mark) / 2
        paint_shape(painter, s.shape, QRectF(right - width - mark * 1.4, y, mark, mark), look.colour(ink))

    def _digits(self, painter: QPainter, left: float, baseline: float) -> float:
        look, s = self._look, self._shown
        font = look.fixed_font(84, bold=True)
        painter.setFont(font)
        painter.setPen(look.colour("ink" if s.usable else "faint"))
        painter.drawText(QPointF(left, baseline), s.digits)
        right = left + QFontMetricsF(font).horizontalAdvance(s.digits)
        painter.setFont(look.fixed_font(44))
        painter.setPen(look.colour("faint"))
        painter.drawText(QPointF(right + look.px(14), baseline), s.unit)
        return right

    def _scale(self, painter: QPainter, margin: float, y: float) -> None:
        look, s = self._look, self._shown
        width = self.width() - 2 * margin
        painter.setPen(QPen(look.colour("faint"), max(1, look.px(2))))
        painter.drawLine(QPointF(margin, y), QPointF(margin + width, y))
        there = s.pointer is not None and s.usable
        x = margin + width * min(max((s.pointer or 0.0) / s.full, 0.0), 1.0)
        for notch in s.notches:
            at = margin + width * min(max(notch.at / s.full, 0.0), 1.0)
            self._notch(painter, notch, at, y, x if there else None)
        if there:
            half, tall = look.px(11), look.px(20)
            painter.setRenderHint(QPainter.RenderHint.Antialiasing)
            painter.setPen(Qt.PenStyle.NoPen)
            painter.setBrush(look.colour("ink"))
            painter.drawPolygon(
                QPolygonF([QPointF(x, y), QPointF(x - half, y - tall), QPointF(x + half, y - tall)])
            )

    def _notch(self, painter: QPainter, notch: Notch, x: float, y: float, pointer: float | None) -> None:
        """Mark and word; a word above the scale makes way for the pointer."""
        look = self._look
        colour = look.colour(notch.ink)
        painter.setPen(QPen(colour, look.px(4)))
        painter.drawLine(QPointF(x, y - look.px(12)), QPointF(x, y + look.px(8)))
        if not notch.word:
            return
        font = look.fixed_font(18)
        painter.setFont(font)
        width = QFontMetricsF(font).horizontalAdvance(notch.word) + 4
        edge = float(look.px(20))
        left = min(max(x - width / 2, edge), self.width() - width - edge)
        half = look.px(15)
        if notch.above and pointer is not None and left - half < pointer < left + width + half:
            left = max(pointer - half - width, edge)
        top = y - look.px(34) if notch.above else y + look.px(9)
        painter.drawText(QRectF(left, top, width, look.px(24)), int(Qt.AlignmentFlag.AlignCenter), notch.word)
