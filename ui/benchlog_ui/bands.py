"""Bands across the top: what must never be overlooked, whatever stage is open."""

import math
from dataclasses import dataclass

from PySide6.QtCore import QRectF, Qt
from PySide6.QtGui import QBrush, QFont, QFontMetricsF, QPainter, QPaintEvent, QResizeEvent
from PySide6.QtWidgets import QSizePolicy, QVBoxLayout, QWidget

from benchlog_ui.look import Look

_MOST_LINES = 4


@dataclass(frozen=True, slots=True)
class Band:
    """One band: its words, the names of its colours, and whether the words are repeated along it."""

    key: str
    words: str
    ground: str
    ink: str
    repeated: bool = False
    tall: bool = False


class _Stripe(QWidget):
    def __init__(self, look: Look, band: Band) -> None:
        super().__init__()
        self._look = look
        self.band = band
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        self.restyle(look)
        self.setAccessibleName(band.words)

    def restyle(self, look: Look) -> None:
        self._look = look
        self._fit()
        self.update()

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        self._fit()

    def _font(self) -> QFont:
        return self._look.fixed_font(34 if self.band.tall else 21, bold=True)

    def _fit(self) -> None:
        """As many lines as the words need, up to `_MOST_LINES`; none is cut off at its ends."""
        one = self._look.px(58 if self.band.tall else 34)
        needed = QFontMetricsF(self._font()).horizontalAdvance(self.band.words) * 1.05
        lines = 1 if self.band.repeated else math.ceil(needed / max(self.width() - 2 * self._look.px(20), 1))
        self.setFixedHeight(one + (min(lines, _MOST_LINES) - 1) * round(one * 0.8))

    def paintEvent(self, event: QPaintEvent) -> None:
        look, band = self._look, self.band
        painter = QPainter(self)
        painter.fillRect(self.rect(), look.colour(band.ground))
        ink = look.colour(band.ink)
        font = self._font()
        painter.setFont(font)
        painter.setPen(ink)
        if not band.repeated:
            box = QRectF(self.rect()).adjusted(look.px(20), 0, -look.px(20), 0)
            flags = int(Qt.AlignmentFlag.AlignCenter) | int(Qt.TextFlag.TextWordWrap)
            painter.drawText(box, flags, band.words)
            return
        width = QFontMetricsF(font).horizontalAdvance(band.words)
        count = max(1, int(self.width() // (width * 3)))
        room = self.width() / count
        faded = look.colour(band.ink)
        faded.setAlpha(110)
        for number in range(count):
            box = QRectF(number * room, 0, room, self.height())
            side = (room - width) / 2 - look.px(16)
            for x in (box.x(), box.right() - side):
                painter.fillRect(QRectF(x, 0, side, self.height()), QBrush(faded, Qt.BrushStyle.BDiagPattern))
            painter.drawText(box, int(Qt.AlignmentFlag.AlignCenter), band.words)


class Bands(QWidget):
    """All bands that apply now, one under the other."""

    def __init__(self, look: Look) -> None:
        """No bands yet."""
        super().__init__()
        self._look = look
        self._stripes: list[_Stripe] = []
        self._pinned: list[Band] = []
        self._column = QVBoxLayout(self)
        self._column.setContentsMargins(0, 0, 0, 0)
        self._column.setSpacing(0)

    @property
    def words(self) -> list[str]:
        """What the bands say, from the top."""
        return [s.band.words for s in self._stripes]

    def show_bands(self, bands: list[Band]) -> None:
        """Replace the bands; nothing happens when they are the same."""
        bands = bands + self._pinned
        if bands == [s.band for s in self._stripes]:
            return
        for stripe in self._stripes:
            self._column.removeWidget(stripe)
            stripe.hide()
            stripe.deleteLater()
        self._stripes = [_Stripe(self._look, b) for b in bands]
        for stripe in self._stripes:
            self._column.addWidget(stripe)

    def pin(self, band: Band) -> None:
        """Add a band that stays; a later one with the same key takes its place."""
        shown = [s.band for s in self._stripes if s.band not in self._pinned]
        self._pinned = [b for b in self._pinned if b.key != band.key] + [band]
        self.show_bands(shown)

    def unpin(self, key: str, words: str) -> None:
        """Take a band back, unless another with its key has taken its place."""
        shown = [s.band for s in self._stripes if s.band not in self._pinned]
        self._pinned = [b for b in self._pinned if (b.key, b.words) != (key, words)]
        self.show_bands(shown)

    def restyle(self, look: Look) -> None:
        """Take colours and sizes."""
        self._look = look
        for stripe in self._stripes:
            stripe.restyle(look)
