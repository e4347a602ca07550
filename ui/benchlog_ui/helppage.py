"""All keys on one page, and what each does: read off the window itself, so that the list can't be wrong."""

from collections.abc import Iterable

from PySide6.QtWidgets import QGridLayout, QLabel, QVBoxLayout, QWidget

from benchlog_ui.helpwords import HELP
from benchlog_ui.look import Look
from benchlog_ui.marks import CUT_OFF_KEY

ALWAYS = (
    (CUT_OFF_KEY, "Cut off: takes the source away at once, wherever the keyboard is. Pause does the same."),
    ("Ctrl + / Ctrl −", "Larger or smaller type"),
    ("Ctrl + F2", "Take back what was entered last: it stays in the history and does not count."),
    ("Ctrl + F6", "The captured switch-on in place of the small plots, or those again"),
    ("Ctrl + F7", "A tone whose pitch follows current ÷ stop limit, where there is sound; again ends it."),
    ("Ctrl + F9", "While the alarm fills the window: it is done, dial at zero and unit unplugged."),
    ("Ctrl + Q", "Close the window; while power is on it is asked first."),
    ("Esc", "Leave a question as it was. It is never the cut-off."),
)


class HelpPage(QWidget):
    """Keys and what they do, in two columns."""

    def __init__(self, look: Look) -> None:
        """Empty until `show_keys`."""
        super().__init__()
        self._labels: list[tuple[QLabel, bool]] = []
        self.about = QLabel()
        self.about.setWordWrap(True)
        self._column = QVBoxLayout(self)
        self._column.addWidget(self.about)
        self._grid = QGridLayout()
        self._column.addLayout(self._grid, 1)
        self._look = look

    def tell_of(self, name: str) -> None:
        """Say what the page is for from which the help was asked for."""
        self.about.setText(f"{name[:1].upper()}{name[1:].replace('-', ' ')}. {HELP.get(name, '')}")

    def show_keys(self, keys: Iterable[tuple[str, str]]) -> None:
        """List the keys that are always there, then those given."""
        listed = list(keys)
        for label, _ in self._labels:
            label.deleteLater()
        self._labels.clear()
        for row, (key, words) in enumerate([*ALWAYS, *listed]):
            half, line = divmod(row, (len(ALWAYS) + len(listed) + 1) // 2)
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
        self._column.setContentsMargins(gap, look.px(14), gap, look.px(14))
        self.about.setFont(look.font(24))
        self._grid.setHorizontalSpacing(gap)
        for label, bold in self._labels:
            label.setFont(look.font(19, bold=bold))
