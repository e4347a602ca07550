"""A stage that has no panel of its own yet: what is done, what is missing, and its lines of the history."""

from collections.abc import Sequence

from PySide6.QtWidgets import QHBoxLayout, QLabel, QListWidget, QVBoxLayout, QWidget

from benchlog_ui.helpwords import HELP
from benchlog_ui.lines import Row
from benchlog_ui.look import Look
from benchlog_ui.stages import WORDS, Stage, Survey


class StagePage(QWidget):
    """Done and missing at the left; at the right a panel, or the lines of the stage while there is none."""

    def __init__(self, look: Look, stage: Stage) -> None:
        """No panel yet."""
        super().__init__()
        self.stage = stage
        self._survey: Survey | None = None
        self.has_panel = False
        self.done, self.missing = QLabel(), QLabel()
        for label in (self.done, self.missing):
            label.setWordWrap(True)
        self.lines = QListWidget()
        self.lines.setAccessibleName(f"Lines of the history: {WORDS[stage]}")
        self.about = QLabel(HELP[stage.value])
        self.about.setWordWrap(True)
        left = QVBoxLayout()
        left.addWidget(self.done)
        left.addWidget(self.missing)
        left.addStretch(1)
        left.addWidget(self.about)
        self._columns = QHBoxLayout(self)
        self._columns.addLayout(left, 2)
        self._columns.addWidget(self.lines, 3)
        self.restyle(look)

    def set_panel(self, panel: QWidget) -> None:
        """Let a panel take the place of the lines."""
        self._columns.removeWidget(self.lines)
        self.lines.hide()
        self._columns.addWidget(panel, 3)
        self._columns.setStretch(0, 1)
        self.has_panel = True

    def take(self, rows: Sequence[Row]) -> None:
        """Lines of this stage that are new."""
        for row in rows:
            if row.stage == WORDS[self.stage]:
                self.lines.addItem(f"{row.time}   {row.kind}   {row.what}")

    def show_survey(self, survey: Survey) -> None:
        """What is done and what is missing."""
        if survey == self._survey:
            return
        self._survey = survey
        done = "\n".join(f"■  {words}" for words in survey.done) or "nothing yet"
        missing = "\n".join(f"○  {words}" for words in survey.missing) or "nothing"
        self.done.setText(f"Done\n{done}\n")
        self.missing.setText(f"Missing\n{missing}")

    def restyle(self, look: Look) -> None:
        """Take colours and sizes."""
        gap = look.px(28)
        self._columns.setContentsMargins(gap, gap, gap, gap)
        self._columns.setSpacing(gap)
        for label in (self.done, self.missing):
            label.setFont(look.font(25))
        self.about.setFont(look.font(18))
        self.lines.setFont(look.font(21))
