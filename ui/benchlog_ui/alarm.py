"""The alarm that fills the window: what a person has to do with a source that the program can't switch."""

from collections.abc import Callable, Sequence

from PySide6.QtCore import QRectF, Qt, QTimer
from PySide6.QtGui import QFontMetricsF, QPainter, QPaintEvent, QPen
from PySide6.QtWidgets import QPushButton, QWidget

from benchlog_ui.look import Look, fitting_font, paint_shape
from benchlog_ui.marks import Shape

ORDER = ("Bench switch off.", "Dial to zero.", "Unplug.")
"""The switch breaks at once, the dial keeps the next start low, the pulled plug can be seen."""
DONE_KEY = "Ctrl+F9"
"""Says that it was done; a key that no field takes for its own and nobody presses by accident."""
GONE = "recorder gone: switch the source off by hand"


class Alarm(QWidget):
    """Covers what it is laid over until it is taken back."""

    def __init__(
        self, parent: QWidget, look: Look, done: Callable[[], None], ring: Callable[[], None]
    ) -> None:
        """``done`` is called when the technician says that it was done, ``ring`` makes the sound."""
        super().__init__(parent)
        self._ring = ring
        self._look = look
        self._head = ""
        self._orders: Sequence[str] = ()
        self._facts: Sequence[str] = ()
        self._bright = True
        self.button = QPushButton(self)
        self.button.clicked.connect(done)
        self.button.setFocusPolicy(Qt.FocusPolicy.NoFocus)  # Enter typed for something else must not press it
        self._beat = QTimer(self)
        self._beat.setInterval(600)
        self._beat.timeout.connect(self._pulse)
        self.restyle(look)
        self.hide()

    @property
    def head(self) -> str:
        """The first line; empty while there is no alarm."""
        return "" if self.isHidden() else self._head

    @property
    def facts(self) -> Sequence[str]:
        """What is shown below the orders."""
        return self._facts

    def restyle(self, look: Look) -> None:
        """Take colours and sizes."""
        self._look = look
        self.button.setFont(look.fixed_font(34, bold=True))
        self._place()
        self.update()

    def raise_alarm(self, head: str, orders: Sequence[str], facts: Sequence[str], button: str) -> None:
        """Show it, or change what it says."""
        button = f"{button}   {DONE_KEY}"
        if (head, orders, facts, button) != (self._head, self._orders, self._facts, self.button.text()):
            self._head, self._orders, self._facts = head, orders, facts
            self.button.setText(button)
            self.button.setShortcut(DONE_KEY)
            self.setAccessibleName(" ".join([head, *orders]))
            self.setAccessibleDescription(" ".join(facts))
            self._place()
            self.update()
        if self.isHidden():
            self._bright = True
            self.show()
            self.raise_()
            self._beat.start()
            self._ring()

    def stand_down(self) -> None:
        """Take it back."""
        if not self.isHidden():
            self._beat.stop()
            self.hide()

    def _pulse(self) -> None:
        self._bright = not self._bright
        if self._bright:
            self._ring()
        self.update()

    def _place(self) -> None:
        look = self._look
        width, height = min(look.px(900), self.width() - 40), look.px(84)
        self.button.setGeometry(
            (self.width() - width) // 2, self.height() - height - look.px(26), width, height
        )

    def paintEvent(self, event: QPaintEvent) -> None:
        """Head, orders, facts; the border beats."""
        self._place()
        look = self._look
        painter = QPainter(self)
        painter.fillRect(self.rect(), look.colour("trip"))
        edge = look.px(18)
        painter.setPen(QPen(look.colour("on_trip" if self._bright else "trip"), edge))
        painter.drawRect(QRectF(self.rect()).adjusted(edge / 2, edge / 2, -edge / 2, -edge / 2))
        painter.setPen(look.colour("on_trip"))
        top = self._headline(painter, look.px(46))
        facts_height = look.px(38) * len(self._facts)
        foot = look.px(126) if self.button.text() else look.px(30)
        self._order_lines(painter, top, self.height() - top - facts_height - foot - look.px(14))
        painter.setFont(look.fixed_font(27, bold=True))
        for number, fact in enumerate(self._facts):
            y = self.height() - foot - facts_height + look.px(38) * number
            painter.drawText(
                QRectF(edge, y, self.width() - 2 * edge, look.px(38)), int(Qt.AlignmentFlag.AlignCenter), fact
            )

    def _headline(self, painter: QPainter, top: float) -> float:
        look = self._look
        font = fitting_font(look, self._head, self.width() - look.px(260), 64, 24)
        painter.setFont(font)
        metrics = QFontMetricsF(font)
        width, height = metrics.horizontalAdvance(self._head), metrics.height()
        side = height * 0.8
        left = (self.width() - width - side * 1.4) / 2
        paint_shape(
            painter, Shape.OPEN_CONTACT, QRectF(left, top + height * 0.1, side, side), look.colour("on_trip")
        )
        box = QRectF(left + side * 1.4, top, width + 4, height)
        painter.drawText(box, int(Qt.AlignmentFlag.AlignVCenter), self._head)
        return top + height

    def _order_lines(self, painter: QPainter, top: float, height: float) -> None:
        look = self._look
        if not self._orders or height < 30:
            return
        share = height / len(self._orders)
        longest = max(self._orders, key=len)
        font = fitting_font(
            look, f"0  {longest}", self.width() * 0.86, min(150.0, share / look.scale * 0.72), 28
        )
        painter.setFont(font)
        metrics = QFontMetricsF(font)
        left = (self.width() - metrics.horizontalAdvance(f"0  {longest}")) / 2
        for number, words in enumerate(self._orders):
            line = f"{number + 1}  {words}" if len(self._orders) > 1 else words
            box = QRectF(left, top + share * number, self.width() - left, share)
            painter.drawText(box, int(Qt.AlignmentFlag.AlignVCenter), line)
