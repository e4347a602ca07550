"""How things are drawn: sizes that follow the window, fonts, and shapes that tell without colour."""

from dataclasses import dataclass

from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QFont, QFontDatabase, QFontMetricsF, QPainter, QPainterPath, QPalette, QPen

from benchlog_ui.colours import Colours
from benchlog_ui.marks import Shape

REFERENCE_HEIGHT = 1080
REFERENCE_WIDTH = 1920
LEAST_SCALE = 0.66
LEAST_FONT_PX = 10
LEAST_WIDTH, LEAST_HEIGHT = 900, 600
"""Smallest scale, type and window, all in pixels of the screen: a desktop that enlarges by 150 % leaves a
window fewer pixels of its own, and each of them is larger."""


@dataclass(frozen=True, slots=True)
class Look:
    """Colours and one scale for every size; sizes in code are pixels on a window of 1920 × 1080."""

    colours: Colours
    scale: float = 1.0
    text: float = 1.0
    """The technician's own factor for words in pages, fields and reasons; figures keep their size."""
    ratio: float = 1.0
    """Pixels of the screen for one of the window's: above 1 where the desktop enlarges everything."""

    def px(self, reference: float) -> int:
        """Pixels here for pixels at 1920 × 1080; at least one."""
        return max(1, round(reference * self.scale))

    def font(self, reference: float, bold: bool = False) -> QFont:
        """The application's font at a size, figures of even width; never below 10 pixels of the screen."""
        return self.fixed_font(reference * self.text, bold)

    def fixed_font(self, reference: float, bold: bool = False) -> QFont:
        """The same for what has its place and size on the screen whatever the technician's factor is."""
        font = QFont()
        font.setPixelSize(max(round(LEAST_FONT_PX / self.ratio), self.px(reference)))
        font.setBold(bold)
        font.setFeature(QFont.Tag("tnum"), 1)
        return font

    def even_font(self, reference: float) -> QFont:
        """A font whose letters are all of one width, for bytes."""
        font = QFontDatabase.systemFont(QFontDatabase.SystemFont.FixedFont)
        font.setPixelSize(max(round(LEAST_FONT_PX / self.ratio), self.px(reference * self.text)))
        return font

    def colour(self, name: str) -> QColor:
        """A colour of the set by its name."""
        return QColor(getattr(self.colours, name))


def scale_for(width: int, height: int, ratio: float = 1.0) -> float:
    """Scale for a window of this size; ``ratio``: pixels of the screen for one of the window's."""
    fit = min(width / REFERENCE_WIDTH, height / REFERENCE_HEIGHT)
    return min(max(fit, LEAST_SCALE / ratio), 2.5)


def palette(colours: Colours) -> QPalette:
    """The palette of ordinary widgets (fields, lists, buttons) in a set of colours."""
    made = QPalette()
    roles = {
        QPalette.ColorRole.Window: colours.desk,
        QPalette.ColorRole.WindowText: colours.ink,
        QPalette.ColorRole.Base: colours.paper,
        QPalette.ColorRole.AlternateBase: colours.desk,
        QPalette.ColorRole.Text: colours.ink,
        QPalette.ColorRole.PlaceholderText: colours.faint,
        QPalette.ColorRole.Button: colours.paper,
        QPalette.ColorRole.ButtonText: colours.ink,
        QPalette.ColorRole.ToolTipBase: colours.paper,
        QPalette.ColorRole.ToolTipText: colours.ink,
        QPalette.ColorRole.Highlight: colours.sham,
        QPalette.ColorRole.HighlightedText: colours.on_sham,
        QPalette.ColorRole.Link: colours.acceptance,
    }
    for role, value in roles.items():
        made.setColor(role, QColor(value))
    for role in (QPalette.ColorRole.WindowText, QPalette.ColorRole.Text, QPalette.ColorRole.ButtonText):
        made.setColor(QPalette.ColorGroup.Disabled, role, QColor(colours.faint))
    return made


def paint_shape(painter: QPainter, shape: Shape, box: QRectF, colour: QColor) -> None:
    """Draw a shape so that it fills a square box."""
    painter.save()
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    side = min(box.width(), box.height())
    painter.translate(box.center().x() - side / 2, box.center().y() - side / 2)
    painter.scale(side / 100, side / 100)
    pen = QPen(colour, 13, Qt.PenStyle.SolidLine, Qt.PenCapStyle.FlatCap, Qt.PenJoinStyle.MiterJoin)
    painter.setPen(pen)
    painter.setBrush(Qt.BrushStyle.NoBrush)
    _DRAW[shape](painter, colour)
    painter.restore()


