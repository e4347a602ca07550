"""Hand-over: how the job ends, and the documents and files that leave the workshop."""

from collections.abc import Sequence
from functools import partial
from pathlib import Path

from PySide6.QtCore import QUrl
from PySide6.QtGui import QDesktopServices
from PySide6.QtWidgets import (
    QCheckBox,
    QComboBox,
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QListWidget,
    QListWidgetItem,
    QProgressBar,
    QPushButton,
    QVBoxLayout,
    QWidget,
)

from benchlog.job.ending import asked_before_ending, job_ended, question
from benchlog.job.settings import load_settings
from benchlog.model.errors import BenchlogError
from benchlog.model.history import Entry, JobEnded
from benchlog.model.job import Ending
from benchlog.model.protocol import EntryAdded
from benchlog_ui.handovertasks import COPY, FORMATS, LAYOUTS, Wish, Works, tasks_for
from benchlog_ui.keys import Deed
from benchlog_ui.look import Look
from benchlog_ui.panel import Panel, Place
from benchlog_ui.question import Answer

ENDINGS = {
    Ending.REPAIRED: "Repaired",
    Ending.NO_FAULT_FOUND: "No fault found",
    Ending.DECLINED: "Declined by the customer",
    Ending.BEYOND_REPAIR: "Beyond repair",
    Ending.RETURNED: "Returned as it came",
}
PAPERS = {"A4": "a4", "Letter": "letter"}


