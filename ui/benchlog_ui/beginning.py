"""What a bring-up is begun with: lamp, soak, who steps up; and the button that begins it."""

from collections.abc import Callable

from PySide6.QtWidgets import QCheckBox, QGridLayout, QLabel, QLineEdit, QPushButton, QWidget

from benchlog_ui.look import Look

BEGIN_KEY = "Ctrl+B"
_MOST_LAMP_W, _MOST_SOAK_MIN = 2000.0, 24 * 60.0


class BeginBox(QWidget):
    """Nothing of it has to be filled in: without a lamp, without a soak, the source steps by itself."""

    def __init__(self, look: Look, begin: Callable[[], None]) -> None:
        """``begin`` is called by the button."""
        super().__init__()
        self.lamp, self.soak = QLineEdit(), QLineEdit()
        self.ask = QCheckBox("Go up at the key only")
        self.button = QPushButton(f"Begin the bring-up   {BEGIN_KEY}")
        self.button.clicked.connect(begin)
        self.button.setAutoDefault(True)
        self._labels = (QLabel("series lamp, W (none: empty)"), QLabel("soak, minutes (none: empty)"))
        grid = self._grid = QGridLayout(self)
        grid.setContentsMargins(0, 0, 0, 0)
        for column, (label, field) in enumerate(zip(self._labels, (self.lamp, self.soak), strict=True)):
            label.setBuddy(field)
            field.setAccessibleName(label.text())
            grid.addWidget(label, 0, column)
            grid.addWidget(field, 1, column)
        grid.addWidget(self.ask, 2, 0, 1, 2)
        grid.addWidget(self.button, 3, 0, 1, 2)
        self.restyle(look)

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
        for field in (self.lamp, self.soak, self.ask):
            field.setFont(look.font(20))
        self.button.setFont(look.font(24, bold=True))
        self.button.setMinimumHeight(look.px(56))


def _number(text: str, most: float) -> float | None:
    try:
        value = float(text.strip().replace(",", "."))
    except ValueError:
        return None
    return value if 0.0 < value <= most else None
