"""The step plan as a ladder: the lowest voltage at the foot, one rung a step, what was found on its rung.

A pointer on the left rail stands where the inlet voltage is, between the rungs while the source is raised.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from PySide6.QtCore import QObject, QPointF, QRectF, Qt
from PySide6.QtGui import QFontMetricsF, QPainter, QPaintEvent, QPen, QPolygonF, QResizeEvent
from PySide6.QtWidgets import (
    QAbstractItemView,
    QHeaderView,
    QStyledItemDelegate,
    QStyleOptionViewItem,
    QTableView,
)

from benchlog.model.step import DecidedBy, Step, StepRecord, StepVerdict
from benchlog_ui.found import only_bound, upper_a
from benchlog_ui.look import Look, paint_shape
from benchlog_ui.marks import Shape
from benchlog_ui.rows import Index, RowsModel
from benchlog_ui.words import VERDICT, amperes, percent, volts

HEADS = ("inlet", "idle ± U, switch-on, A", "limits", "verdict")


@dataclass(frozen=True, slots=True)
class Rung:
    """One step as it is shown."""

    step: Step
    record: StepRecord | None
    now: bool
    verdict: StepVerdict | None
    idle_a: float | None = None
    """Present current, shown hollow while the step is not done."""


class LadderModel(RowsModel[Rung]):
    """Rungs from the highest voltage down to the lowest."""

    def __init__(self, parent: QObject | None = None) -> None:
        """No rungs yet."""
        super().__init__(HEADS, cell_text, lambda rung, _: limits_text(rung), parent)

    def replace(self, rows: Sequence[Rung]) -> None:
        """Take rungs in the order of the plan (lowest first); what stays the same is not drawn again."""
        turned = list(reversed(rows))
        if len(turned) != len(self.rows):
            super().replace(turned)
            return
        for row, (old, new) in enumerate(zip(self.rows, turned, strict=True)):
            if old != new:
                self.rows[row] = new
                self.dataChanged.emit(self.index(row, 0), self.index(row, len(HEADS) - 1))


def cell_text(rung: Rung, column: int) -> str:
    """What a cell says in words."""
    if column == 0:
        return f"{volts(rung.step.set_v)}, {percent(rung.step.fraction)}"
    if column == 1:
        return _found_text(rung.record)
    if column == 2:
        return f"acceptance {amperes(_acceptance(rung))}, stop {amperes(_stop(rung))}"
    return verdict_text(rung)


def limits_text(rung: Rung) -> str:
    """Both limits with their sources, and what would help where the step can't be judged."""
    step = rung.step
    lines = [
        f"acceptance {amperes(step.acceptance.value)}: {step.acceptance.source}",
        f"stop {amperes(step.stop.value)}: {step.stop.source}",
    ]
    if rung.record is not None and rung.record.decision_reason:
        lines.append(rung.record.decision_reason)
    if not step.judgeable:
        lines.append(f"These meters can't judge this step. {step.remedy}".strip())
    return "\n".join(lines)


def verdict_text(rung: Rung) -> str:
    """The verdict in words, and whose it is."""
    if rung.record is not None and not rung.record.visited:
        return "not visited"
    if rung.verdict is None:
        return "now" if rung.now else ("" if rung.step.judgeable else "can't judge")
    word = VERDICT[rung.verdict][0]
    if rung.record is not None and rung.record.decided_by is DecidedBy.TECHNICIAN:
        return f"{word}; gone on by technician"
    return word


def _found_text(record: StepRecord | None) -> str:
    if record is None:
        return ""
    parts = []
    if record.idle_a is not None:
        u = f" ± {record.idle_u_a:.3f}" if record.idle_u_a is not None else ""
        bound = f"at most {upper_a(record):.3f} A"
        parts.append(bound if only_bound(record) else f"{record.idle_a:.3f}{u} A")
    if record.inrush_a is not None:
        parts.append(f"({'≥ ' if record.inrush_is_lower_bound else ''}{amperes(record.inrush_a)})")
    return "  ".join(parts)


def _acceptance(rung: Rung) -> float:
    return rung.record.acceptance_a if rung.record is not None else rung.step.acceptance.value


def _stop(rung: Rung) -> float:
    return rung.record.stop_a if rung.record is not None else rung.step.stop.value


