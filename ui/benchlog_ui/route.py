"""The route of a job along the top edge: its stages with a mark each, then the pages of no stage."""

from collections.abc import Callable
from dataclasses import dataclass, replace

from PySide6.QtCore import QRectF, Qt
from PySide6.QtGui import QFontMetricsF, QKeySequence, QPainter, QPaintEvent, QPen, QResizeEvent, QShortcut
from PySide6.QtWidgets import QAbstractButton, QHBoxLayout, QLabel, QSizePolicy, QWidget

from benchlog_ui.look import Look, paint_shape
from benchlog_ui.marks import Shape


@dataclass(frozen=True, slots=True)
class Stop:
    """One place on the route: its name, the key that goes there, its words."""

    name: str
    key: str
    words: str


class StopButton(QAbstractButton):
    """A stop: words, a mark for how far it is, a bar under the one that is open."""

    def __init__(self, look: Look, stop: Stop, marked: bool) -> None:
        """``marked``: a stage, which has a mark; other pages have none."""
        super().__init__()
        self.stop = stop
        self._look = look
        self._marked = marked
        self._shape = Shape.HOLLOW
        self._missing = 0
        self.setCheckable(True)
        self.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self.setText(stop.words)
        self.setToolTip(f"{stop.words}, key {stop.key}")
        self.restyle(look)

    def restyle(self, look: Look) -> None:
        """Take colours and sizes."""
        self._look = look
        self.setFixedSize(self.width_in(look), look.px(40))
        self.update()

    def width_in(self, look: Look) -> int:
        """Pixels that it takes in such a size."""
        width = QFontMetricsF(look.fixed_font(20, bold=True)).horizontalAdvance(self.text())
        return int(width + look.px(40 if self._marked else 18))

    def survey(self, done: int, missing: int) -> None:
        """How much is done and missing."""
        self._shape = Shape.HOLLOW if not done else Shape.LEVEL if missing else Shape.END
        state = "nothing yet" if not done else f"{missing} missing" if missing else "nothing missing"
        self.setAccessibleName(f"{self.stop.words}: {state}, key {self.stop.key}")
        self.update()

    def paintEvent(self, event: QPaintEvent) -> None:
        """Draw the stop."""
        look = self._look
        painter = QPainter(self)
        here = self.isChecked()
        if here:
            painter.fillRect(self.rect(), look.colour("paper"))
            painter.fillRect(QRectF(0, 0, self.width(), look.px(5)), look.colour("ink"))
        left = float(look.px(10))
        if self._marked:
            side = look.px(17)
            mark = QRectF(left, (self.height() - side) / 2, side, side)
            paint_shape(painter, self._shape, mark, look.colour("ink" if here else "faint"))
            left += side * 1.5
        painter.setFont(look.fixed_font(20, bold=here))
        painter.setPen(QPen(look.colour("ink" if here else "faint")))
        box = QRectF(left, 0, self.width() - left, self.height())
        painter.drawText(box, int(Qt.AlignmentFlag.AlignVCenter), self.text())


class JobLabel(QLabel):
    """The job in short; what does not fit is left out, and stands in the tool tip."""

    def __init__(self) -> None:
        """Empty."""
        super().__init__()
        self.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
        self.setAlignment(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)

    def setText(self, text: str) -> None:
        """Show it, whole in the tool tip."""
        super().setText(text)
        self.setToolTip(text)

    def paintEvent(self, event: QPaintEvent) -> None:
        """Draw what fits."""
        painter = QPainter(self)
        painter.setFont(self.font())
        box = self.contentsRect()
        shown = QFontMetricsF(self.font()).elidedText(self.text(), Qt.TextElideMode.ElideRight, box.width())
        painter.drawText(box, int(self.alignment().value), shown)


class Route(QWidget):
    """All stops in a row, the job's number at the right."""

    def __init__(self, look: Look, go: Callable[[str], None]) -> None:
        """``go`` is given the name of the stop that was chosen."""
        super().__init__()
        self._look = look
        self._go = go
        self.buttons: dict[str, StopButton] = {}
        self.job = JobLabel()
        self._row = QHBoxLayout(self)
        self._row.setContentsMargins(0, 0, 0, 0)
        self._row.setSpacing(0)
        self._row.addWidget(self.job, 1)
        self.restyle(look)

    def add(self, window: QWidget, stop: Stop, marked: bool) -> None:
        """Add a stop with its key."""
        button = StopButton(self._look, stop, marked)
        button.clicked.connect(lambda: self._go(stop.name))
        shortcut = QShortcut(QKeySequence(stop.key), window)
        shortcut.setContext(Qt.ShortcutContext.ApplicationShortcut)
        shortcut.activated.connect(lambda: self._go(stop.name))
        self.buttons[stop.name] = button
        self._row.insertWidget(self._row.count() - 1, button)

    def show_at(self, name: str) -> None:
        """Mark the stop that is open."""
        for key, button in self.buttons.items():
            button.setChecked(key == name)
            button.update()

    def restyle(self, look: Look) -> None:
        """Take colours and sizes."""
        self._look = look
        self.setFixedHeight(look.px(40))
        self.job.setFont(look.fixed_font(18))
        self.job.setContentsMargins(0, 0, look.px(16), 0)
        self._fit()

    def resizeEvent(self, event: QResizeEvent) -> None:
        """In a narrow window the stops become smaller, so that none lies over another."""
        super().resizeEvent(event)
        self._fit()

    def _fit(self) -> None:
        wanted = sum(button.width_in(self._look) for button in self.buttons.values())
        share = min(self.width() / max(wanted, 1), 1.0)
        look = self._look if share == 1.0 else replace(self._look, scale=self._look.scale * share * 0.98)
        for button in self.buttons.values():
            button.restyle(look)
