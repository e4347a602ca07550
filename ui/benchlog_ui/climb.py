"""Idle current against inlet voltage: what was found at each step, between both limit curves."""

from typing import Any

import pyqtgraph as pg
from PySide6.QtCore import QPointF, Qt
from PySide6.QtGui import QPainterPath, QPolygonF
from PySide6.QtWidgets import QVBoxLayout, QWidget

from benchlog.model.role import Role
from benchlog.model.run import RunSetup
from benchlog.model.step import StepRecord, StepVerdict
from benchlog_ui.board import Board
from benchlog_ui.course import label_axis, quiet_plot, restyle_axis
from benchlog_ui.found import only_bound, upper_a
from benchlog_ui.look import Look
from benchlog_ui.words import VERDICT, amperes, volts


def _polygon(*points: tuple[float, float]) -> QPainterPath:
    path = QPainterPath()
    path.addPolygon(QPolygonF([QPointF(*p) for p in points]))
    path.closeSubpath()
    return path


def _contact() -> QPainterPath:
    path = QPainterPath(QPointF(-0.5, 0.4))
    path.lineTo(0.4, -0.5)
    path.addRect(-0.6, 0.35, 0.3, 0.15)
    path.addRect(0.3, 0.35, 0.3, 0.15)
    return path


_SYMBOL = {
    StepVerdict.GO_UP: _polygon((0, -0.5), (0.5, 0.45), (-0.5, 0.45)),
    StepVerdict.WAIT: _polygon((-0.5, -0.35), (0.5, -0.35), (0.5, 0.35), (-0.5, 0.35)),
    StepVerdict.CUT_OFF: _contact(),
    StepVerdict.CANNOT_JUDGE: "o",
}


