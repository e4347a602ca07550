"""All keys on one page, and what each does: read off the window itself, so that the list can't be wrong."""

from collections.abc import Iterable

from PySide6.QtWidgets import QGridLayout, QLabel, QWidget

from benchlog_ui.look import Look
from benchlog_ui.marks import CUT_OFF_KEY

ALWAYS = (
    (CUT_OFF_KEY, "Cut off: takes the source away at once, wherever the keyboard is. Pause does the same."),
    ("Ctrl + / Ctrl −", "Larger or smaller type"),
    ("Ctrl + I", "The captured switch-on in place of the small plots, or those again"),
    ("Ctrl + T", "A tone whose pitch follows current ÷ stop limit, where there is sound; again ends it."),
    ("Ctrl + Q", "Close the window; while power is on it is asked first."),
    ("Esc", "Leave a question as it was. It is never the cut-off."),
)


class HelpPage(QWidget):
    """Keys and what they do, in two columns."""

    def __init__(self, look: Look) -> None:
        """Empty until `show_keys`."""
        super().__init__()
        self._labels: list[tuple[QLabel, bool]] = []
        self._grid = QGridLayout(self)
        self._look = look

    def show_keys(self, keys: Iterable[tuple[str, str]]) -> None:
        """List the keys that are always there, then those given."""
        for row, (key, words) in enumerate([*ALWAYS, *keys]):
            half, line = divmod(row, 11)
            for column, (text, bold) in enumerate(((key, True), (words, False))):
                label = QLabel(text)
                label.setWordWrap(not bold)
                self._labels.append((label, bold))
                self._grid.addWidget(label, line, 2 * half + column)
        self._grid.setColumnStretch(1, 1)
        self._grid.setColumnStretch(3, 1)
        self.restyle(self._look)

    def restyle(self, look: Look) -> None:
        """Take colours and sizes."""
        self._look = look
        gap = look.px(28)
        self._grid.setContentsMargins(gap, gap, gap, gap)
        self._grid.setHorizontalSpacing(gap)
        for label, bold in self._labels:
            label.setFont(look.font(24, bold=bold))