class _Painter(QStyledItemDelegate):
    """Draws a rung's cells."""

    def __init__(self, look: Look, parent: QObject) -> None:
        super().__init__(parent)
        self.look = look

    def paint(self, painter: QPainter, option: QStyleOptionViewItem, index: Index) -> None:
        """One cell: ground, rung line, content."""
        rung: Rung = index.data(Qt.ItemDataRole.UserRole)
        box = QRectF(option.rect)
        painter.save()
        if rung.now:
            painter.fillRect(box, self.look.colour("desk"))
        painter.setPen(QPen(self.look.colour("rule"), 1))
        painter.drawLine(box.bottomLeft(), box.bottomRight())
        draw = (self._inlet, self._found, self._strip, self._verdict)[index.column()]
        draw(painter, box, rung)
        painter.restore()

    def _text(
        self, painter: QPainter, box: QRectF, text: str, size: float, ink: str, bold: bool = False
    ) -> None:
        font = self.look.fixed_font(min(size, box.height() / self.look.scale * 0.62), bold)
        painter.setFont(font)
        painter.setPen(self.look.colour(ink))
        shown = QFontMetricsF(font).elidedText(text, Qt.TextElideMode.ElideRight, box.width())
        painter.drawText(box, int(Qt.AlignmentFlag.AlignVCenter), shown)

    def _inlet(self, painter: QPainter, box: QRectF, rung: Rung) -> None:
        inner = box.adjusted(self.look.px(30), 0, 0, 0)
        done = rung.record is not None and rung.record.visited
        self._text(
            painter, inner, volts(rung.step.set_v), 26, "ink" if done or rung.now else "faint", rung.now
        )
        right = inner.adjusted(self.look.px(92), 0, 0, 0)
        self._text(painter, right, percent(rung.step.fraction), 18, "faint")

    def _found(self, painter: QPainter, box: QRectF, rung: Rung) -> None:
        record = rung.record
        if record is None or (record.idle_a is None and record.inrush_a is None):
            return
        if record.idle_a is not None and only_bound(record):
            self._text(painter, box, f"≤ {upper_a(record):.3f}", 23, "faint", True)
        elif record.idle_a is not None:
            self._text(painter, box, f"{record.idle_a:.3f}", 23, "ink", True)
            if record.idle_u_a is not None:
                u = box.adjusted(self.look.px(80), 0, 0, 0)
                self._text(painter, u, f"± {record.idle_u_a:.3f}", 18, "ink")
        if record.inrush_a is not None:
            bound = f"{'≥' if record.inrush_is_lower_bound else ''}{record.inrush_a:.2f}"
            self._text(painter, box.adjusted(self.look.px(170), 0, 0, 0), bound, 18, "faint")

    def _strip(self, painter: QPainter, box: QRectF, rung: Rung) -> None:
        look = self.look
        inner = box.adjusted(look.px(8), 0, -look.px(14), 0)
        y = inner.center().y()
        full = _stop(rung) * 1.35
        painter.setPen(QPen(look.colour("rule"), max(1, look.px(2))))
        painter.drawLine(QPointF(inner.left(), y), QPointF(inner.right(), y))
        tall = min(inner.height() * 0.3, look.px(13))
        for at, ink, width in ((_acceptance(rung), "acceptance", 3), (_stop(rung), "stop", 6)):
            x = inner.left() + inner.width() * at / full
            painter.setPen(QPen(look.colour(ink), look.px(width)))
            painter.drawLine(QPointF(x, y - tall), QPointF(x, y + tall))
        value = rung.record.idle_a if rung.record is not None else rung.idle_a
        if value is None:
            return
        self._dot(painter, inner, full, value, rung)

    def _dot(self, painter: QPainter, inner: QRectF, full: float, value: float, rung: Rung) -> None:
        look, y = self.look, inner.center().y()

        def place(amount: float) -> float:
            return inner.left() + inner.width() * min(max(amount / full, 0.0), 1.0)

        u = rung.record.idle_u_a if rung.record is not None else None
        painter.setPen(QPen(look.colour("ink"), look.px(3)))
        if rung.record is not None and only_bound(rung.record):
            self._bound(painter, place(upper_a(rung.record)), inner.left(), y)
            return
        if u is not None:
            painter.drawLine(QPointF(place(value - u), y), QPointF(place(value + u), y))
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setBrush(look.colour("ink") if rung.record is not None else look.colour("desk"))
        painter.drawEllipse(QPointF(place(value), y), look.px(7), look.px(7))

    def _bound(self, painter: QPainter, x: float, left: float, y: float) -> None:
        """Somewhere below: an arrow from the bound to the left, open at its end."""
        look = self.look
        half = look.px(7)
        painter.setPen(QPen(look.colour("ink"), look.px(2), Qt.PenStyle.DotLine))
        painter.drawLine(QPointF(left, y), QPointF(x, y))
        painter.setPen(QPen(look.colour("ink"), look.px(3)))
        painter.drawLine(QPointF(x, y - half), QPointF(x, y + half))

    def _verdict(self, painter: QPainter, box: QRectF, rung: Rung) -> None:
        look = self.look
        text = verdict_text(rung)
        side = min(look.px(24), box.height() * 0.55)
        shape, ink = Shape.HOLLOW, "faint"
        if rung.verdict is not None and text != "not visited":
            _, shape, ink = VERDICT[rung.verdict]
        elif not rung.step.judgeable:
            shape = Shape.DASHED_RING
        mark = QRectF(box.x() + look.px(4), box.center().y() - side / 2, side, side)
        paint_shape(painter, shape, mark, look.colour(ink))
        words = box.adjusted(side + look.px(14), 0, -2, 0)
        bold = rung.verdict is not None
        if rung.record is None or rung.record.decided_by is not DecidedBy.TECHNICIAN or rung.verdict is None:
            self._text(painter, words, text, 20, ink, bold)
            return
        upper, lower = QRectF(words), QRectF(words)
        upper.setHeight(words.height() * 0.58)
        lower.setTop(words.top() + words.height() * 0.5)
        self._text(painter, upper, VERDICT[rung.verdict][0], 20, ink, bold)
        self._text(painter, lower, "technician went on", 15, "faint")


