"""The history as a table: every reading, note, part and decision in time order; filtered as one types."""

from collections.abc import Sequence

from PySide6.QtCore import QObject, Qt
from PySide6.QtGui import QResizeEvent
from PySide6.QtWidgets import (
    QComboBox,
    QHBoxLayout,
    QHeaderView,
    QLabel,
    QLineEdit,
    QTableView,
    QVBoxLayout,
    QWidget,
)

from benchlog_ui.lines import Row
from benchlog_ui.look import Look
from benchlog_ui.rows import RowsModel
from benchlog_ui.stages import WORDS

HEADS = ("time", "stage", "kind", "what", "with")
_SHARES = (0.09, 0.12, 0.12, 0.53, 0.14)
ALL = "all"


class ChronicleModel(RowsModel[Row]):
    """Rows that were kept by the filter; new lines are appended, nothing is ever edited."""

    def __init__(self, parent: QObject | None = None) -> None:
        """No rows."""
        super().__init__(HEADS, _cell, _cell, parent)
        self.all: list[Row] = []
        self._words: list[str] = []
        self._stage, self._instrument = ALL, ALL

    def add(self, rows: Sequence[Row]) -> None:
        """Append rows, those that pass the filter visibly."""
        self.all += rows
        self.append([r for r in rows if self._passes(r)])

    def filter(self, text: str, stage: str, instrument: str) -> None:
        """Keep rows with all words of ``text``, of a stage and an instrument (`ALL` for any)."""
        self._words, self._stage, self._instrument = text.lower().split(), stage, instrument
        self.replace([r for r in self.all if self._passes(r)])

    def _passes(self, row: Row) -> bool:
        if self._stage not in (ALL, row.stage) or self._instrument not in (ALL, row.instrument):
            return False
        return all(word in row.hay for word in self._words)


def _cell(row: Row, column: int) -> str:
    return (row.time, row.stage, row.kind, row.what, row.instrument)[column]


class ChroniclePage(QWidget):
    """The table with its filter line above."""

    def __init__(self, look: Look) -> None:
        """Empty until lines come."""
        super().__init__()
        self.model = ChronicleModel(self)
        self.search = QLineEdit()
        self.search.setPlaceholderText("words, a test point, an instrument …")
        self.search.setAccessibleName("Filter the history")
        self.search.setClearButtonEnabled(True)
        self.stage = self._choice("stage", [ALL, *WORDS.values()])
        self.instrument = self._choice("with", [ALL])
        self.count = QLabel()
        self.table = QTableView()
        self.table.setModel(self.model)
        self._dress_table()
        self._row = QHBoxLayout()
        for part in (self.search, self.stage, self.instrument, self.count):
            self._row.addWidget(part, 1 if part is self.search else 0)
        self._column = QVBoxLayout(self)
        self._column.addLayout(self._row)
        self._column.addWidget(self.table, 1)
        self.search.textChanged.connect(self._filter)
        self.stage.currentTextChanged.connect(self._filter)
        self.instrument.currentTextChanged.connect(self._filter)
        self.restyle(look)

    def _choice(self, name: str, words: list[str]) -> QComboBox:
        box = QComboBox()
        box.addItems(words)
        box.setAccessibleName(name)
        box.setToolTip(name)
        return box

    def _dress_table(self) -> None:
        table = self.table
        table.setAccessibleName("History")
        table.setShowGrid(False)
        table.setAlternatingRowColors(True)
        table.setWordWrap(False)
        table.setSelectionBehavior(QTableView.SelectionBehavior.SelectRows)
        table.verticalHeader().setVisible(False)
        table.verticalHeader().setSectionResizeMode(QHeaderView.ResizeMode.Fixed)
        table.horizontalHeader().setSectionResizeMode(QHeaderView.ResizeMode.Fixed)
        table.horizontalHeader().setDefaultAlignment(
            Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter
        )

    def take(self, rows: Sequence[Row]) -> None:
        """Append lines of the history; the view stays at the end when it was there."""
        bar = self.table.verticalScrollBar()
        at_end = bar.value() >= bar.maximum() - 2
        self.model.add(rows)
        for name in {r.instrument for r in rows if r.instrument}:
            if self.instrument.findText(name) < 0:
                self.instrument.addItem(name)
        self._tell_count()
        if at_end:
            self.table.scrollToBottom()

    def restyle(self, look: Look) -> None:
        """Take colours and sizes."""
        font = look.font(20)
        for part in (self.search, self.stage, self.instrument, self.count, self.table):
            part.setFont(font)
        self.table.verticalHeader().setDefaultSectionSize(look.px(34))
        self.table.horizontalHeader().setFont(look.font(18))
        gap = look.px(10)
        self._column.setContentsMargins(gap, gap, gap, gap)
        self._spread()

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Columns share the width; they are never measured by their contents."""
        super().resizeEvent(event)
        self._spread()

    def _spread(self) -> None:
        width = max(self.width() - 40, 200)
        for column, share in enumerate(_SHARES):
            self.table.setColumnWidth(column, int(width * share))

    def _filter(self) -> None:
        self.model.filter(self.search.text(), self.stage.currentText(), self.instrument.currentText())
        self._tell_count()
        self.table.scrollToBottom()

    def _tell_count(self) -> None:
        kept, total = len(self.model.rows), len(self.model.all)
        self.count.setText(f"{kept} of {total} lines" if kept != total else f"{total} lines")
