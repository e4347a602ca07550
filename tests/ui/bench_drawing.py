"""Frame time of three curves of 10⁴ … 10⁷ points: the pyramid, plain pyqtgraph and its peak mode, in one run.

``python tests/ui/bench_drawing.py [LARGEST]``; prints milliseconds of the process's own time a frame (a busy
machine slows the wall clock, not that), median of the frames, newest samples appended at every frame.
"""

import os
import sys
import time

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

import numpy as np
import pyqtgraph as pg
from PySide6.QtWidgets import QApplication

from benchlog_ui.pyramid import Pyramid
from benchlog_ui.stroke import Stroke

WIDTH, HEIGHT = 1200, 400


def signals(count):
    rng = np.random.default_rng(5)
    t = np.arange(count) * 0.1
    return t, [np.cumsum(rng.normal(size=count)) * 0.01 + n for n in range(3)]


def plot():
    widget = pg.PlotWidget()
    widget.resize(WIDTH, HEIGHT)
    widget.setMouseEnabled(False, False)
    widget.show()
    return widget


def frames(app, draw, count, most_s=20.0):
    times = []
    until = time.process_time() + most_s
    for n in range(count):
        began = time.process_time()
        draw(n)
        app.processEvents()
        times.append(time.process_time() - began)
        if time.process_time() > until and n >= 2:
            break
    return float(np.median(times)) * 1000


def by_pyramid(app, t, curves):
    widget = plot()
    pyramids = [Pyramid() for _ in curves]
    items = []
    for pyramid, v in zip(pyramids, curves, strict=True):
        pyramid.append(t, v)
        item = Stroke()
        item.setPen(pg.mkPen("k", width=1))
        widget.addItem(item, ignoreBounds=True)
        items.append(item)
    widget.setYRange(-50, 50)

    widget.setXRange(0, t[-1] * 1.05 + 100, padding=0)

    def draw(n):
        end = t[-1] + (n + 1) * 0.3
        for pyramid, item in zip(pyramids, items, strict=True):
            pyramid.append(end - np.array([0.2, 0.1, 0.0]), np.zeros(3))
            line = pyramid.view(0, end, item.columns(WIDTH))
            item.setData(line.t_s, line.v, connect="all", skipFiniteCheck=True)

    found = frames(app, draw, 60)
    widget.close()
    return found


def by_pyqtgraph(app, t, curves, peak):
    widget = plot()
    items = [widget.plot(t, v, pen=pg.mkPen("k", width=1)) for v in curves]
    widget.setYRange(-50, 50)
    if peak:
        for item in items:
            item.setDownsampling(auto=True, method="peak")
            item.setClipToView(True)

    widget.setXRange(0, t[-1] * 1.05 + 100, padding=0)

    def draw(n):
        for item, v in zip(items, curves, strict=True):
            item.setData(t, v)

    found = frames(app, draw, 30)
    widget.close()
    return found


def main():
    largest = int(float(sys.argv[1])) if len(sys.argv) > 1 else 10_000_000
    app = QApplication([])
    pg.setConfigOptions(antialias=False, background="w", foreground="k")
    print("points      pyramid   plain     peak mode   (ms a frame, 3 curves, process time)")
    for count in (10_000, 100_000, 1_000_000, 10_000_000):
        if count > largest:
            break
        t, curves = signals(count)
        a = by_pyramid(app, t, curves)
        b = by_pyqtgraph(app, t, curves, peak=False)
        c = by_pyqtgraph(app, t, curves, peak=True)
        print(f"{count:<11} {a:<9.1f} {b:<9.1f} {c:<9.1f}", flush=True)


if __name__ == "__main__":
    main()