class LadderView(QTableView):
    """The ladder on the screen."""

    def __init__(self, look: Look) -> None:
        """An empty ladder."""
        super().__init__()
        self._look = look
        self._volts: float | None = None
        self.ladder = LadderModel(self)
        self.setModel(self.ladder)
        self._painter = _Painter(look, self)
        self.setItemDelegate(self._painter)
        self.setAccessibleName("Steps of the plan, highest voltage first")
        self.setShowGrid(False)
        self.setFrameShape(QTableView.Shape.NoFrame)
        self.setSelectionMode(QAbstractItemView.SelectionMode.NoSelection)
        self.setEditTriggers(QAbstractItemView.EditTrigger.NoEditTriggers)
        self.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.verticalHeader().setVisible(False)
        self.verticalHeader().setMinimumSectionSize(1)
        self.horizontalHeader().setHighlightSections(False)
        self.horizontalHeader().setSectionResizeMode(QHeaderView.ResizeMode.Fixed)
        self.horizontalHeader().setDefaultAlignment(
            Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter
        )
        self.restyle(look)

    def restyle(self, look: Look) -> None:
        """Take colours and sizes."""
        self._look = look
        self._painter.look = look
        self.horizontalHeader().setFont(look.fixed_font(18))
        self.horizontalHeader().setFixedHeight(look.px(34))
        self._spread()

    def show_rungs(self, rungs: Sequence[Rung], inlet_v: float | None) -> None:
        """Take the rungs in the plan's order and the present inlet voltage."""
        count = len(self.ladder.rows)
        self.ladder.replace(rungs)
        if len(rungs) != count:
            self._spread()
        if inlet_v != self._volts:
            self._volts = inlet_v
            self.viewport().update(0, 0, self._look.px(30), self.viewport().height())

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Spread the rungs over the height that is there."""
        super().resizeEvent(event)
        self._spread()

    def _spread(self) -> None:
        rows = len(self.ladder.rows)
        height = self.viewport().height()
        for row in range(rows):
            height_px = height * (row + 1) // rows - height * row // rows
            self.setRowHeight(row, max(min(height_px, self._look.px(74)), self._look.px(26)))
        width = self.viewport().width()
        shares = (0.255, 0.325, 0.165, 0.255)
        for column, share in enumerate(shares):
            self.setColumnWidth(column, int(width * share))

    def paintEvent(self, event: QPaintEvent) -> None:
        """The table, then the rail with its pointer."""
        super().paintEvent(event)
        if not self.ladder.rows:
            return
        look = self._look
        painter = QPainter(self.viewport())
        x = float(look.px(10))
        rows = range(len(self.ladder.rows))
        ys = [float(self.rowViewportPosition(r)) + self.rowHeight(r) / 2 for r in rows]
        foot = self.rowViewportPosition(len(ys) - 1) + self.rowHeight(len(ys) - 1)
        painter.setPen(QPen(look.colour("faint"), look.px(3)))
        painter.drawLine(QPointF(x, ys[0]), QPointF(x, foot))
        for y in ys:
            painter.drawLine(QPointF(x, y), QPointF(x + look.px(9), y))
        if self._volts is not None:
            y = min(self._height_of(self._volts, ys, foot), foot - look.px(10))
            self._pointer(painter, x, y)

    def _height_of(self, inlet_v: float, ys: list[float], foot: float) -> float:
        """Where a voltage stands on the rail, between the rungs beside it."""
        marks = [(0.0, float(foot))]
        marks += [(r.step.set_v, y) for r, y in zip(reversed(self.ladder.rows), reversed(ys), strict=True)]
        for (low_v, low_y), (high_v, high_y) in pairwise(marks):
            if inlet_v <= high_v:
                share = (inlet_v - low_v) / (high_v - low_v) if high_v > low_v else 1.0
                return low_y + (high_y - low_y) * max(share, 0.0)
        return ys[0]

    def _pointer(self, painter: QPainter, x: float, y: float) -> None:
        half, length = self._look.px(10), self._look.px(18)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(self._look.colour("ink"))
        painter.drawPolygon(
            QPolygonF([QPointF(x, y), QPointF(x + length, y - half), QPointF(x + length, y + half)])
        )
