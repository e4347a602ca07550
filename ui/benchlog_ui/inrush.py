"""A captured switch-on: current over the first mains cycles, half-cycle r.m.s. bars, and its figures."""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QFontMetricsF, QPainter, QPaintEvent, QPen, QPolygonF
from PySide6.QtWidgets import QWidget

from benchlog.model.clock import US
from benchlog.model.errors import BenchlogError
from benchlog.model.figures import WaveFigures
from benchlog.model.wave import Waveform
from benchlog_ui.arrival import Shown, beside_words, paint_beside
from benchlog_ui.look import Look
from benchlog_ui.words import amperes, elapsed

Scale = Callable[[float], float]
_MIDDLE = int(Qt.AlignmentFlag.AlignCenter)
SHOWN_S = 0.2
"""So much is drawn from just before switch-on."""
_BEFORE_S = 0.01


@dataclass(frozen=True, slots=True, eq=False)
class Switched:
    """A waveform with its figures, ready to be drawn."""

    at_s: float
    """Session seconds of its first sample."""
    t_s: npt.NDArray[np.float64]
    """From switch-on."""
    i_a: npt.NDArray[np.float64]
    found: WaveFigures | None
    why_not: str = ""
    readings: tuple[Shown, ...] = ()
    """What the meter showed meanwhile."""
    on_s: float = 0.0
    """Session seconds of the switch-on."""


def switched(wave: Waveform, nominal_v: float | None, readings: tuple[Shown, ...] = ()) -> Switched:
    """Work out what is drawn of a waveform; takes a while, so never in the main thread."""
    from benchlog.measure.waveform import figures

    try:
        found, why_not = figures(wave, nominal_v), ""
    except BenchlogError as error:
        found, why_not = None, str(error)
    on_s = found.switch_on_s if found is not None and found.switch_on_s is not None else 0.0
    t_s = np.arange(wave.i_a.size) / wave.rate_hz - on_s
    shown = (t_s >= -_BEFORE_S) & (t_s <= SHOWN_S)
    offset = found.offset_a if found is not None and found.offset_a is not None else 0.0
    at_s = wave.start_us / US
    return Switched(at_s, t_s[shown], wave.i_a[shown] - offset, found, why_not, readings, at_s + on_s)


def figure_words(found: WaveFigures) -> list[str]:
    """The figures of a switch-on, those that the record shows."""
    rows = (
        ("peak", found.inrush_peak_a, "A"),
        ("half-cycle r.m.s.", found.max_half_cycle_rms_a, "A"),
        ("I²t in 10 ms", found.i2t_10ms_a2s, "A²s"),
        ("switched on at", found.switch_on_phase_deg, "°"),
    )
    words = []
    for name, value, unit in rows:
        if value is not None:
            text = amperes(value) if unit == "A" else f"{value:.3g} {unit}".replace("-", "−")
            words.append(f"{name} {text}")
    return words


