"""What a bring-up is begun with: lamp, soak, reference, maker's procedure; and the button that begins it."""

from collections.abc import Callable

from PySide6.QtWidgets import QCheckBox, QGridLayout, QLabel, QLineEdit, QPushButton, QWidget

from benchlog_ui.look import Look
from benchlog_ui.referencechoice import NAME as REFERENCE
from benchlog_ui.referencechoice import ReferenceChoice

BEGIN_KEY = "Ctrl+B"
_MOST_LAMP_W, _MOST_SOAK_MIN = 2000.0, 24 * 60.0


class BeginBox(QWidget):
    """Nothing of it has to be filled in: without a lamp, without a soak, the source steps by itself."""

    def __init__(self, look: Look, begin: Callable[[], None], record: Callable[[str, str], None]) -> None:
        """``begin`` is called by the button, ``record`` is given a name and what was entered for it."""
        super().__init__()
        self._record = record
        self._procedure = ""
        self.lamp, self.soak, self.procedure = QLineEdit(), QLineEdit(), QLineEdit()
        self.reference = ReferenceChoice(look)
        self.procedure.editingFinished.connect(self._followed)
        self.ask = QCheckBox("Go up at the key only")
        self.button = QPushButton(f"Begin the bring-up   {BEGIN_KEY}")
        self.button.clicked.connect(begin)
        self.button.setAutoDefault(True)
        self._labels: list[QLabel] = []
        grid = self._grid = QGridLayout(self)
        grid.setContentsMargins(0, 0, 0, 0)
        self._place(REFERENCE, self.reference.box, self.reference, 0, 0)
        self._place("maker's procedure (none: empty)", self.procedure, self.procedure, 0, 1)
        self._place("series lamp, W (none: empty)", self.lamp, self.lamp, 2, 0)
        self._place("soak, minutes (none: empty)", self.soak, self.soak, 2, 1)
        grid.addWidget(self.ask, 4, 0, 1, 2)
        grid.addWidget(self.button, 5, 0, 1, 2)
        for column in (0, 1):
            grid.setColumnStretch(column, 1)
        self.restyle(look)

    def _place(self, words: str, field: QWidget, widget: QWidget, row: int, column: int) -> None:
        label = QLabel(words)
        label.setBuddy(field)
        field.setAccessibleName(words)
        self._labels.append(label)
        self._grid.addWidget(label, row, column)
        self._grid.addWidget(widget, row + 1, column)

    def _followed(self) -> None:
        """A maker's procedure, into the history when it has changed."""
        words = self.procedure.text().strip()
        if words != self._procedure:
            self._procedure = words
            self._record("maker's procedure", words or "none")

    @property
    def lamp_w(self) -> float | None:
        """Watts of the series lamp; None without one."""
        return _number(self.lamp.text(), _MOST_LAMP_W)

    @property
    def soak_min(self) -> float:
        """Minutes of the soak; 0 for none."""
        return _number(self.soak.text(), _MOST_SOAK_MIN) or 0.0

    def fault(self) -> str:
        """What of it can't be meant; empty where all can."""
        if self.reference.fault:
            return self.reference.fault
        if self.reference.waiting:
            return "The reference unit is still being read: begin again in a moment."
        for label, field, most in zip(
            ("series lamp", "soak"), (self.lamp, self.soak), (_MOST_LAMP_W, _MOST_SOAK_MIN), strict=True
        ):
            if field.text().strip() and _number(field.text(), most) is None:
                return f"{label}: '{field.text().strip()}' is no number above 0 and up to {most:g}"
        return ""

    def allow(self, allowed: bool) -> None:
        """Whether there is something to begin."""
        self.button.setEnabled(allowed)

    def restyle(self, look: Look) -> None:
        """Take colours and sizes."""
        self._grid.setHorizontalSpacing(look.px(14))
        self._grid.setVerticalSpacing(look.px(6))
        for label in self._labels:
            label.setFont(look.font(17))
        for field in (self.lamp, self.soak, self.procedure, self.ask):
            field.setFont(look.font(20))
        self.reference.restyle(look)
        self.button.setFont(look.font(24, bold=True))
        self.button.setMinimumHeight(look.px(56))


def _number(text: str, most: float) -> float | None:
    try:
        value = float(text.strip().replace(",", "."))
    except ValueError:
        return None
    return value if 0.0 < value <= most else None
