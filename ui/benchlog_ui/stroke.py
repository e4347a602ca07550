"""A curve of two pixels' width at the price of one.

Qt's raster engine draws lines of one pixel many times faster than wider ones. Two passes, the second shifted
by one pixel on the diagonal, look the same from where the screen is read.
"""

from typing import Any

import pyqtgraph as pg


class Stroke(pg.PlotCurveItem):  # type: ignore[misc]
    """A plot curve drawn with a pen of one pixel, once for every pixel of its width."""

    def __init__(self, passes: int = 2) -> None:
        """``passes``: width in device pixels."""
        super().__init__()
        self.passes = passes
        self.setSegmentedLineMode("on")

    def columns(self, pixels: float) -> int:
        """How many columns a curve is reduced to on so many device pixels: one for each width of the pen."""
        return max(int(pixels) // self.passes, 50)

    def paint(self, painter: Any, option: Any, widget: Any) -> None:
        """Draw all passes."""
        right, up = self.pixelVectors()
        ratio = widget.devicePixelRatioF() if widget is not None else 1.0
        for number in range(self.passes):
            if number and right is not None and up is not None:
                painter.translate((right.x() + up.x()) / ratio, (right.y() + up.y()) / ratio)
            super().paint(painter, option, widget)
