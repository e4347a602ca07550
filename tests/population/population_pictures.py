"""Pictures of the reports, drawn without a screen."""

import os
import statistics
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

import pyqtgraph as pg
from pyqtgraph.exporters import ImageExporter

_SIZE = (720, 450)
_COLOURS = ("#1b6ca8", "#b5541c", "#3f7d3f", "#7a3f8c", "#555555")


def _plot(title: str, x: str, y: str) -> pg.PlotItem:
    pg.mkQApp()
    pg.setConfigOptions(antialias=False, background="w", foreground="k")
    widget = pg.PlotWidget()
    widget.resize(*_SIZE)
    item = widget.getPlotItem()
    item.setTitle(title)
    item.setLabel("bottom", x)
    item.setLabel("left", y)
    for axis in ("bottom", "left"):
        item.getAxis(axis).enableAutoSIPrefix(False)
    item.showGrid(x=True, y=True, alpha=0.2)
    item.addLegend(offset=(-20, -20))
    item.kept = widget  # type: ignore[attr-defined]
    return item


def _save(item: pg.PlotItem, path: Path) -> None:
    pg.QtWidgets.QApplication.processEvents()
    exporter = ImageExporter(item)
    exporter.parameters()["width"] = _SIZE[0]
    path.parent.mkdir(parents=True, exist_ok=True)
    picture = exporter.export(toBytes=True)
    picture.convertToFormat(pg.QtGui.QImage.Format.Format_Indexed8).save(str(path))


def draw_runaways(courses: Mapping[float, Sequence[tuple[list[float], list[float]]]], path: Path) -> None:
    """Bias ÷ cold bias against seconds, by fraction of mains."""
    item = _plot("Bias runaway at fixed voltage", "seconds", "bias ÷ cold bias")
    item.setLogMode(y=True)
    for colour, (fraction, those) in zip(_COLOURS, courses.items(), strict=False):
        for k, (seconds, ratios) in enumerate(those[:20]):
            item.plot(
                seconds, ratios, pen=pg.mkPen(colour), name=f"{fraction:.0%} of mains" if k == 0 else None
            )
    for seconds, colour in ((150.0, _COLOURS[1]), (45.0, _COLOURS[2])):
        item.addItem(
            pg.InfiniteLine(seconds, angle=90, pen=pg.mkPen(colour, style=pg.QtCore.Qt.PenStyle.DashLine))
        )
    _save(item, path)


def draw_idle(units: Sequence[Mapping[str, Any]], by_hand: Mapping[float, float], path: Path) -> None:
    """Settled current of each unit scaled to 20 W, and the curve by hand."""
    item = _plot("Idle of class AB units of 300 VA at 230 V, scaled to 20 W", "of nominal mains", "A")
    for one in units[:40]:
        scaled = [20.0 / one["watts"] * a for a in one["current_a"]]
        item.plot(one["fractions"], scaled, pen=pg.mkPen("#9ec1dd"))
    middle = [statistics.median(20.0 / o["watts"] * o["current_a"][k] for o in units)
              for k in range(len(units[0]["fractions"]))]  # fmt: skip
    item.plot(units[0]["fractions"], middle, pen=pg.mkPen(_COLOURS[0], width=2), name="median of the seeds")
    item.plot(list(by_hand), list(by_hand.values()), pen=None, symbol="o", symbolBrush=_COLOURS[1],
              name="by hand")  # fmt: skip
    _save(item, path)


def draw_cuts(curves: Mapping[str, tuple[Sequence[float], Sequence[float]]], path: Path) -> None:
    """Cumulative share cut off against measured inlet volts, by name."""
    item = _plot("Cut off by measured inlet volts", "of nominal mains", "% of runs")
    for colour, (name, (x, y)) in zip(_COLOURS, curves.items(), strict=False):
        item.plot(list(x), list(y), pen=pg.mkPen(colour, width=2), symbol="o", symbolSize=5,
                  symbolBrush=colour, name=name)  # fmt: skip
    _save(item, path)
