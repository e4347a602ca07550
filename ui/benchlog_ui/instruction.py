"""The one line that says what to do now, with the reason under it."""

from PySide6.QtCore import QRectF, Qt
from PySide6.QtGui import QFontMetricsF, QPainter, QPaintEvent
from PySide6.QtWidgets import QSizePolicy, QWidget

from benchlog_ui.look import Look, fitting_font, paint_shape
from benchlog_ui.marks import Shape


class InstructionLine(QWidget):
    """Large type across the window. Shape and colour of the verdict stand before the words."""

    def __init__(self, look: Look) -> None:
        """Empty until `tell`."""
        super().__init__()
        self._look = look
        self._text = "Waiting for the recorder."
        self._reason = ""
        self._shape: Shape | None = Shape.HOLLOW
        self._ink = "faint"
        self._urgent = False
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        self.restyle(look)
        self._name()

    @property
    def text(self) -> str:
        """What stands there now."""
        return self._text

    def tell(self, text: str, reason: str, shape: Shape | None, ink: str, urgent: bool) -> None:
        """Show an instruction. ``ink`` names the colour of its shape; an urgent line fills its ground."""
        news = (text, reason, shape, ink, urgent)
        if news == (self._text, self._reason, self._shape, self._ink, self._urgent):
            return
        self._text, self._reason, self._shape, self._ink, self._urgent = news
        self._name()
        self.update()

    def restyle(self, look: Look) -> None:
        """Take colours and sizes."""
        self._look = look
        self.setFixedHeight(look.px(132))
        self.update()

    def _name(self) -> None:
        self.setAccessibleName(f"Now: {self._text}")
        self.setAccessibleDescription(self._reason)

    def paintEvent(self, event: QPaintEvent) -> None:
        """Draw shape, line and reason."""
        look = self._look
        painter = QPainter(self)
        ground, ink = ("trip", "on_trip") if self._urgent else ("paper", "ink")
        painter.fillRect(self.rect(), look.colour(ground))
        margin = look.px(28)
        side = look.px(72)
        left = float(margin)
        if self._shape is not None:
            box = QRectF(margin, (self.height() - side) / 2, side, side)
            paint_shape(painter, self._shape, box, look.colour("on_trip" if self._urgent else self._ink))
            left = margin * 2.0 + side
        width = self.width() - left - margin
        self._paint_words(painter, left, width, ink)

    def _paint_words(self, painter: QPainter, left: float, width: float, ink: str) -> None:
        look = self._look
        reason_font = look.font(22)
        metrics = QFontMetricsF(reason_font)
        lines = 2 if metrics.horizontalAdvance(self._reason) > width else 1
        reason_height = metrics.height() * lines if self._reason else 0.0
        one_line = fitting_font(look, self._text, width, 58 if lines == 1 else 44, 38)
        fits = QFontMetricsF(one_line).horizontalAdvance(self._text) <= width
        font = one_line if fits else fitting_font(look, self._text, width, 38, 24, lines=2)
        if not fits and lines == 2:
            lines, reason_height = 1, metrics.height()
        painter.setFont(font)
        painter.setPen(look.colour(ink))
        head = QRectF(left, look.px(6), width, self.height() - reason_height - look.px(14))
        wrap = int(Qt.AlignmentFlag.AlignVCenter | Qt.TextFlag.TextWordWrap)
        painter.drawText(head, wrap, self._text)
        if self._reason:
            painter.setFont(reason_font)
            painter.setPen(look.colour("on_trip" if self._urgent else "faint"))
            most = width * (1.0 if lines == 1 else 1.9)
            words = metrics.elidedText(self._reason, Qt.TextElideMode.ElideRight, most)
            foot = QRectF(left, self.height() - reason_height - look.px(8), width, reason_height)
            painter.drawText(foot, wrap, words)
