"""A list as a table: what every table of the window has in common."""

from collections.abc import Callable, Sequence
from typing import Any, Generic, TypeVar

from PySide6.QtCore import QAbstractTableModel, QModelIndex, QObject, QPersistentModelIndex, Qt

Index = QModelIndex | QPersistentModelIndex
R = TypeVar("R")
Words = Callable[[R, int], str]
"""What a cell says: of a row, in a column."""


class RowsModel(QAbstractTableModel, Generic[R]):
    """Rows with a text and a tool tip for each cell; the row itself as its user data, for a painter."""

    def __init__(
        self, heads: Sequence[str], text: Words[R], tip: Words[R], parent: QObject | None = None
    ) -> None:
        """No rows."""
        super().__init__(parent)
        self.heads, self._text, self._tip = tuple(heads), text, tip
        self.rows: list[R] = []

    def replace(self, rows: Sequence[R]) -> None:
        """Show these."""
        self.beginResetModel()
        self.rows = list(rows)
        self.endResetModel()

    def append(self, rows: Sequence[R]) -> None:
        """Show these too, below."""
        if rows:
            first = len(self.rows)
            self.beginInsertRows(QModelIndex(), first, first + len(rows) - 1)
            self.rows += rows
            self.endInsertRows()

    def rowCount(self, parent: Index = QModelIndex()) -> int:  # noqa: B008
        """Number of rows."""
        return 0 if parent.isValid() else len(self.rows)

    def columnCount(self, parent: Index = QModelIndex()) -> int:  # noqa: B008
        """Number of columns."""
        return 0 if parent.isValid() else len(self.heads)

    def headerData(
        self, section: int, orientation: Qt.Orientation, role: int = Qt.ItemDataRole.DisplayRole
    ) -> Any:
        """Column heads."""
        if orientation == Qt.Orientation.Horizontal and role == Qt.ItemDataRole.DisplayRole:
            return self.heads[section]
        return None

    def data(self, index: Index, role: int = Qt.ItemDataRole.DisplayRole) -> Any:
        """Text of a cell, its tool tip, or the row itself."""
        row = self.rows[index.row()]
        if role in (Qt.ItemDataRole.DisplayRole, Qt.ItemDataRole.AccessibleTextRole):
            return self._text(row, index.column())
        if role == Qt.ItemDataRole.ToolTipRole:
            return self._tip(row, index.column())
        return row if role == Qt.ItemDataRole.UserRole else None