class InrushPanel(QWidget):
    """The newest switch-on that was captured."""

    def __init__(self, look: Look) -> None:
        """Nothing captured yet."""
        super().__init__()
        self._look = look
        self.shown: Switched | None = None
        self._stop_a: float | None = None
        self.setAccessibleName("Switch-on waveform: none captured")

    def restyle(self, look: Look) -> None:
        """Take colours and sizes."""
        self._look = look
        self.update()

    def show_switched(self, news: Switched) -> None:
        """Draw this one."""
        self.shown = news
        words = ", ".join(figure_words(news.found)) if news.found is not None else news.why_not
        beside = beside_words(news.readings, self._stop_a)
        words = f"{words}; {beside}" if beside else words
        self.setAccessibleName(f"Switch-on at {elapsed(news.at_s)}: {words}")
        self.update()

    def show_limit(self, stop_a: float | None) -> None:
        """The stop limit as it is now."""
        if stop_a != self._stop_a:
            self._stop_a = stop_a
            self.update()

    def paintEvent(self, event: QPaintEvent) -> None:
        """Heading, waveform, bars, and the meter's readings and the limit beside them."""
        look, shown = self._look, self.shown
        painter = QPainter(self)
        painter.fillRect(self.rect(), look.colour("paper"))
        edge = look.px(12)
        if shown is None:
            painter.setFont(look.fixed_font(18))
            painter.setPen(look.colour("faint"))
            words = "No switch-on waveform: it needs a digitiser on the bench."
            painter.drawText(self.rect().adjusted(edge, 0, -edge, 0), _MIDDLE, words)
            return
        words_at = QRectF(edge, look.px(4), self.width() - 2 * edge, look.px(52))
        self._heading(painter, words_at, shown)
        top = look.px(60)
        box = QRectF(edge, top, self.width() - 2 * edge, self.height() - top - look.px(26))
        if box.height() > 20 and shown.i_a.size:
            self._draw(painter, box, shown)

    def _heading(self, painter: QPainter, box: QRectF, shown: Switched) -> None:
        look = self._look
        words = figure_words(shown.found) if shown.found is not None else [shown.why_not]
        painter.setFont(look.fixed_font(19, bold=True))
        painter.setPen(look.colour("ink"))
        head = "  ·  ".join([f"switch-on {elapsed(shown.at_s)}", *words[:1]])
        self._line(painter, box, head)
        painter.setFont(look.fixed_font(17))
        beside = [text for text in [beside_words(shown.readings, self._stop_a)] if text]
        below = box.adjusted(0, box.height() * 0.52, 0, 0)
        self._line(painter, below, "  ·  ".join([*words[1:2], *beside] if beside else words[1:3]))

    @staticmethod
    def _line(painter: QPainter, box: QRectF, words: str) -> None:
        metrics = QFontMetricsF(painter.font())
        shown = metrics.elidedText(words, Qt.TextElideMode.ElideRight, box.width())
        painter.drawText(box, int(Qt.AlignmentFlag.AlignTop), shown)

    def _draw(self, painter: QPainter, box: QRectF, shown: Switched) -> None:
        look = self._look
        most = float(np.abs(shown.i_a).max()) * 1.08 or 1.0
        middle = box.center().y()

        def x_at(t_s: float) -> float:
            return box.left() + box.width() * (t_s + _BEFORE_S) / (SHOWN_S + _BEFORE_S)

        def y_at(i_a: float) -> float:
            return middle - i_a / most * box.height() / 2

        painter.setPen(QPen(look.colour("rule"), 1))
        painter.drawLine(QPointF(box.left(), middle), QPointF(box.right(), middle))
        self._bars(painter, shown, x_at, y_at)
        span_s = (shown.on_s - _BEFORE_S, shown.on_s + SHOWN_S)
        paint_beside(painter, look, box, most, span_s, shown.readings, self._stop_a)
        painter.setPen(QPen(look.colour("ink"), look.px(2)))
        t_s, i_a = thinned(shown.t_s, shown.i_a, int(box.width()))
        points = [QPointF(x_at(t), y_at(i)) for t, i in zip(t_s.tolist(), i_a.tolist(), strict=True)]
        painter.drawPolyline(QPolygonF(points))
        painter.setFont(look.fixed_font(15))
        painter.setPen(look.colour("faint"))
        for ms in (0, 50, 100, 150, 200):
            middle_x = min(x_at(ms / 1000), box.right() - look.px(20))
            foot = QRectF(middle_x - look.px(40), box.bottom(), look.px(80), look.px(24))
            painter.drawText(foot, _MIDDLE, f"{ms} ms")

    def _bars(self, painter: QPainter, shown: Switched, x_at: Scale, y_at: Scale) -> None:
        """The r.m.s. of each half-cycle, as a bar upward from zero."""
        found = shown.found
        if found is None or not found.frequency_hz:
            return
        half_s = 0.5 / found.frequency_hz
        first_s = -math.fmod((found.switch_on_phase_deg or 0.0), 180.0) / 180.0 * half_s
        colour = self._look.colour("forecast")
        painter.setPen(Qt.PenStyle.NoPen)
        colour.setAlpha(120)
        painter.setBrush(colour)
        for number, rms_a in enumerate(found.half_cycle_rms_a):
            begin = first_s + number * half_s
            if begin >= SHOWN_S:
                break
            left, right = x_at(max(begin, 0.0)), x_at(min(begin + half_s, SHOWN_S))
            painter.drawRect(QRectF(QPointF(left + 1, y_at(rms_a)), QPointF(right - 1, y_at(0.0))))


def thinned(
    t_s: npt.NDArray[np.float64], i_a: npt.NDArray[np.float64], columns: int
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Least and greatest sample of each column, in the order of time: no peak is lost."""
    size = max(len(t_s) // max(columns, 1), 1)
    if size < 3:
        return t_s, i_a
    whole = len(t_s) // size * size
    blocks = i_a[:whole].reshape(-1, size)
    ends = np.sort(np.stack([blocks.argmin(axis=1), blocks.argmax(axis=1)], axis=1), axis=1)
    index = (ends + np.arange(len(blocks))[:, None] * size).ravel()
    return np.append(t_s[index], t_s[whole:]), np.append(i_a[index], i_a[whole:])
