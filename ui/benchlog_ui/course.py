"""Current and inlet voltage over time, on one time axis, with the limits as lines that name themselves."""

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
import pyqtgraph as pg
from PySide6.QtCore import Qt
from PySide6.QtGui import QFont, QFontMetricsF, QResizeEvent
from PySide6.QtWidgets import QVBoxLayout, QWidget

from benchlog.model.clock import US
from benchlog.model.role import Role
from benchlog_ui.board import ACCEPTANCE, STOP, Board
from benchlog_ui.look import Look
from benchlog_ui.pyramid import Polyline
from benchlog_ui.stroke import Stroke
from benchlog_ui.traces import Traces
from benchlog_ui.words import amperes, elapsed, short_source, span, volts

SPANS_S: tuple[float | None, ...] = (30.0, 120.0, None)
"""Views of the past; None is the whole run. Session seconds."""


_AHEAD, _MOST_AHEAD = 0.24, 0.4
"""Share of the plot that lies ahead of now: limits run on into it and carry their names there. More of it
where the names are long, or have one line each because the plot is low."""
_DASH_PX = 9
_MARGIN_PX = 12
"""What the name of a limit takes beside its words."""


def _dashed(line: Polyline, period_s: float) -> Polyline:
    """A polyline with every other stretch of ``period_s`` left out (Qt's own dashes cost too much here)."""
    left_out = (line.t_s // period_s) % 2 == 1
    return Polyline(line.t_s, np.where(left_out, np.nan, line.v))


class PlainAxis(pg.AxisItem):  # type: ignore[misc]
    """An axis whose figures are never scaled: its label is not set anew whenever its range moves."""

    def updateAutoSIPrefix(self) -> None:
        """The range has moved: the figures are drawn anew, the label stays."""
        self.picture = None
        self.update()


class ElapsedAxis(PlainAxis):
    """Time since the session began, as m:ss."""

    def tickStrings(self, values: Sequence[float], scale: float, spacing: float) -> list[str]:
        """Labels of ticks."""
        return [elapsed(v) if v >= 0 else "" for v in values]

    def tickSpacing(self, low: float, high: float, size: float) -> list[tuple[float, float]]:
        """Ticks at whole seconds and minutes, about one each 110 pixels."""
        wanted = (high - low) / max(size / 110.0, 1.0)
        steps = (1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 1200, 1800, 3600, 7200, 14400)
        return [(float(next((s for s in steps if s >= wanted), 28800)), 0.0)]


def quiet_plot(layout: Any, row: int, time_axis: bool, look: Look) -> Any:
    """A plot without menus, buttons and mouse dragging: a touch of the mouse must not lose the picture."""
    bottom = ElapsedAxis if time_axis else PlainAxis
    axes = {"bottom": bottom(orientation="bottom"), "left": PlainAxis(orientation="left")}
    plot = layout.addPlot(row=row, col=0, axisItems=axes, enableMenu=False)
    plot.setMenuEnabled(False)
    plot.hideButtons()
    plot.setMouseEnabled(x=False, y=False)
    plot.getViewBox().setDefaultPadding(0.0)
    return plot


def restyle_axis(axis: Any, look: Look) -> None:
    """Colours and type of an axis."""
    pen = pg.mkPen(look.colours.rule)
    axis.setPen(pen)
    axis.setTextPen(look.colours.faint)
    axis.setTickFont(look.fixed_font(17))
    axis.setStyle(tickTextOffset=look.px(6), tickLength=-look.px(6))


def label_axis(axis: Any, words: str, look: Look) -> None:
    """What an axis shows, in the size of its figures."""
    axis.setLabel(words, **{"color": look.colours.faint, "font-size": f"{look.px(17)}px"})


class _EdgeLabel:
    """The name of a limit, written along its line at the right edge."""

    def __init__(self, plot: Any, below: bool) -> None:
        self.item = pg.TextItem(anchor=(1.0, 0.0 if below else 1.0))
        self.item.setZValue(10)
        plot.addItem(self.item, ignoreBounds=True)
        self._words = ""
        self._font = QFont()

    def restyle(self, look: Look, ink: str) -> None:
        self._font, self._words = look.fixed_font(18, bold=True), ""
        self.item.setFont(self._font)
        self.item.setColor(look.colour(ink))
        ground = look.colour("paper")
        ground.setAlpha(215)
        self.item.fill = pg.mkBrush(ground)
        self.item.update()

    def put(self, x: float, y: float, value: str, source: str, width: float, low: bool) -> None:
        """On one line where it fits into ``width`` pixels, else the source under the value, shortened.

        ``low``: there is no room for two lines; what does not fit on one is left out.
        """
        words = f"{value}  {source}"
        metrics = QFontMetricsF(self._font)
        if low:
            words = metrics.elidedText(words, Qt.TextElideMode.ElideRight, width - _MARGIN_PX)
        elif metrics.horizontalAdvance(words) > width - _MARGIN_PX:
            shown = metrics.elidedText(source, Qt.TextElideMode.ElideRight, width - _MARGIN_PX)
            words = f"{value}\n{shown}"
        if words != self._words:
            self._words = words
            self.item.setText(words)
        self.item.setPos(x, y)

    def length(self, value: str, source: str, one_line: bool) -> float:
        """Pixels that both take on one line, or the longer of the two, margins included."""
        of = QFontMetricsF(self._font).horizontalAdvance
        return (of(f"{value}  {source}") if one_line else max(of(value), of(source))) + _MARGIN_PX + 2.0

    def height(self, lines: int) -> float:
        """Pixels that so many lines take, margins included."""
        return QFontMetricsF(self._font).lineSpacing() * lines + 10.0


class Course(QWidget):
    """The two plots."""

    def __init__(self, look: Look, traces: Traces) -> None:
        """Empty plots over the given curves."""
        super().__init__()
        self._traces = traces
        self._dirty = True
        self._crowded = False
        """Whether both names stand above the stop limit: there is no room below or between."""
        self._ahead = _AHEAD
        self._span_s: float | None = 120.0
        self._view = (0.0, 1.0)
        self._top = {"current": 0.0, "voltage": 0.0}
        self._layout = pg.GraphicsLayoutWidget()
        self._layout.setFrameShape(pg.GraphicsLayoutWidget.Shape.NoFrame)
        box = QVBoxLayout(self)
        box.setContentsMargins(0, 0, 0, 0)
        box.addWidget(self._layout)
        self._current = quiet_plot(self._layout, 0, True, look)
        self._voltage = quiet_plot(self._layout, 1, True, look)
        self._current.getAxis("bottom").setStyle(showValues=False)
        self._layout.ci.layout.setRowStretchFactor(0, 5)
        self._layout.ci.layout.setRowStretchFactor(1, 3)
        self._layout.ci.layout.setSpacing(8)
        self._layout.ci.setContentsMargins(2, 4, 8, 2)
        self._make_items()
        self._layout.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self.restyle(look)

    def _make_items(self) -> None:
        self._lines = {
            STOP: (self._current, self._line(self._current)),
            ACCEPTANCE: (self._current, self._line(self._current)),
            Role.SOURCE_CURRENT.value: (self._current, self._line(self._current)),
            Role.INLET_VOLTAGE.value: (self._voltage, self._line(self._voltage)),
        }
        self._acceptance = _EdgeLabel(self._current, below=True)
        self._stop = _EdgeLabel(self._current, below=False)
        self._cuts = [pg.InfiniteLine(angle=90), pg.InfiniteLine(angle=90)]
        self._target = pg.InfiniteLine(angle=0)
        self._voltage.addItem(self._target, ignoreBounds=True)
        self._bracket = pg.PlotCurveItem()
        self._bracket.setZValue(11)
        self._current.addItem(self._bracket, ignoreBounds=True)
        for cut, plot in zip(self._cuts, (self._current, self._voltage), strict=True):
            plot.addItem(cut, ignoreBounds=True)
            cut.hide()
        self._target.hide()

    def _line(self, plot: Any) -> Any:
        item = Stroke()
        plot.addItem(item, ignoreBounds=True)
        return item

    def restyle(self, look: Look) -> None:
        """Take colours and sizes; axes and labels are made anew."""
        self._look = look
        self._dirty = True
        self._layout.setBackground(look.colours.paper)
        for plot, unit in ((self._current, "A"), (self._voltage, "V")):
            for side in ("left", "bottom"):
                restyle_axis(plot.getAxis(side), look)
            plot.getAxis("left").setWidth(look.px(74))
            label_axis(plot.getAxis("left"), unit, look)
        inks = {STOP: "stop", ACCEPTANCE: "acceptance"}
        for name, (_, item) in self._lines.items():
            item.passes = max(2, round(2 * self.devicePixelRatioF()))
            item.setPen(pg.mkPen(look.colour(inks.get(name, "ink")), width=1))
        self._acceptance.restyle(look, "acceptance")
        self._stop.restyle(look, "stop")
        self._bracket.setPen(pg.mkPen(look.colours.forecast, width=3))
        for cut in self._cuts:
            cut.setPen(pg.mkPen(look.colours.stop, width=2, style=Qt.PenStyle.DotLine))
        self._target.setPen(pg.mkPen(look.colours.acceptance, width=1, style=Qt.PenStyle.DashLine))

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Another height: the names of limits need other room."""
        super().resizeEvent(event)
        self._dirty = True

    @property
    def from_s(self) -> float:
        """Left edge of the view, session seconds."""
        return self._view[0]

    def show_span(self, span_s: float | None) -> None:
        """Show so many session seconds of the past; None for the whole run."""
        self._span_s = span_s
        self._view = (0.0, 0.0)
        self._dirty = True

    def refresh(
        self, board: Board, now_us: int, forecast_a: tuple[float, float, float] | None, grown: set[str]
    ) -> None:
        """Draw a frame; nothing is drawn anew when no curve grew and the view stands."""
        moved = self._place(now_us / US)
        if not moved and not grown.intersection(self._lines) and not self._dirty:
            return
        self._dirty = False
        from_s, to_s = self._view
        for name, (plot, item) in self._lines.items():
            pixels = item.columns(plot.getViewBox().width() * self.devicePixelRatioF())
            limit = name in (STOP, ACCEPTANCE)
            line = (self._traces.limit if limit else self._traces.line)(
                name, from_s, to_s if limit else now_us / US, pixels
            )
            if line is None:
                continue
            if name == ACCEPTANCE:
                line = _dashed(line, (to_s - from_s) / pixels * _DASH_PX)
            whole = bool(math.isfinite(line.v.sum())) if len(line.v) else True
            item.setData(line.t_s, line.v, connect="all" if whole else "finite", skipFiniteCheck=whole)
        self._stretch(board)
        if self._reserve(board):
            self._place(now_us / US)
            self._dirty = True
        self._name_limits(board)
        self._mark(board, forecast_a)

    def _place(self, now_s: float) -> bool:
        """Move the view with the time, in steps of a few pixels; whether it moved."""
        if self._span_s is None:
            first = min((c.first_s or 0.0 for c in self._traces.curves.values()), default=0.0)
            reach = max(now_s - first, 30.0)
            step = max(reach / 40.0, 1.0)
            view = (first, first + math.ceil(reach / (1.0 - self._ahead) / step) * step)
        else:
            step = self._span_s / 300.0
            first = min(
                (c.first_s for c in self._traces.curves.values() if c.first_s is not None), default=0.0
            )
            left = max(math.ceil(now_s / step) * step - self._span_s, first)
            view = (left, left + self._span_s / (1.0 - self._ahead))
        if view == self._view:
            return False
        self._view = view
        for plot in (self._current, self._voltage):
            plot.setXRange(*view, padding=0)
        return True

    def _stretch(self, board: Board) -> None:
        """Heights of both plots: limits and every spike in view are inside."""
        from_s, to_s = self._view
        seen = self._traces.highest((Role.SOURCE_CURRENT.value,), from_s, to_s) or 0.0
        limit = self._traces.highest((STOP,), from_s, to_s) or (board.limits.stop_a if board.limits else 0.0)
        roomy = self._top_for(seen, limit, self._stop.height(2))
        self._crowded = self._no_room(board, roomy)
        wanted = self._top_for(seen, limit, 2 * self._stop.height(1)) if self._crowded else roomy
        self._height("current", self._current, wanted)
        volts_seen = self._traces.highest((Role.INLET_VOLTAGE.value,), from_s, to_s) or 0.0
        self._height("voltage", self._voltage, max(volts_seen * 1.12, (board.set_v or 0.0) * 1.12, 6.0))

    def _top_for(self, seen: float, limit: float, names_px: float) -> float:
        """Top of the plot in A, so that every reading, the limits and ``names_px`` of names above fit."""
        room = min(names_px / max(float(self._current.getViewBox().height()), 1.0), 0.6)
        return max(seen * 1.08, limit / (1.0 - room), 0.02)

    def _no_room(self, board: Board, top: float) -> bool:
        """Whether a name of two lines fits neither below the acceptance limit nor between the two."""
        if board.limits is None:
            return False
        tall_a = self._stop.height(2) * top / max(float(self._current.getViewBox().height()), 1.0)
        acceptance, stop = board.limits.acceptance_a, board.limits.stop_a
        return acceptance < tall_a and stop - acceptance < tall_a

    def _reserve(self, board: Board) -> bool:
        """Keep room ahead for the names of the limits; whether it has changed."""
        lengths = [label.length(*words, one_line=self._crowded) for label, words in self._names(board)]
        wanted = max(lengths, default=0.0) / max(self._current.getViewBox().width(), 1.0)
        ahead = min(max(_AHEAD, math.ceil(wanted * 50) / 50), _MOST_AHEAD)
        if ahead == self._ahead:
            return False
        self._ahead = ahead
        return True

    def _names(self, board: Board) -> list[tuple[_EdgeLabel, tuple[str, str]]]:
        """Label and words (value, source) of the acceptance and the stop limit."""
        limits = board.limits
        if limits is None:
            return []
        acceptance = f"acceptance {amperes(limits.acceptance_a)}", short_source(limits.acceptance_source)
        stop = f"stop {amperes(limits.stop_a)}", short_source(limits.stop_source)
        return [(self._acceptance, acceptance), (self._stop, stop)]

    def _height(self, key: str, plot: Any, wanted: float) -> None:
        have = self._top[key]
        if wanted > have or wanted < have * 0.7:
            self._top[key] = wanted * 1.05
            plot.setYRange(0.0, self._top[key], padding=0)

    def _name_limits(self, board: Board) -> None:
        """Write both names: below and above their lines where they fit, else both above the stop limit."""
        limits = board.limits
        if limits is None:
            return
        box = self._current.getViewBox()
        px_a = self._top["current"] / max(box.height(), 1.0)
        one_a, two_a = self._stop.height(1) * px_a, self._stop.height(2) * px_a
        acceptance_at, stop_at = limits.acceptance_a, limits.stop_a
        if self._crowded:
            acceptance_at, stop_at = stop_at + one_a, stop_at + one_a
        elif acceptance_at < two_a:
            acceptance_at += two_a
        width = box.width() * self._ahead
        for (label, words), at in zip(self._names(board), (acceptance_at, stop_at), strict=True):
            label.put(self._view[1], at, *words, width, self._crowded)

    def _mark(self, board: Board, forecast_a: tuple[float, float, float] | None) -> None:
        for cut in self._cuts:
            cut.setVisible(board.cut_off_us is not None)
            if board.cut_off_us is not None:
                cut.setValue(board.cut_off_us / US)
        target = board.instruct.target_v if board.instruct else None
        target = board.set_v if target is None else target
        self._target.setVisible(target is not None and board.ended is None)
        if target is not None:
            self._target.setValue(target)
        if forecast_a is None or board.ended is not None:
            self._bracket.setData([], [])
            return
        right, low, high = self._view[1], forecast_a[0], forecast_a[2]
        foot = right - (self._view[1] - self._view[0]) * 0.012
        self._bracket.setData([foot, right, right, foot], [low, low, high, high])

    def summary(self, board: Board) -> str:
        """The plots in words, for those who do not see them."""
        current = board.latest.get(Role.SOURCE_CURRENT)
        parts = [f"last {span(self._view[1] - self._view[0])}"]
        if current is not None and current.last_value is not None:
            parts.append(f"source current {amperes(current.last_value)}")
        if board.limits is not None:
            parts.append(
                f"acceptance {amperes(board.limits.acceptance_a)}, stop {amperes(board.limits.stop_a)}"
            )
        if (inlet := board.volts()) is not None:
            parts.append(f"inlet voltage {volts(inlet)}")
        return ", ".join(parts)
