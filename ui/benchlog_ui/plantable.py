"""The step plan as a table: limits that show their source when chosen and can be changed before power."""

from collections.abc import Callable, Mapping, Sequence

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QResizeEvent
from PySide6.QtWidgets import QHeaderView, QTableWidget, QTableWidgetItem

from benchlog.model.limit import Limit
from benchlog.model.step import Step
from benchlog_ui.look import Look
from benchlog_ui.planedit import Edit, ampere_value
from benchlog_ui.words import amperes, percent, volts

HEADS = ("inlet", "of nominal", "acceptance", "stop", "these meters")
_SHARES = (0.16, 0.17, 0.22, 0.2)
ACCEPTANCE, STOP = 2, 3


_CAN = "can judge"


def _judged(step: Step) -> str:
    """What these meters can do at a step; where they can't watch it, that they could judge it is no help."""
    if "can't watch this unit" in step.remedy:
        return "can NOT watch"
    return _CAN if step.judgeable else "can NOT judge"


class PlanTable(QTableWidget):
    """One row a step."""

    chosen = Signal(str)
    """Where the limit under the cursor comes from."""

    def __init__(self, look: Look, change: Callable[[int, Edit], None]) -> None:
        """``change`` is given a step's number and its new limits, still without a reason."""
        super().__init__(0, len(HEADS))
        self._change = change
        self._steps: Sequence[Step] = ()
        self._filling = False
        self._editable = False
        self.setHorizontalHeaderLabels(list(HEADS))
        self.setAccessibleName("Steps of the plan and whether these meters can judge them")
        self.verticalHeader().setVisible(False)
        self.setSelectionMode(QTableWidget.SelectionMode.SingleSelection)
        self.setShowGrid(False)
        self.setWordWrap(False)
        self.setTabKeyNavigation(False)
        self.horizontalHeader().setSectionResizeMode(QHeaderView.ResizeMode.Fixed)
        self.horizontalHeader().setStretchLastSection(True)
        self.horizontalHeader().setDefaultAlignment(Qt.AlignmentFlag.AlignLeft)
        self.currentCellChanged.connect(lambda row, column, *_: self._tell(row, column))
        self.itemChanged.connect(self._typed)
        self.restyle(look)

    def restyle(self, look: Look) -> None:
        """Take colours and sizes."""
        self._look = look
        self.setFont(look.font(20))
        self.horizontalHeader().setFont(look.font(17))
        self.verticalHeader().setDefaultSectionSize(look.px(31))
        self._spread()

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Columns share the width."""
        super().resizeEvent(event)
        self._spread()

    def _spread(self) -> None:
        for column, share in enumerate(_SHARES):
            self.setColumnWidth(column, int(self.viewport().width() * share))

    def show_steps(self, steps: Sequence[Step], edits: Mapping[int, Edit], editable: bool) -> None:
        """Fill the table; limits that were changed carry a mark."""
        self._filling, self._steps, self._editable = True, steps, editable
        self.setRowCount(len(steps))
        for row, step in enumerate(steps):
            edit = edits.get(row)
            marks = (edit and edit.acceptance_a is not None, edit and edit.stop_a is not None)
            cells = (
                volts(step.set_v),
                percent(step.fraction),
                amperes(step.acceptance.value) + (" ✎" if marks[0] else ""),
                amperes(step.stop.value) + (" ✎" if marks[1] else ""),
                _judged(step),
            )
            for column, text in enumerate(cells):
                self.setItem(row, column, self._item(text, step, column))
        self._filling = False

    def _item(self, text: str, step: Step, column: int) -> QTableWidgetItem:
        item = QTableWidgetItem(text)
        item.setToolTip(f"acceptance: {step.acceptance.source}\nstop: {step.stop.source}")
        flags = Qt.ItemFlag.ItemIsEnabled | Qt.ItemFlag.ItemIsSelectable
        if self._editable and column in (ACCEPTANCE, STOP):
            flags |= Qt.ItemFlag.ItemIsEditable
        item.setFlags(flags)
        if _judged(step) != _CAN and column == len(HEADS) - 1:
            item.setForeground(self._look.colour("cannot"))
        item.setTextAlignment(Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter)
        return item

    def _limit(self, row: int, column: int) -> Limit | None:
        if not 0 <= row < len(self._steps):
            return None
        step = self._steps[row]
        return {ACCEPTANCE: step.acceptance, STOP: step.stop}.get(column)

    def _tell(self, row: int, column: int) -> None:
        limit = self._limit(row, column)
        if limit is not None:
            where = volts(self._steps[row].set_v)
            name = HEADS[column]
            confidence = limit.confidence.value.replace("-", " ")
            words = f"{where}, {name} {amperes(limit.value)}: {limit.source} ({confidence})."
            self.chosen.emit(words)
        elif 0 <= row < len(self._steps) and not self._steps[row].judgeable:
            self.chosen.emit(f"{volts(self._steps[row].set_v)}: {self._steps[row].remedy}")

    def _typed(self, item: QTableWidgetItem) -> None:
        """A limit was typed over: hand it on, and show the old one until it is taken."""
        row, column = item.row(), item.column()
        limit = self._limit(row, column)
        if self._filling or limit is None:
            return
        typed = item.text()
        self._filling = True
        item.setText(amperes(limit.value))
        self._filling = False
        try:
            value = ampere_value(typed)
        except ValueError as error:
            self.chosen.emit(f"Not taken: {error}.")
            return
        if value != limit.value:
            acceptance = value if column == ACCEPTANCE else None
            self._change(row, Edit(acceptance, value if column == STOP else None, ""))
