"""What the meter showed while a switch-on was captured, and the stop limit, drawn beside its waveform."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QPainter, QPen

from benchlog.model.clock import US
from benchlog.model.role import Role
from benchlog.model.wave import Waveform
from benchlog_ui.look import Look
from benchlog_ui.words import amperes

if TYPE_CHECKING:
    from benchlog.session.reader import SessionReader

AFTER_US = 3 * US
"""Readings that end so long after the waveform's beginning belong to the switch-on."""


@dataclass(frozen=True, slots=True)
class Shown:
    """One reading of the current: from and to in session seconds, amperes r.m.s."""

    from_s: float
    to_s: float
    current_a: float


def meanwhile(reader: "SessionReader", wave: Waveform) -> tuple[Shown, ...]:
    """The source-current readings taken over a waveform; none where no meter read it."""
    channel = next((c for c in reader.channels() if c.role is Role.SOURCE_CURRENT), None)
    if channel is None:
        return ()
    found = reader.readings(channel, wave.start_us, wave.start_us + AFTER_US)
    good = np.isfinite(found.value) & (found.t_us - found.took_us >= wave.start_us)
    return tuple(
        Shown((end - took) / US, end / US, value)
        for end, took, value in zip(
            found.t_us[good].tolist(), found.took_us[good].tolist(), found.value[good].tolist(), strict=True
        )
    )


def beside_words(shown: tuple[Shown, ...], stop_a: float | None) -> str:
    """Meter and limit in words; empty where there is neither."""
    words = []
    if shown:
        words.append(f"meter at most {amperes(max(one.current_a for one in shown))}")
    if stop_a is not None:
        words.append(f"stop limit {amperes(stop_a)} r.m.s.")
    return ", ".join(words)


def paint_beside(
    painter: QPainter, look: Look, box: QRectF, most_a: float, span_s: tuple[float, float],
    shown: tuple[Shown, ...], stop_a: float | None,
) -> None:  # fmt: skip
    """Over a waveform whose zero is the middle of ``box`` and whose top is ``most_a``.

    The stop limit is a dashed line, each reading of the meter a bar's height over its own time; ``span_s``
    session seconds at both edges.
    """
    middle, from_s, to_s = box.center().y(), *span_s
    if to_s <= from_s or most_a <= 0.0:
        return

    def y_at(current_a: float) -> float:
        return max(middle - current_a / most_a * box.height() / 2, box.top())

    if stop_a is not None:
        painter.setPen(QPen(look.colour("stop"), look.px(2), Qt.PenStyle.DashLine))
        painter.drawLine(QPointF(box.left(), y_at(stop_a)), QPointF(box.right(), y_at(stop_a)))
    painter.setPen(QPen(look.colour("acceptance"), look.px(3)))
    for one in shown:
        low, high = max(one.from_s, from_s), min(one.to_s, to_s)
        if low < high:
            left, right = (box.left() + box.width() * (t - from_s) / (to_s - from_s) for t in (low, high))
            painter.drawLine(QPointF(left, y_at(one.current_a)), QPointF(right, y_at(one.current_a)))
