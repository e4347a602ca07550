"""Instruments: which plays which part, how it reads now, its sheet, its earth and its calibration."""

import math

from PySide6.QtCore import Qt
from PySide6.QtGui import QResizeEvent
from PySide6.QtWidgets import QHeaderView, QLabel, QTableWidget, QTableWidgetItem, QVBoxLayout, QWidget

from benchlog.model.history import BenchSet
from benchlog.model.instrument import Accuracy, Earth, InstrumentRecord
from benchlog.model.role import Role
from benchlog_ui.board import Board
from benchlog_ui.look import Look
from benchlog_ui.words import STATUS, age, channel_words, figure, volts

HEADS = ("part", "reads now", "instrument", "connection", "earth", "accuracy stated", "calibrated until")
_SHARES = (0.12, 0.15, 0.19, 0.17, 0.09, 0.17, 0.11)
_EARTH_WORDS = {
    Earth.EARTHED: "EARTHED lead",
    Earth.FLOATING: "floating",
    Earth.UNKNOWN: "not known",
}


def accuracy_words(accuracy: Accuracy | None) -> str:
    """An accuracy as a sheet states it: ``±(0.5 % + 2 × 0.1 V)``."""
    if accuracy is None:
        return "not stated"
    unit = accuracy.quantity.unit
    return f"±({accuracy.reading_fraction * 100:g} % + {accuracy.counts:g} × {accuracy.count:g} {unit})"


def earth_words(bench: BenchSet | None) -> str:
    """What the earths of the connected leads mean together. Common practice, no source."""
    if bench is None:
        return "No bench file was given: readings are typed, or the window was opened on a session."
    earthed = [i.name for i in bench.instruments if i.earth is Earth.EARTHED]
    unknown = [i.name for i in bench.instruments if i.earth is Earth.UNKNOWN]
    parts = []
    if len(earthed) > 1:
        parts.append(
            f"{' and '.join(earthed)} have earthed leads: on different nodes they short the unit. "
            "Put them on one node, or take one off."
        )
    elif earthed:
        parts.append(f"{earthed[0]} has an earthed lead: connected to the unit, it is no longer isolated.")
    if unknown:
        parts.append(f"Of {', '.join(unknown)} the earth is not known: measure it and write it down.")
    return " ".join(parts) or "No lead is earthed: the unit stays isolated."


class BenchPage(QWidget):
    """The table of instruments."""

    def __init__(self, look: Look) -> None:
        """Empty until a bench is known."""
        super().__init__()
        self._look = look
        self._rows: list[tuple[str, InstrumentRecord]] = []
        self._bench: BenchSet | None = None
        self.words = QLabel(earth_words(None))
        self.words.setWordWrap(True)
        self.table = QTableWidget(0, len(HEADS))
        self.table.setHorizontalHeaderLabels(list(HEADS))
        self.table.setAccessibleName("Instruments and the parts they play")
        self.table.setEditTriggers(QTableWidget.EditTrigger.NoEditTriggers)
        self.table.setSelectionMode(QTableWidget.SelectionMode.NoSelection)
        self.table.setShowGrid(False)
        self.table.verticalHeader().setVisible(False)
        self.table.horizontalHeader().setSectionResizeMode(QHeaderView.ResizeMode.Fixed)
        self.table.horizontalHeader().setDefaultAlignment(Qt.AlignmentFlag.AlignLeft)
        self._column = QVBoxLayout(self)
        self._column.addWidget(self.words)
        self._column.addWidget(self.table, 1)
        self.restyle(look)

    def restyle(self, look: Look) -> None:
        """Take colours and sizes."""
        self._look = look
        gap = look.px(22)
        self._column.setContentsMargins(gap, gap, gap, gap)
        self.words.setFont(look.font(24, bold=True))
        self.table.setFont(look.font(21))
        self.table.horizontalHeader().setFont(look.font(17))
        self.table.verticalHeader().setDefaultSectionSize(look.px(44))
        self._spread()

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Columns share the width."""
        super().resizeEvent(event)
        self._spread()

    def _spread(self) -> None:
        width = max(self.width() - 2 * self._look.px(22), 300)
        for column, share in enumerate(_SHARES):
            self.table.setColumnWidth(column, int(width * share))

    def refresh(self, bench: BenchSet | None, board: Board, real_s: float) -> None:
        """Show the bench and what its instruments read now."""
        if bench is not self._bench:
            self._bench = bench
            self.words.setText(earth_words(bench))
            self._fill(bench)
        for row, (role, _) in enumerate(self._rows):
            item = self.table.item(row, 1)
            text = reads_now(board, role, real_s)
            if item is not None and item.text() != text:
                item.setText(text)

    def _fill(self, bench: BenchSet | None) -> None:
        instruments = bench.instruments if bench is not None else ()
        self._rows = [(role.value, i) for i in instruments for role in i.roles]
        self.table.setRowCount(len(self._rows))
        for row, (role, i) in enumerate(self._rows):
            stated = next((a for a in i.sheet.accuracy if _fits(a, role)), None)
            serial = f", {i.serial_number}" if i.serial_number else ""
            cells = (
                channel_words(role)[0], "", f"{'simulated: ' if i.simulated else ''}{i.description}{serial}",
                i.connection or "by hand", _EARTH_WORDS[i.earth], accuracy_words(stated),
                i.calibration_due or "not known",
            )  # fmt: skip
            for column, text in enumerate(cells):
                item = QTableWidgetItem(text)
                item.setToolTip(text)
                if i.earth is Earth.EARTHED and column == 4:
                    item.setForeground(self._look.colour("stop"))
                self.table.setItem(row, column, item)


def _fits(accuracy: Accuracy, role: str) -> bool:
    unit = channel_words(role)[1]
    return bool(unit) and accuracy.quantity.unit == unit


def source_now(board: Board) -> str:
    """How the source stands."""
    if board.power is None:
        return "not known"
    set_to = f", set to {volts(board.set_v)}" if board.set_v is not None and board.power.on else ""
    return f"{'ON' if board.power.on else 'off'}{set_to}"


def reads_now(board: Board, channel: str, real_s: float) -> str:
    """The newest reading of a channel in words, with its age."""
    if channel == Role.SOURCE:
        return source_now(board)
    latest = board.latest.get(channel)
    old_s = board.age_s(channel, real_s)
    if latest is None or math.isinf(old_s):
        return "nothing yet"
    _, unit, decimals = channel_words(channel)
    if old_s > board.stale_s(channel):
        return f"STALE, {age(old_s)}"
    if latest.value is None:
        return STATUS[latest.status][0] if latest.status is not None else "–"
    return f"{figure(latest.value, decimals)} {unit}, {age(old_s)}"