def _fill(painter: QPainter, colour: QColor, points: list[tuple[float, float]]) -> None:
    path = QPainterPath(QPointF(*points[0]))
    for point in points[1:]:
        path.lineTo(*point)
    path.closeSubpath()
    painter.fillPath(path, colour)


def _up(painter: QPainter, colour: QColor) -> None:
    _fill(painter, colour, [(50, 6), (96, 92), (4, 92)])


def _level(painter: QPainter, colour: QColor) -> None:
    painter.fillRect(QRectF(6, 22, 88, 20), colour)
    painter.fillRect(QRectF(6, 58, 88, 20), colour)


def _open_contact(painter: QPainter, colour: QColor) -> None:
    painter.drawLine(QPointF(0, 76), QPointF(26, 76))
    painter.drawLine(QPointF(26, 76), QPointF(76, 22))
    painter.drawLine(QPointF(76, 76), QPointF(100, 76))
    for x in (26, 76):
        painter.setBrush(colour)
        painter.drawEllipse(QPointF(x, 76), 3, 3)


def _dashed_ring(painter: QPainter, colour: QColor) -> None:
    pen = QPen(colour, 17, Qt.PenStyle.SolidLine, Qt.PenCapStyle.FlatCap)
    pen.setDashPattern([1.15, 0.83])
    painter.setPen(pen)
    painter.drawEllipse(QRectF(12, 12, 76, 76))


def _dot(painter: QPainter, colour: QColor) -> None:
    painter.setPen(Qt.PenStyle.NoPen)
    painter.setBrush(colour)
    painter.drawEllipse(QRectF(18, 18, 64, 64))


def _hollow(painter: QPainter, colour: QColor) -> None:
    painter.drawEllipse(QRectF(22, 22, 56, 56))


def _hourglass(painter: QPainter, colour: QColor) -> None:
    _fill(painter, colour, [(12, 6), (88, 6), (50, 52)])
    _fill(painter, colour, [(12, 96), (88, 96), (50, 48)])


def _over(painter: QPainter, colour: QColor) -> None:
    painter.fillRect(QRectF(6, 4, 88, 15), colour)
    _fill(painter, colour, [(50, 26), (92, 96), (8, 96)])


def _broken(painter: QPainter, colour: QColor) -> None:
    painter.drawLine(QPointF(0, 50), QPointF(34, 50))
    painter.drawLine(QPointF(66, 50), QPointF(100, 50))
    painter.drawLine(QPointF(30, 84), QPointF(44, 16))
    painter.drawLine(QPointF(56, 84), QPointF(70, 16))


def _still(painter: QPainter, colour: QColor) -> None:
    painter.drawRect(QRectF(10, 10, 80, 80))
    painter.drawLine(QPointF(26, 50), QPointF(74, 50))


def _end(painter: QPainter, colour: QColor) -> None:
    painter.fillRect(QRectF(2, 41, 70, 18), colour)
    painter.fillRect(QRectF(72, 8, 22, 84), colour)


_DRAW = {
    Shape.UP: _up,
    Shape.LEVEL: _level,
    Shape.OPEN_CONTACT: _open_contact,
    Shape.DASHED_RING: _dashed_ring,
    Shape.DOT: _dot,
    Shape.HOLLOW: _hollow,
    Shape.HOURGLASS: _hourglass,
    Shape.OVER: _over,
    Shape.BROKEN: _broken,
    Shape.END: _end,
    Shape.STILL: _still,
}


def fitting_font(
    look: Look, text: str, width: float, largest: float, smallest: float, lines: int = 1
) -> QFont:
    """The largest font, between two reference sizes, in which a text fits a width on so many lines."""
    size = largest
    while size > smallest:
        font = look.fixed_font(size, bold=True)
        if QFontMetricsF(font).horizontalAdvance(text) <= width * lines * (1.0 if lines == 1 else 0.9):
            return font
        size -= 2
    return look.fixed_font(smallest, bold=True)


def sheet(colours: Colours) -> str:
    """Edges of fields and boxes: at least 3 : 1 against what is beside them (WCAG 2.2, criterion 1.4.11)."""
    edge, ink, paper = colours.faint, colours.ink, colours.paper
    return (
        f"QLineEdit {{ border: 1px solid {edge}; border-radius: 3px; padding: 3px 5px; }}"
        f"QLineEdit, QCheckBox::indicator {{ background: {paper}; }}"
        f"QLineEdit:focus {{ border: 2px solid {ink}; padding: 2px 4px; }}"
        f"QCheckBox {{ spacing: 10px; }}"
        f"QCheckBox::indicator {{ width: 18px; height: 18px; border: 2px solid {edge}; }}"
        f"QCheckBox::indicator:checked {{ background: {ink}; }}"
        f"QCheckBox:focus {{ outline: none; }} QCheckBox::indicator:focus {{ border-color: {ink}; }}"
    )
