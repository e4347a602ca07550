"""The list of test points: group, point, last reading, verdict; the point that is on is chosen."""

from collections.abc import Sequence

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QResizeEvent
from PySide6.QtWidgets import QAbstractItemView, QHeaderView, QTableWidget, QTableWidgetItem

from benchlog.cold.corrections import in_force
from benchlog.cold.discharge import Standing, waits_for
from benchlog.model.history import Entry, RunEnded, Taken
from benchlog.model.point import PointKind, TestPoint
from benchlog_ui.look import Look
from benchlog_ui.panels.verdicts import POINT_VERDICT, value_words

HEADS = ("where", "point", "last", "")
_SHARES = (0.16, 0.44, 0.2, 0.2)
Key = tuple[str, str, PointKind]


class PointList(QTableWidget):
    """One row a point, in the order in which they are taken."""

    chosen = Signal()

    def __init__(self, look: Look) -> None:
        """No points."""
        super().__init__(0, len(HEADS))
        self._points: list[TestPoint] = []
        self._readings: dict[Key, list[Entry]] = {}
        self._since = 0
        self.setHorizontalHeaderLabels(list(HEADS))
        self.setAccessibleName("Test points")
        self.setEditTriggers(QAbstractItemView.EditTrigger.NoEditTriggers)
        self.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        self.setSelectionMode(QAbstractItemView.SelectionMode.SingleSelection)
        self.setShowGrid(False)
        self.setWordWrap(False)
        self.setTabKeyNavigation(False)
        self.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.verticalHeader().setVisible(False)
        self.verticalHeader().setSectionResizeMode(QHeaderView.ResizeMode.Fixed)
        self.horizontalHeader().setSectionResizeMode(QHeaderView.ResizeMode.Fixed)
        self.horizontalHeader().setDefaultAlignment(Qt.AlignmentFlag.AlignLeft)
        self.currentCellChanged.connect(self._moved)
        self.restyle(look)

    def restyle(self, look: Look) -> None:
        """Take colours and sizes."""
        self.setFont(look.font(19))
        self.horizontalHeader().setFont(look.font(16))
        self.verticalHeader().setDefaultSectionSize(look.px(32))
        self._spread()

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Columns share the width."""
        super().resizeEvent(event)
        self._spread()

    def _spread(self) -> None:
        for column, share in enumerate(_SHARES):
            self.setColumnWidth(column, int(self.viewport().width() * share))

    # ---- what it shows -----------------------------------------------------------------------------

    @property
    def point(self) -> TestPoint | None:
        """The point that is chosen."""
        row = self.currentRow()
        return self._points[row] if 0 <= row < len(self._points) else None

    def readings(self, point: TestPoint) -> list[Entry]:
        """The readings of a point that count, first to last."""
        return self._readings.get(key_of(point), [])

    def show_points(self, points: Sequence[TestPoint], entries: Sequence[Entry]) -> None:
        """The list as it stands, and points that were read without being on it."""
        before = self.point
        self._readings = {}
        for entry in in_force(entries):
            if isinstance(entry.payload, Taken) and not entry.payload.part:
                self._readings.setdefault(key_of(entry.payload.point), []).append(entry)
        self._since = max((e.seq for e in entries if isinstance(e.payload, RunEnded)), default=0)
        listed = {key_of(p) for p in points}
        loose = [_latest(found).point for key, found in self._readings.items() if key not in listed]
        self._points = [*points, *loose]
        self.setRowCount(len(self._points))
        for row, point in enumerate(self._points):
            self._fill(row, point)
        if before is not None and key_of(before) in map(key_of, self._points):
            self.choose(before.name, before.kind, before.group)
        elif self._points:
            self.setCurrentCell(0, 0)

    def _fill(self, row: int, point: TestPoint) -> None:
        found = self.readings(point)
        last = _latest(found) if found else None
        cells = (
            point.group,
            point.name,
            value_words(last) if last is not None else "to take",
            POINT_VERDICT[last.verdict][0] if last is not None else point.kind.value,
        )
        for column, words in enumerate(cells):
            item = QTableWidgetItem(words)
            item.setToolTip(last.reason if last is not None and column == 3 else words)
            self.setItem(row, column, item)

    def show_waiting(self, standing: Standing, in_circuit: bool | None) -> None:
        """Mark the points that wait for a reservoir."""
        for row, point in enumerate(self._points):
            item = self.item(row, 3)
            waiting = waits_for(point, in_circuit, standing)
            if item is not None and not self.readings(point):
                item.setText("waits" if waiting else point.kind.value)
                item.setToolTip(f"waits for {', '.join(waiting)}" if waiting else point.kind.value)

    # ---- moving ------------------------------------------------------------------------------------

    def choose(self, name: str, kind: PointKind, group: str | None = None) -> None:
        """Choose a point by its name."""
        for row, point in enumerate(self._points):
            if (point.name, point.kind) == (name, kind) and group in (None, point.group):
                self.setCurrentCell(row, 0)
                return

    def go_on(self) -> None:
        """To the next point that is still to be taken, since the last bring-up; else stay."""
        here = self.currentRow()
        order = [*range(here + 1, len(self._points)), *range(here)]
        for row in order:
            if not [e for e in self.readings(self._points[row]) if e.seq > self._since]:
                self.setCurrentCell(row, 0)
                return

    def move_by(self, rows: int) -> None:
        """Up or down."""
        if self._points:
            self.setCurrentCell(min(max(self.currentRow() + rows, 0), len(self._points) - 1), 0)

    def _moved(self) -> None:
        self.chosen.emit()


def key_of(point: TestPoint) -> Key:
    """What tells a point from others."""
    return point.group, point.name, point.kind


def _latest(found: Sequence[Entry]) -> Taken:
    payload = found[-1].payload
    assert isinstance(payload, Taken)
    return payload
