"""Fields with their names above, in rows: what every panel here is made of."""

from collections.abc import Iterable, Sequence

from PySide6.QtWidgets import (
    QAbstractButton,
    QComboBox,
    QGridLayout,
    QLabel,
    QLineEdit,
    QPushButton,
    QSizePolicy,
    QVBoxLayout,
    QWidget,
)

from benchlog_ui.look import Look

Row = Sequence[tuple[str, QWidget, int]]
"""Name, field, share of the width."""


class Form(QWidget):
    """Rows of named fields; a button has no name above it."""

    def __init__(self, look: Look, rows: Sequence[Row]) -> None:
        """Lay the rows out."""
        super().__init__()
        self._labels: list[QLabel] = []
        self._fields: list[QWidget] = []
        self._grids: list[QGridLayout] = []
        self.setSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Fixed)
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        for row in rows:
            column.addLayout(self._row(row))
        self.restyle(look)

    def _row(self, row: Row) -> QGridLayout:
        grid = QGridLayout()
        self._grids.append(grid)
        for column, (words, field, share) in enumerate(row):
            self._fields.append(field)
            grid.addWidget(field, 1, column)
            grid.setColumnStretch(column, share)
            if not isinstance(field, QAbstractButton):
                label = QLabel(words)
                label.setBuddy(field)
                field.setAccessibleName(words)
                self._labels.append(label)
                grid.addWidget(label, 0, column)
        return grid

    def restyle(self, look: Look) -> None:
        """Take colours and sizes."""
        for field in self._fields:
            field.setFont(look.font(20))
            if isinstance(field, QPushButton):
                field.setMinimumHeight(look.px(38))
        for label in self._labels:
            label.setFont(look.font(16))
        for grid in self._grids:
            grid.setHorizontalSpacing(look.px(10))
            grid.setVerticalSpacing(look.px(2))
        layout = self.layout()
        if layout is not None:
            layout.setSpacing(look.px(8))


def line(placeholder: str = "") -> QLineEdit:
    """A field for words."""
    field = QLineEdit()
    field.setPlaceholderText(placeholder)
    return field


def choice(words: Iterable[str]) -> QComboBox:
    """A box of words."""
    box = QComboBox()
    box.addItems(list(words))
    box.setSizeAdjustPolicy(QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon)
    box.setMinimumContentsLength(6)
    return box


def button(words: str) -> QPushButton:
    """A button that takes no place in the way of the Tab key between fields of figures."""
    made = QPushButton(words)
    made.setAccessibleName(words)
    return made


def text_of(field: QLineEdit) -> str:
    """What a field says."""
    return field.text().strip()
