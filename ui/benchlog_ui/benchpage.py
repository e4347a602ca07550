"""Instruments: which plays which part, how it reads now, its sheet, its earth and its calibration."""

import math
from collections.abc import Callable

from PySide6.QtCore import Qt
from PySide6.QtGui import QResizeEvent
from PySide6.QtWidgets import (
    QHBoxLayout,
    QHeaderView,
    QLabel,
    QMenu,
    QPlainTextEdit,
    QPushButton,
    QTableWidget,
    QTableWidgetItem,
    QVBoxLayout,
    QWidget,
)

from benchlog.model.history import BenchSet, Noted
from benchlog.model.instrument import Accuracy, Earth, InstrumentRecord
from benchlog.model.protocol import EntryAdded, FromWindow, RawAsked
from benchlog.model.role import Role
from benchlog_ui.benchchoice import BenchChoice
from benchlog_ui.board import MOST_RAW, Board
from benchlog_ui.earthwords import EARTH_WORDS, earth_words
from benchlog_ui.look import Look
from benchlog_ui.requests import Requests
from benchlog_ui.words import STATUS, age, channel_words, figure, volts

HEADS = ("part", "reads now", "instrument", "connection", "earth", "accuracy stated", "calibrated until")
_SHARES = (0.11, 0.13, 0.19, 0.20, 0.09, 0.17, 0.11)


def accuracy_words(accuracy: Accuracy | None) -> str:
    """An accuracy as a sheet states it: ``±(0.5 % + 2 × 0.1 V)``."""
    if accuracy is None:
        return "not stated"
    unit = accuracy.quantity.unit
    return f"±({accuracy.reading_fraction * 100:g} % + {accuracy.counts:g} × {accuracy.count:g} {unit})"


