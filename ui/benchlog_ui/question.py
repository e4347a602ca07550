"""A question asked inside the window: no dialog of the platform, so that no key is ever swallowed."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from PySide6.QtCore import Qt
from PySide6.QtGui import QKeyEvent
from PySide6.QtWidgets import QFrame, QHBoxLayout, QLabel, QLineEdit, QPushButton, QVBoxLayout, QWidget

from benchlog_ui.look import Look


@dataclass(frozen=True, slots=True)
class Answer:
    """A button: its words, what it does with what was typed, and whether something has to be typed first."""

    words: str
    act: Callable[[str], None]
    needs_text: bool = False


class Question(QFrame):
    """A strip under the instruction line with words, a field where something is to be typed, and buttons."""

    def __init__(self, look: Look) -> None:
        """Hidden until `ask`."""
        super().__init__()
        self._answers: list[tuple[QPushButton, Answer]] = []
        self._words = QLabel()
        self._words.setWordWrap(True)
        self.field = QLineEdit()
        self.field.textChanged.connect(self._weigh)
        self.field.returnPressed.connect(self._enter)
        self._row = QHBoxLayout()
        column = QVBoxLayout(self)
        column.addWidget(self._words)
        column.addLayout(self._row)
        self._row.addWidget(self.field, 1)
        self.setAutoFillBackground(True)
        self.restyle(look)
        self.hide()

    @property
    def words(self) -> str:
        """The question that is asked; empty while none is."""
        return "" if self.isHidden() else self._words.text()

    def restyle(self, look: Look) -> None:
        """Take colours and sizes."""
        self._look = look
        self._words.setFont(look.font(28, bold=True))
        self.field.setFont(look.font(26))
        margin = look.px(28)
        column = self.layout()
        if column is not None:
            column.setContentsMargins(margin, look.px(12), margin, look.px(14))
        for button, _ in self._answers:
            self._dress(button)

    def ask(self, words: str, answers: Sequence[Answer], field: str | None = None) -> None:
        """Ask. ``field`` is what the field is for, None where there is none; Escape takes the last answer."""
        for button, _ in self._answers:
            self._row.removeWidget(button)
            button.deleteLater()
        self._words.setText(words)
        self.setAccessibleName(words)
        self._answers = [(QPushButton(a.words), a) for a in answers]
        for button, answer in self._answers:
            self._dress(button)
            button.clicked.connect(lambda _=False, a=answer: self._take(a))
            self._row.addWidget(button)
        self.field.clear()
        self.field.setVisible(field is not None)
        self.field.setPlaceholderText(field or "")
        self.field.setAccessibleName(field or "")
        self._weigh()
        self.show()
        first: QWidget = self.field if field is not None else self._answers[-1][0]
        first.setFocus(Qt.FocusReason.OtherFocusReason)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Escape is the last answer, which never does anything that can't be undone."""
        if event.key() == Qt.Key.Key_Escape and self._answers:
            self._take(self._answers[-1][1])
            return
        super().keyPressEvent(event)

    def _dress(self, button: QPushButton) -> None:
        button.setFont(self._look.font(24, bold=True))
        button.setMinimumHeight(self._look.px(54))

    def _weigh(self) -> None:
        typed = bool(self.field.text().strip())
        for button, answer in self._answers:
            button.setEnabled(typed or not answer.needs_text)

    def _enter(self) -> None:
        first = self._answers[0] if self._answers else None
        if first is not None and first[0].isEnabled():
            self._take(first[1])

    def _take(self, answer: Answer) -> None:
        typed = self.field.text().strip()
        self.hide()
        answer.act(typed)
