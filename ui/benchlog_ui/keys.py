"""The row of keys above the cut-off bar: what can be done, each with its key, and the field for a note."""

from collections.abc import Callable
from dataclasses import dataclass

from PySide6.QtCore import Qt
from PySide6.QtGui import QKeySequence, QShortcut
from PySide6.QtWidgets import QHBoxLayout, QLineEdit, QPushButton, QSizePolicy, QWidget

from benchlog_ui.look import Look


@dataclass(frozen=True, slots=True)
class Deed:
    """Something that can be done: its key, its word, its long word for screen readers, and what it does."""

    key: str
    word: str
    long: str
    act: Callable[[], None]


class KeyRow(QWidget):
    """The note field and the deeds. Every deed has a function key, which types nothing."""

    def __init__(self, look: Look, store_note: Callable[[str], None]) -> None:
        """``store_note`` is given a note when Enter is pressed."""
        super().__init__()
        self._look = look
        self._store = store_note
        self._buttons: dict[str, QPushButton] = {}
        self.note = QLineEdit()
        self.note.setPlaceholderText("F2  note: Enter stores it")
        self.note.setAccessibleName("Note for the history")
        self.note.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Preferred)
        self.note.returnPressed.connect(self._enter)
        self._row = QHBoxLayout(self)
        self._row.addWidget(self.note, 1)
        self.setAutoFillBackground(True)
        self.restyle(look)

    def add(self, window: QWidget, deed: Deed) -> None:
        """Add a deed with its button and its shortcut."""
        button = QPushButton(f"{deed.key}  {deed.word}")
        button.setAccessibleName(f"{deed.long}, key {deed.key}")
        button.setToolTip(deed.long)
        button.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        button.clicked.connect(deed.act)
        self._buttons[deed.key] = button
        self._row.addWidget(button)
        shortcut = QShortcut(QKeySequence(deed.key), window)
        shortcut.setContext(Qt.ShortcutContext.ApplicationShortcut)
        shortcut.activated.connect(lambda b=button, a=deed.act: a() if b.isEnabled() else None)
        self.restyle(self._look)

    def rename(self, key: str, word: str) -> None:
        """Change the word of a deed."""
        text = f"{key}  {word}"
        if self._buttons[key].text() != text:
            self._buttons[key].setText(text)

    def allow(self, key: str, allowed: bool) -> None:
        """Whether a deed can be done now. The cut-off is not one of these: it can always be done."""
        self._buttons[key].setEnabled(allowed)

    def restyle(self, look: Look) -> None:
        """Take colours and sizes."""
        self._look = look
        self.note.setFont(look.font(20))
        self._row.setContentsMargins(look.px(14), look.px(5), look.px(14), look.px(5))
        self._row.setSpacing(look.px(8))
        for button in self._buttons.values():
            button.setFont(look.font(19))
            button.setMinimumHeight(look.px(42))

    def _enter(self) -> None:
        text = self.note.text().strip()
        if text:
            self._store(text)
            self.note.clear()