class Climb(QWidget):
    """The plot of the steps."""

    def __init__(self, look: Look) -> None:
        """An empty plot."""
        super().__init__()
        self._layout = pg.GraphicsLayoutWidget()
        self._layout.setFrameShape(pg.GraphicsLayoutWidget.Shape.NoFrame)
        self._layout.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self._layout.ci.setContentsMargins(2, 4, 10, 2)
        box = QVBoxLayout(self)
        box.setContentsMargins(0, 0, 0, 0)
        box.addWidget(self._layout)
        self._plot = quiet_plot(self._layout, 0, False, look)
        self._band = [self._add(pg.PlotCurveItem()), self._add(pg.PlotCurveItem())]
        self._fill = self._add(pg.FillBetweenItem(*self._band))
        self._stop = self._add(pg.PlotCurveItem())
        self._acceptance = self._add(pg.PlotCurveItem())
        self._bars = self._add(pg.ErrorBarItem())
        self._bounds = self._add(pg.ErrorBarItem())
        self._found = self._add(pg.ScatterPlotItem())
        self._forecast = self._add(pg.PlotCurveItem())
        self._here = self._add(pg.ScatterPlotItem())
        self._key: Any = None
        self._setup: RunSetup | None = None
        self._curve: list[tuple[float, float, float]] = []
        self.restyle(look)

    def _add(self, item: Any) -> Any:
        self._plot.addItem(item, ignoreBounds=True)
        return item

    def restyle(self, look: Look) -> None:
        """Take colours and sizes."""
        self._look = look
        self._key = None
        self._layout.setBackground(look.colours.paper)
        for side, unit in (("left", "idle A"), ("bottom", "inlet V")):
            restyle_axis(self._plot.getAxis(side), look)
            label_axis(self._plot.getAxis(side), unit, look)
        self._plot.getAxis("left").setWidth(look.px(84))
        self._stop.setPen(pg.mkPen(look.colours.stop, width=2))
        self._acceptance.setPen(pg.mkPen(look.colours.acceptance, width=2, style=Qt.PenStyle.DashLine))
        self._bars.setData(pen=pg.mkPen(look.colours.ink, width=2))
        self._bounds.setData(pen=pg.mkPen(look.colours.ink, width=2, style=Qt.PenStyle.DotLine))
        self._forecast.setPen(pg.mkPen(look.colours.forecast, width=3))
        band = look.colour("forecast")
        for edge in self._band:
            edge.setPen(pg.mkPen(band, width=1))
        band.setAlpha(60)
        self._fill.setBrush(pg.mkBrush(band))

    def refresh(self, board: Board) -> None:
        """Draw what changed."""
        hello = board.hello
        if hello is None or not hello.steps:
            return
        key = (len(board.limit_points), tuple(board.records.items()), board.step, id(hello), id(board.setup))
        if key != self._key:
            self._key = key
            self._limits(board)
            self._records(board)
        self._present(board)

    def _limits(self, board: Board) -> None:
        hello = board.hello
        assert hello is not None
        rows = self._exact(board.setup) if board.setup is not None else _from_steps(board)
        v = [r[0] * hello.mains_v for r in rows]
        self._acceptance.setData(v, [r[1] for r in rows])
        self._stop.setData(v, [r[2] for r in rows])
        self._reference(board.setup, hello.mains_v)
        reach = _reach(board, [s.fraction for s in hello.steps])
        self._plot.setXRange(0.0, hello.mains_v * reach * 1.06, padding=0)
        found = [r.idle_a for r in board.records.values() if r.idle_a is not None]
        inside = [r[2] for r in rows if r[0] <= reach]
        top = max(inside + [min(a, 4 * rows[-1][2]) for a in found])
        self._plot.setYRange(-0.05 * top, top * 1.12, padding=0)

    def _reference(self, setup: RunSetup | None, mains_v: float) -> None:
        """The band of the reference unit: from what it drew to what a unit like it may draw."""
        points = setup.reference.points if setup is not None and setup.reference is not None else ()
        v = [p.fraction * mains_v for p in points]
        for edge, amps in zip(
            self._band, ([p.current_a for p in points], [p.upper_a for p in points]), strict=True
        ):
            edge.setData(v, amps)

    def _exact(self, setup: RunSetup) -> list[tuple[float, float, float]]:
        """Both limits at every half percent, from what the run was set up with; worked out once a run."""
        from benchlog.bringup.bounds import Bounds, limits_of

        if self._setup is not setup:
            bounds = Bounds(limits_of(setup), setup.steps)
            fractions = [n / 200 for n in range(2, 1 + round(200 * max(1.0, setup.steps[-1].fraction)))]
            self._curve = [(v, bounds.acceptance_a(v), bounds.stop_a(v)) for v in fractions]
            self._setup = setup
        return self._curve

    def _records(self, board: Board) -> None:
        rows = [r for r in board.records.values() if r.idle_a is not None and r.measured_v is not None]
        found = [r for r in rows if not only_bound(r)]
        bounded = [r for r in rows if only_bound(r)]
        beam = (board.hello.mains_v if board.hello else 120.0) * 0.008
        self._found.setData([self._spot(r) for r in found])
        self._bars.setData(
            x=_array([r.measured_v or 0.0 for r in found]),
            y=_array([r.idle_a or 0.0 for r in found]),
            height=_array([2 * (r.idle_u_a or 0.0) for r in found]),
            beam=beam,
        )
        tops = [upper_a(r) for r in bounded]
        self._bounds.setData(
            x=_array([r.measured_v or 0.0 for r in bounded]),
            y=_array(tops),
            top=_array([0.0 for _ in tops]),
            bottom=_array(tops),
            beam=2 * beam,
        )
        self._bracket(board)
        self.setAccessibleDescription("; ".join(_words(r) for r in rows))
        self.setAccessibleName(f"Idle current against inlet voltage, {len(rows)} steps measured")

    def _spot(self, record: StepRecord) -> dict[str, Any]:
        ink = VERDICT[record.verdict][2]
        colour = self._look.colour(ink)
        hollow = record.verdict is StepVerdict.CANNOT_JUDGE
        return {
            "pos": (record.measured_v, record.idle_a),
            "symbol": _SYMBOL[record.verdict],
            "size": self._look.px(24),
            "pen": pg.mkPen(colour, width=2),
            "brush": pg.mkBrush(None if hollow else colour),
        }

    def _bracket(self, board: Board) -> None:
        step = board.step
        record = board.records.get(step) if step is not None else None
        if record is None and step is not None:
            record = board.records.get(step - 1)
        hello = board.hello
        following = (
            [s for s in hello.steps if record is not None and s.fraction > record.fraction] if hello else []
        )
        if record is None or record.forecast_next_a is None or not following:
            self._forecast.setData([], [])
            return
        low, _, high = record.forecast_next_a
        x, wing = following[0].set_v, following[0].set_v * 0.0 + hello.mains_v * 0.012 if hello else 1.0
        self._forecast.setData(
            [x - wing, x + wing, x, x, x - wing, x + wing], [low, low, low, high, high, high]
        )

    def _present(self, board: Board) -> None:
        inlet = board.volts()
        current = board.latest.get(Role.SOURCE_CURRENT)
        if inlet is None or current is None or current.last_value is None:
            return
        if board.ended is not None and board.near_zero:
            self._here.setData([], [])
            return
        pen = pg.mkPen(self._look.colours.ink, width=2)
        self._here.setData([inlet], [current.last_value], symbol="+", size=self._look.px(22), pen=pen)


def _reach(board: Board, fractions: list[float]) -> float:
    """How far up the plot reaches: some steps ahead, so that the low ones are not crowded into a corner."""
    seen = max([board.step or 0, *board.records])
    ahead = fractions[min(seen + 3, len(fractions) - 1)]
    return next((r for r in (0.2, 0.4, 0.65) if ahead <= r), max(1.0, fractions[-1]))


def _from_steps(board: Board) -> list[tuple[float, float, float]]:
    """Both limits at the steps, and where the voltage has been since: while the set-up is not known yet."""
    steps = board.hello.steps if board.hello is not None else ()
    points = {round(s.fraction * 200): (s.fraction, s.acceptance.value, s.stop.value) for s in steps}
    points |= {k: (p.fraction, p.acceptance_a, p.stop_a) for k, p in board.limit_points.items()}
    return [points[k] for k in sorted(points) if points[k][0] > 0.005]


def _words(record: StepRecord) -> str:
    if only_bound(record):
        return f"{volts(record.measured_v or 0.0)}: at most {amperes(upper_a(record))}"
    u = f" plus or minus {record.idle_u_a:.3f}" if record.idle_u_a is not None else ""
    idle = amperes(record.idle_a or 0.0)
    return f"{volts(record.measured_v or 0.0)}: {idle}{u}, {VERDICT[record.verdict][0]}"


def _array(values: list[float]) -> Any:
    import numpy as np

    return np.asarray(values, dtype=np.float64)
