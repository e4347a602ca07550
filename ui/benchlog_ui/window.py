"""The window itself: what is painted first, and what is always there whatever stage is open.

Made in two parts. `Window` alone is Qt and a few light modules: instruction line and cut-off are on the
screen and work before anything heavy is imported. `Desk` (after the first frame) brings the board, the pages
and the frames.
"""

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from PySide6.QtCore import QSize, Qt, QTimer, Signal
from PySide6.QtGui import QCloseEvent, QDragEnterEvent, QDropEvent, QPaintEvent, QResizeEvent
from PySide6.QtWidgets import QApplication, QStackedWidget, QVBoxLayout, QWidget

from benchlog_ui.bands import Band, Bands
from benchlog_ui.colours import DARK, LIGHT, Colours
from benchlog_ui.instruction import InstructionLine
from benchlog_ui.look import LEAST_HEIGHT, LEAST_WIDTH, Look, palette, scale_for, sheet
from benchlog_ui.trip import TripBar

if TYPE_CHECKING:
    from benchlog_ui.alarm import Alarm
    from benchlog_ui.keys import KeyRow
    from benchlog_ui.question import Question

TEXT_SIZES = (1.0, 1.15, 1.3, 1.5)
TOLD_S = 12.0
"""How long a sentence for the technician stands."""


def system_colours() -> Colours:
    """Light or dark, as the system has it."""
    dark = QApplication.styleHints().colorScheme() == Qt.ColorScheme.Dark
    return DARK if dark else LIGHT


class Window(QWidget):
    """Bands, instruction line, the place for pages, keys, cut-off bar; alarm and questions over them."""

    painted = Signal()
    """The first frame is on the screen."""
    wants_to_close = Signal()
    dropped = Signal(list)
    """Paths of files that were dropped."""
    technician_did_it = Signal()
    """The button of the alarm was pressed."""

    question: "Question"
    keys: "KeyRow"
    alarm: "Alarm"

    def __init__(self, colours: Colours, cut_off: Callable[[], None]) -> None:
        """Make the light part; ``cut_off`` is called at each press of the bar."""
        super().__init__()
        self._colours = colours
        self._text = 1.0
        self._first = True
        self._furnished = False
        self.may_close = False
        self.ring: Callable[[], None] = QApplication.beep
        """The sound of the alarm, where the platform gives any."""
        self._followers: list[Callable[[Look], None]] = []
        self.look = Look(colours, 1.0)
        self.bands = Bands(self.look)
        self.instruction = InstructionLine(self.look)
        self.pages = QStackedWidget()
        self.trip = TripBar(self.look, cut_off)
        column = self._column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(0)
        column.addWidget(self.bands)
        column.addWidget(self.instruction)
        column.addWidget(self.pages, 1)
        column.addWidget(self.trip)
        self.setWindowTitle("Benchlog")
        self._bound()
        self.setAcceptDrops(True)
        self._followers += [self.bands.restyle, self.instruction.restyle, self.trip.restyle]

    def furnish(self, store_note: Callable[[str], None]) -> None:
        """Add questions, keys and alarm; they wait until the first frame is on the screen."""
        from benchlog_ui.alarm import Alarm
        from benchlog_ui.keys import KeyRow
        from benchlog_ui.question import Question

        self.question = Question(self.look)
        self.keys = KeyRow(self.look, store_note)
        self.alarm = Alarm(self, self.look, self.technician_did_it.emit, self.ring)
        self._column.insertWidget(self._column.indexOf(self.pages), self.question)
        self._column.insertWidget(self._column.indexOf(self.trip), self.keys)
        self._furnished = True
        for part in (self.question, self.keys, self.alarm):
            self.follow(part.restyle)
        self._cover()

    def set_route(self, route: QWidget) -> None:
        """Put the route of the job under the bands."""
        self._column.insertWidget(1, route)

    def follow(self, restyle: Callable[[Look], None]) -> None:
        """Have a part told whenever colours or sizes change, and once now."""
        self._followers.append(restyle)
        restyle(self.look)

    def unfollow(self, part: QWidget) -> None:
        """A part is gone: tell it nothing more."""
        self._followers = [told for told in self._followers if getattr(told, "__self__", None) is not part]

    def set_colours(self, colours: Colours) -> None:
        """Change between light and dark."""
        self._colours = colours
        self._restyle()

    @property
    def text_size(self) -> float:
        """The technician's factor for larger type."""
        return self._text

    def set_text_size(self, factor: float) -> None:
        """Take the nearest of the sizes there are."""
        self._text = min(TEXT_SIZES, key=lambda size: abs(size - factor))
        self._restyle()

    def larger_text(self, step: int) -> None:
        """Go to the next larger (+1) or smaller (-1) type."""
        place = TEXT_SIZES.index(self._text) + step
        self.set_text_size(TEXT_SIZES[min(max(place, 0), len(TEXT_SIZES) - 1)])

    def show_trouble(self, words: str) -> None:
        """Tell of a fault in the window itself; it stays on the screen."""
        self.bands.pin(Band("trouble", f"fault in this window, recorded: {words}", "latched", "on_latched"))

    def tell(self, words: str) -> None:
        """A sentence for the technician; it stands at the top for a while."""
        self.bands.pin(Band("told", words, "paper", "ink"))
        QTimer.singleShot(int(TOLD_S * 1000), self, lambda: self.bands.unpin("told", words))

    def _restyle(self) -> None:
        ratio = self.devicePixelRatioF()
        look = Look(self._colours, scale_for(self.width(), self.height(), ratio), self._text, ratio)
        if look == self.look:
            return
        if look.ratio != self.look.ratio:
            self._bound()
        if look.colours != self.look.colours or not self.styleSheet():
            QApplication.setPalette(palette(self._colours))
            self.setStyleSheet(sheet(self._colours))
        self.look = look
        for restyle in self._followers:
            restyle(look)
        self._cover()

    def _bound(self) -> None:
        """The smallest window; the cut-off bar has to be on a screen of any scaling."""
        ratio = self.devicePixelRatioF()
        self.setMinimumSize(QSize(round(LEAST_WIDTH / ratio), round(LEAST_HEIGHT / ratio)))

    def _cover(self) -> None:
        """The alarm covers everything but the bands and the cut-off bar."""
        if not self._furnished:
            return
        top = self.bands.sizeHint().height()
        self.alarm.setGeometry(0, top, self.width(), self.height() - self.trip.height() - top)

    def raise_alarm(self, head: str, orders: Sequence[str], facts: Sequence[str], button: str) -> None:
        """Show the alarm over whatever is there."""
        self._cover()
        self.alarm.raise_alarm(head, orders, facts, button)

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Sizes follow the window."""
        super().resizeEvent(event)
        self._restyle()
        self._cover()

    def paintEvent(self, event: QPaintEvent) -> None:
        """Tell the first frame."""
        super().paintEvent(event)
        if self._first:
            self._first = False
            self.painted.emit()

    def dragEnterEvent(self, event: QDragEnterEvent) -> None:
        """Files may be dropped anywhere."""
        if any(url.isLocalFile() for url in event.mimeData().urls()):
            event.acceptProposedAction()

    def dropEvent(self, event: QDropEvent) -> None:
        """Files were dropped."""
        found = [Path(url.toLocalFile()) for url in event.mimeData().urls() if url.isLocalFile()]
        if found:
            event.acceptProposedAction()
            self.dropped.emit(found)

    def closeEvent(self, event: QCloseEvent) -> None:
        """Never close by itself: it is asked first whether power is on."""
        if self.may_close:
            event.accept()
            return
        event.ignore()
        self.wants_to_close.emit()