class BenchPage(QWidget):
    """The table of instruments; above it the choice of a bench, below it what goes over the lines."""

    def __init__(self, look: Look, requests: Requests, send: Callable[[FromWindow], None]) -> None:
        """Empty until a bench is known."""
        super().__init__()
        self._look = look
        self._requests = requests
        self._send = send
        self._rows: list[tuple[str, InstrumentRecord]] = []
        self._bench: BenchSet | None = None
        self._board: Board | None = None
        self.choice = BenchChoice(look, requests)
        self.parts, self.zero = QPushButton("its parts…"), QPushButton("zero the leads")
        self.raw = QPushButton("raw bytes")
        self.raw.setCheckable(True)
        self.words = QLabel(earth_words(None))
        self.words.setWordWrap(True)
        self.table = self._make_table()
        self.lines = QPlainTextEdit()
        self.lines.setReadOnly(True)
        self.lines.setMaximumBlockCount(MOST_RAW)
        self.lines.setAccessibleName("What goes over the lines: name, > to it or < from it, bytes")
        self.lines.hide()
        self.parts.clicked.connect(self._offer_parts)
        self.zero.clicked.connect(self._zero)
        self.raw.toggled.connect(self._show_raw)
        self._lay_out()
        self.restyle(look)

    def _make_table(self) -> QTableWidget:
        table = QTableWidget(0, len(HEADS))
        table.setHorizontalHeaderLabels(list(HEADS))
        table.setAccessibleName("Instruments and the parts they play")
        table.setEditTriggers(QTableWidget.EditTrigger.NoEditTriggers)
        table.setSelectionMode(QTableWidget.SelectionMode.SingleSelection)
        table.setSelectionBehavior(QTableWidget.SelectionBehavior.SelectRows)
        table.setTabKeyNavigation(False)
        table.setShowGrid(False)
        table.verticalHeader().setVisible(False)
        table.horizontalHeader().setSectionResizeMode(QHeaderView.ResizeMode.Fixed)
        table.horizontalHeader().setDefaultAlignment(Qt.AlignmentFlag.AlignLeft)
        return table

    def _lay_out(self) -> None:
        row = QHBoxLayout()
        row.addWidget(self.choice, 1)
        for button in (self.parts, self.zero, self.raw):
            row.addWidget(button)
        self._column = QVBoxLayout(self)
        self._column.addLayout(row)
        self._column.addWidget(self.words)
        self._column.addWidget(self.table, 3)
        self._column.addWidget(self.lines, 2)

    def restyle(self, look: Look) -> None:
        """Take colours and sizes."""
        self._look = look
        gap = look.px(22)
        self._column.setContentsMargins(gap, look.px(12), gap, look.px(12))
        self.words.setFont(look.font(22, bold=True))
        for part in (self.parts, self.zero, self.raw, self.table):
            part.setFont(look.font(20))
        for button in (self.parts, self.zero, self.raw):
            button.setMinimumHeight(look.px(42))
        self.lines.setFont(look.even_font(18))
        self.table.horizontalHeader().setFont(look.font(17))
        self.table.verticalHeader().setDefaultSectionSize(look.px(44))
        self.choice.restyle(look)
        self._spread()

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Columns share the width."""
        super().resizeEvent(event)
        self._spread()

    def _spread(self) -> None:
        width = max(self.width() - 2 * self._look.px(22), 300)
        for column, share in enumerate(_SHARES):
            self.table.setColumnWidth(column, int(width * share))

    # ---- what can be done ------------------------------------------------------------------------------

    def _offer_parts(self) -> None:
        """A menu of parts for the instrument that is chosen; each choice is written into the bench file."""
        row = self.table.currentRow()
        if not 0 <= row < len(self._rows):
            self.words.setText("Choose an instrument in the table first.")
            return
        record = self._rows[row][1]
        menu = QMenu(self)
        menu.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        for role in Role:
            action = menu.addAction(role.value.replace("-", " "))
            action.setCheckable(True)
            action.setChecked(role in record.roles)
            action.triggered.connect(lambda _=False, r=role: self._requests.give_roles(_changed(record, r)))
        menu.popup(self.parts.mapToGlobal(self.parts.rect().bottomLeft()))

    def _zero(self) -> None:
        """What the probe reads with its leads held together, into the history."""
        latest = self._board.latest.get(Role.PROBE) if self._board is not None else None
        if latest is None or latest.value is None:
            self.words.setText("Hold the leads of the probe meter together first: it gives no reading now.")
            return
        text = f"lead zero: {latest.value:.6g}"
        self._send(EntryAdded(Noted(text, stage="instruments")))
        self.words.setText(f"Stored: {text}, leads held together.")

    def _show_raw(self, on: bool) -> None:
        self.lines.setVisible(on)
        self._send(RawAsked(on))

    def _take_raw(self, board: Board) -> None:
        while board.raw:
            name, way, text = board.raw.popleft()
            self.lines.appendPlainText(f"{name} {way} {text}")

    def refresh(self, bench: BenchSet | None, board: Board, real_s: float) -> None:
        """Show the bench and what its instruments read now."""
        self._board = board
        self.choice.refresh(board)
        self._take_raw(board)
        self._who(board)
        if bench is not self._bench:
            self._bench = bench
            self.words.setText(earth_words(bench))
            self._fill(bench)
        for row, (role, _) in enumerate(self._rows):
            item = self.table.item(row, 1)
            text = reads_now(board, role, real_s)
            if item is not None and item.text() != text:
                item.setText(text)

    def _who(self, board: Board) -> None:
        """Who answered, and why one does not."""
        found = {one.name: one for one in board.instruments.instruments} if board.instruments else {}
        for row, (_, record) in enumerate(self._rows):
            one, item = found.get(record.name), self.table.item(row, 2)
            if one is None or item is None:
                continue
            said = f"DOES NOT ANSWER: {one.fault}" if one.up is False else one.identity
            text = f"{'simulated: ' if record.simulated else ''}{said or described(record)}"
            if item.text() != text:
                item.setText(text)
                item.setToolTip(f"{described(record)}\n{said}")
                item.setForeground(self._look.colour("stop" if one.up is False else "ink"))

    def _fill(self, bench: BenchSet | None) -> None:
        instruments = bench.instruments if bench is not None else ()
        self._rows = [(role.value, i) for i in instruments for role in i.roles]
        self.table.setRowCount(len(self._rows))
        for row, (role, i) in enumerate(self._rows):
            stated = next((a for a in i.sheet.accuracy if _fits(a, role)), None)
            cells = (
                channel_words(role)[0], "", f"{'simulated: ' if i.simulated else ''}{described(i)}",
                i.connection or "by hand", EARTH_WORDS[i.earth], accuracy_words(stated),
                i.calibration_due or "not known",
            )  # fmt: skip
            for column, text in enumerate(cells):
                item = QTableWidgetItem(text)
                item.setToolTip(text)
                if i.earth is Earth.EARTHED and column == 4:
                    item.setForeground(self._look.colour("stop"))
                self.table.setItem(row, column, item)


def described(record: InstrumentRecord) -> str:
    """Description and serial number as the bench file has them."""
    serial = f", {record.serial_number}" if record.serial_number else ""
    return f"{record.description}{serial}"


def _changed(record: InstrumentRecord, role: Role) -> dict[str, tuple[Role, ...]]:
    """The instrument with a part more, or one less."""
    kept = tuple(r for r in record.roles if r is not role)
    return {record.name: kept if role in record.roles else (*record.roles, role)}


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
