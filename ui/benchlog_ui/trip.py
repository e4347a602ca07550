"""The cut-off: a bar along the whole lower edge, and a key that works wherever the keyboard is.

The bar lies where a hand that throws the mouse downwards always ends. It acts when it is pressed, not when it
is let go, and it is never disabled: pressing once more sends the order once more.
"""

import time
from collections.abc import Callable

from PySide6.QtCore import QEvent, QObject, QRectF, Qt, Signal
from PySide6.QtGui import (
    QFontMetricsF,
    QKeyEvent,
    QKeySequence,
    QMouseEvent,
    QPainter,
    QPaintEvent,
    QPen,
    QShortcut,
)
from PySide6.QtWidgets import QApplication, QSizePolicy, QWidget

from benchlog_ui.look import Look, paint_shape
from benchlog_ui.marks import CUT_OFF_KEY, Shape

_KEYS = (Qt.Key.Key_F12, Qt.Key.Key_Pause)
_ONCE_S = 0.15
"""One press reaches the program over several ways; those within this time are one."""

_INPUT = (
    QEvent.Type.KeyPress,
    QEvent.Type.MouseButtonPress,
    QEvent.Type.MouseMove,
    QEvent.Type.Wheel,
    QEvent.Type.TouchBegin,
)


class CutOffKey(QObject):
    """Sees every key before any field, menu or list does, and knows when somebody last touched the window."""

    pressed = Signal()

    def __init__(self, application: QApplication) -> None:
        """Watch an application's events from now on."""
        super().__init__(application)
        self._last_s = -1.0
        self.input_s = time.monotonic()
        """Real monotonic time of the last key, click or movement."""
        self.seen = False
        """Whether the key was ever seen: it is tried before power."""
        application.installEventFilter(self)

    def shortcut_on(self, window: QWidget) -> None:
        """A second way to the same end, for input that arrives as a shortcut only."""
        for key in _KEYS:
            shortcut = QShortcut(QKeySequence(key), window)
            shortcut.setContext(Qt.ShortcutContext.ApplicationShortcut)
            shortcut.activated.connect(self.act)

    def act(self) -> None:
        """The key went down: tell it once."""
        now = time.monotonic()
        self.seen = True
        if now - self._last_s > _ONCE_S:
            self._last_s = now
            self.pressed.emit()

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        """Take the key out of the stream; let everything else through."""
        kind = event.type()
        if kind in _INPUT:
            self.input_s = time.monotonic()
        if kind in (QEvent.Type.KeyPress, QEvent.Type.ShortcutOverride) and isinstance(event, QKeyEvent):
            if event.key() not in _KEYS:
                return False
            if not event.isAutoRepeat():
                self.act()
            event.accept()
            return kind == QEvent.Type.KeyPress
        return False


class TripBar(QWidget):
    """The large control. Its left half says what it does, its right half how the source stands."""

    def __init__(self, look: Look, act: Callable[[], None]) -> None:
        """``act`` is called at every press."""
        super().__init__()
        self._look = look
        self._act = act
        self._head = "CUT OFF"
        self._state = "the source's state is not known yet"
        self._shape = Shape.HOLLOW
        self._latched = False
        self._down = False
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        self.setCursor(Qt.CursorShape.PointingHandCursor)
        self.restyle(look)
        self._name()

    @property
    def state(self) -> str:
        """What is said of the source."""
        return self._state

    def tell(self, head: str, state: str, shape: Shape, latched: bool) -> None:
        """Show what the bar does and how the source stands."""
        if (head, state, shape, latched) == (self._head, self._state, self._shape, self._latched):
            return
        self._head, self._state, self._shape, self._latched = head, state, shape, latched
        self._name()
        self.update()

    def restyle(self, look: Look) -> None:
        """Take colours and sizes."""
        self._look = look
        self.setFixedHeight(look.px(92))
        self.update()

    def _name(self) -> None:
        self.setAccessibleName(f"{self._head}, key {CUT_OFF_KEY}. {self._state}")

    def mousePressEvent(self, event: QMouseEvent) -> None:
        """Act at once, with any button."""
        self._down = True
        self.update()
        self._act()

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        """Only the look changes."""
        self._down = False
        self.update()

    def paintEvent(self, event: QPaintEvent) -> None:
        """Draw the bar."""
        look = self._look
        painter = QPainter(self)
        ground, ink = ("latched", "on_latched") if self._latched else ("trip", "on_trip")
        painter.fillRect(self.rect(), look.colour(ground).darker(140 if self._down else 100))
        colour = look.colour(ink)
        margin, side = look.px(28), look.px(52)
        paint_shape(
            painter, Shape.OPEN_CONTACT, QRectF(margin, (self.height() - side) / 2, side, side), colour
        )
        left = margin * 1.6 + side
        left = self._word(painter, self._head, left, 46, True, ink) + margin * 0.8
        left = self._keycap(painter, left, ink) + margin
        mark = look.px(30)
        metrics = QFontMetricsF(look.fixed_font(26, bold=True))
        room = self.width() - left - margin * 2 - mark
        text = metrics.elidedText(self._state, Qt.TextElideMode.ElideRight, room)
        right = self.width() - margin - metrics.horizontalAdvance(text)
        paint_shape(
            painter, self._shape, QRectF(right - mark * 1.5, (self.height() - mark) / 2, mark, mark), colour
        )
        self._word(painter, text, right, 26, True, ink)

    def _word(self, painter: QPainter, text: str, left: float, size: float, bold: bool, ink: str) -> float:
        font = self._look.fixed_font(size, bold)
        painter.setFont(font)
        painter.setPen(self._look.colour(ink))
        width = QFontMetricsF(font).horizontalAdvance(text)
        painter.drawText(QRectF(left, 0, width + 4, self.height()), int(Qt.AlignmentFlag.AlignVCenter), text)
        return left + width

    def _keycap(self, painter: QPainter, left: float, ink: str) -> float:
        font = self._look.fixed_font(28, bold=True)
        width = QFontMetricsF(font).horizontalAdvance(CUT_OFF_KEY) + self._look.px(26)
        height = self._look.px(50)
        box = QRectF(left, (self.height() - height) / 2, width, height)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setPen(QPen(self._look.colour(ink), self._look.px(2)))
        painter.setBrush(Qt.BrushStyle.NoBrush)
        painter.drawRoundedRect(box, self._look.px(6), self._look.px(6))
        painter.setFont(font)
        painter.drawText(box, int(Qt.AlignmentFlag.AlignCenter), CUT_OFF_KEY)
        return left + width
