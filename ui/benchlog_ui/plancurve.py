"""The step plan as a curve: both limits over the inlet voltage, with the steps on them."""

from collections.abc import Sequence

from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QPainter, QPaintEvent, QPen, QPolygonF
from PySide6.QtWidgets import QWidget

from benchlog.model.step import Step
from benchlog_ui.look import Look
from benchlog_ui.words import amperes, volts


class PlanCurve(QWidget):
    """Acceptance and stop limit of every step; a step that can't be judged stands as a hollow ring."""

    def __init__(self, look: Look) -> None:
        """Empty until `show_steps`."""
        super().__init__()
        self._look = look
        self._steps: Sequence[Step] = ()
        self.restyle(look)

    def restyle(self, look: Look) -> None:
        """Take colours and sizes."""
        self._look = look
        self.setMinimumHeight(look.px(140))
        self.update()

    def show_steps(self, steps: Sequence[Step]) -> None:
        """Draw these."""
        self._steps = steps
        last = steps[-1] if steps else None
        ends = f", up to {volts(last.set_v)}: stop at {amperes(last.stop.value)}" if last else ""
        self.setAccessibleName(f"Plan as a curve, {len(steps)} steps{ends}")
        self.update()

    def paintEvent(self, event: QPaintEvent) -> None:
        """Draw both curves."""
        look, steps = self._look, self._steps
        painter = QPainter(self)
        painter.fillRect(self.rect(), look.colour("paper"))
        if not steps:
            return
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        box = QRectF(self.rect()).adjusted(look.px(20), look.px(34), -look.px(20), -look.px(30))
        top = max(step.stop.value for step in steps) * 1.08
        reach = steps[-1].set_v * 1.03

        def at(volts_: float, amps: float) -> QPointF:
            return QPointF(
                box.left() + box.width() * volts_ / reach, box.bottom() - box.height() * amps / top
            )

        painter.setPen(QPen(look.colour("faint"), 1))
        painter.drawLine(box.bottomLeft(), box.bottomRight())
        for ink, style, values in (
            ("stop", Qt.PenStyle.SolidLine, [s.stop.value for s in steps]),
            ("acceptance", Qt.PenStyle.DashLine, [s.acceptance.value for s in steps]),
        ):
            painter.setPen(QPen(look.colour(ink), look.px(3), style))
            line = [at(s.set_v, a) for s, a in zip(steps, values, strict=True)]
            painter.drawPolyline(QPolygonF(line))
            name = "stop limit" if ink == "stop" else "acceptance limit"
            self._name(painter, f"{name} {amperes(values[-1])}", line[-1], ink, above=ink == "stop")
        self._marks(painter, [(s, at(s.set_v, s.acceptance.value)) for s in steps], box)

    def _name(self, painter: QPainter, words: str, end: QPointF, ink: str, above: bool) -> None:
        look = self._look
        painter.setFont(look.fixed_font(17, bold=True))
        painter.setPen(look.colour(ink))
        width, height = look.px(330), look.px(26)
        top = end.y() - height - look.px(3) if above else end.y() + look.px(8)
        box = QRectF(end.x() - width - look.px(4), top, width, height)
        painter.drawText(box, int(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter), words)

    def _marks(self, painter: QPainter, marks: Sequence[tuple[Step, QPointF]], box: QRectF) -> None:
        look = self._look
        painter.setFont(look.fixed_font(15))
        last = -1e9
        for step, spot in marks:
            painter.setPen(QPen(look.colour("acceptance" if step.judgeable else "cannot"), look.px(3)))
            painter.setBrush(look.colour("acceptance" if step.judgeable else "paper"))
            painter.drawEllipse(spot, look.px(5), look.px(5))
            if spot.x() - last < look.px(62):
                continue
            last = spot.x()
            painter.setPen(look.colour("faint"))
            foot = QRectF(spot.x() - look.px(40), box.bottom() + look.px(3), look.px(80), look.px(24))
            painter.drawText(foot, int(Qt.AlignmentFlag.AlignCenter), volts(step.set_v))