class HandOverPanel(Panel):
    """Ending, what to make, progress, and what came of it."""

    def __init__(self, place: Place) -> None:
        """Nothing is made before the technician says so."""
        super().__init__(place)
        self._entries: list[Entry] = []
        self.works = Works(self)
        self.ending, self.note = QComboBox(), QLineEdit()
        self.ending.addItems(list(ENDINGS.values()))
        self.note.setPlaceholderText("what the customer is told with it")
        self.end = QPushButton("Enter the ending")
        self.ended = QLabel()
        self.layouts = {name: QCheckBox(words) for name, words in LAYOUTS.items()}
        self.formats = {name: QCheckBox(words) for name, words in FORMATS.items()}
        self.copy, self.check = QCheckBox(COPY), QCheckBox("Check each document after it is made")
        self.paper, self.folder = QComboBox(), QLineEdit()
        self.paper.addItems(list(PAPERS))
        self.paper.setCurrentIndex(_paper_in_settings())
        self.make, self.stop = QPushButton("Make them"), QPushButton("Stop")
        self.bar, self.doing = QProgressBar(), QLabel()
        self.made = QListWidget()
        self._labels: list[QLabel] = []
        self._lay_out()
        self._connect()
        self.restyle(place.look)
        self._allow()

    def _lay_out(self) -> None:
        for box in (*self.layouts.values(), self.check):
            box.setChecked(True)
        self.folder.setPlaceholderText("beside the session")
        column = QVBoxLayout(self)
        column.addLayout(self._row(self._named("the job ends as", self.ending), self.note, self.end))
        column.addWidget(self.ended)
        grid = QGridLayout()
        boxes = (*self.layouts.values(), self.check, self.copy, *self.formats.values())
        for number, box in enumerate(boxes):
            grid.addWidget(box, number % 4, number // 4)
        column.addLayout(grid)
        column.addLayout(
            self._row(
                self._named("paper", self.paper),
                self._named("into folder", self.folder),
                self.make,
                self.stop,
            )
        )
        column.addWidget(self.doing)
        column.addWidget(self.bar)
        column.addWidget(self.made, 1)
        self.doing.setWordWrap(True)
        self.made.setWordWrap(True)
        self.made.setAccessibleName("What was made")
        self.bar.setAccessibleName("How far the work is")
        self.note.setAccessibleName("Note with the ending")

    def _named(self, words: str, field: QWidget) -> QWidget:
        """A field with its name in front."""
        label, both = QLabel(words), QWidget()
        label.setBuddy(field)
        field.setAccessibleName(words)
        self._labels.append(label)
        row = QHBoxLayout(both)
        row.setContentsMargins(0, 0, 0, 0)
        row.addWidget(label)
        row.addWidget(field, 1)
        return both

    def _row(self, *widgets: QWidget) -> QHBoxLayout:
        row = QHBoxLayout()
        for widget in widgets:
            row.addWidget(widget, 0 if isinstance(widget, QPushButton) else 1)
        return row

    def _connect(self) -> None:
        self.end.clicked.connect(self.enter_ending)
        self.make.clicked.connect(self.make_all)
        self.stop.clicked.connect(self.works.stop)
        self.works.step.connect(self._step)
        self.works.said.connect(self._said)
        self.works.finished.connect(self._finished)
        self.made.itemActivated.connect(self._open)
        self.destroyed.connect(self.works.stop)
        for box in (*self.layouts.values(), *self.formats.values(), self.copy):
            box.toggled.connect(self._allow)

    # ---- what is asked for

    def wish(self) -> Wish:
        """What is ticked."""
        return Wish(
            tuple(name for name, box in self.layouts.items() if box.isChecked()),
            PAPERS[self.paper.currentText()],
            self.copy.isChecked(),
            tuple(name for name, box in self.formats.items() if box.isChecked()),
            self.check.isChecked(),
        )

    def enter_ending(self) -> None:
        """Send how the job ends; what stands against it is asked first, with the reason for the history."""
        ending = list(ENDINGS)[self.ending.currentIndex()]
        asked = asked_before_ending(self._entries, ending)
        if not asked:
            self._end(ending, "")
            return
        self.place.ask(
            question(asked, ending),
            (
                Answer("End it all the same", partial(self._end, ending), needs_text=True),
                Answer("Not yet", lambda _: None),
            ),
            "why; it is recorded",
        )

    def _end(self, ending: Ending, reason: str) -> None:
        by = self.place.ledger.job.workshop.technician
        try:
            ended = job_ended(self._entries, ending, self.note.text(), reason, by)
        except BenchlogError as error:
            self.ended.setText(str(error))
            return
        self.place.send(EntryAdded(ended))
        self.note.clear()

    def make_all(self) -> None:
        """Begin to make what is ticked."""
        session = self.place.session()
        if session is None or self._why_not():
            return
        folder = (
            Path(self.folder.text().strip()).expanduser() if self.folder.text().strip() else session.parent
        )
        if not folder.is_dir():
            self.doing.setText(f"{folder} is no folder. Name one that is there.")
            return
        self.made.clear()
        self.works.begin(tasks_for(self.wish(), session, folder))
        self._allow()

    def _why_not(self) -> str:
        """Why nothing can be made now; empty where it can."""
        if self.place.session() is None:
            return "There is no session yet."
        if self.place.board.running:
            return "A bring-up is running: the documents wait until it is over."
        wish = self.wish()
        return "" if wish.layouts or wish.formats or wish.copy else "Nothing is ticked."

    # ---- what comes of it

    def _allow(self) -> None:
        why = self._why_not()
        self.make.setEnabled(not why and not self.works.busy)
        self.stop.setEnabled(self.works.busy)
        if why and not self.works.busy:
            self.doing.setText(why)
        elif not self.works.busy and not self.made.count():
            self.doing.setText("")

    def _step(self, done: int, of: int, words: str) -> None:
        self.bar.setRange(0, of)
        self.bar.setValue(done)
        self.doing.setText(words)

    def _said(self, line: str) -> None:
        self.made.addItem(line)

    def _finished(self) -> None:
        failed = sum(self.made.item(k).text().startswith("✕") for k in range(self.made.count()))
        words = f"{failed} of {self.made.count()} did not work; each says why." if failed else "Done."
        self.doing.setText(words)
        self.place.tell(words)
        self._allow()

    def _open(self, item: QListWidgetItem) -> None:
        """Show a file in the program that the system has for it."""
        path = Path(item.text().removeprefix("■  ").partition(";")[0])
        if path.exists():
            QDesktopServices.openUrl(QUrl.fromLocalFile(str(path)))

    # ---- the panel

    def take(self, entries: Sequence[Entry]) -> None:
        """How the job ended, as it is stored."""
        self._entries += entries
        for entry in entries:
            if isinstance(entry.payload, JobEnded):
                note = f" ({entry.payload.note})" if entry.payload.note else ""
                words = f"Entered {entry.wall:%Y-%m-%d %H:%M}: {ENDINGS[entry.payload.ending].lower()}{note}."
                self.ended.setText(words)
        self._allow()

    def refresh(self, real_s: float) -> None:
        """Whether something can be made."""
        self._allow()

    def deeds(self) -> Sequence[Deed]:
        """Keys of this panel."""
        return (
            Deed("Ctrl+Return", "make", "Make what is ticked", self.make_all),
            Deed("Ctrl+E", "end the job", "Enter how the job ends", self.enter_ending),
        )

    def restyle(self, look: Look) -> None:
        """Take colours and sizes."""
        fields = (self.ending, self.note, self.end, self.paper, self.folder, self.make, self.stop, self.bar)
        boxes = (*self.layouts.values(), *self.formats.values(), self.copy, self.check)
        for widget in (*fields, *boxes, *self._labels, self.made, self.ended, self.doing):
            widget.setFont(look.font(20))
        for button in (self.end, self.make, self.stop):
            button.setMinimumHeight(look.px(42))
        layout = self.layout()
        if layout is not None:
            layout.setSpacing(look.px(12))


def _paper_in_settings() -> int:
    """Which of `PAPERS` the workshop uses; the first where its settings can't be read."""
    try:
        return list(PAPERS.values()).index(load_settings().paper)
    except BenchlogError:
        return 0
