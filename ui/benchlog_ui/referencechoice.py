"""The reference units of a bring-up: finished jobs by their number, or files, chosen or typed."""

import threading
from collections import deque

from PySide6.QtCore import Signal
from PySide6.QtWidgets import QComboBox, QVBoxLayout, QWidget

from benchlog.job.digest import Digest
from benchlog.job.index import Index, usable_as_reference
from benchlog.model.errors import BenchlogError
from benchlog.model.protocol import ReferenceNow
from benchlog.model.reference import Reference
from benchlog.session.place import sessions_folder
from benchlog_ui.look import Look

NAME = "reference units, with ; (none: empty)"
_MOST = 50


class ReferenceChoice(QWidget):
    """A field with a list of the finished jobs; the recorder is asked what is in the files."""

    asked = Signal(tuple)
    """Numbers or paths, as they stand in the field; empty for none."""

    def __init__(self, look: Look) -> None:
        """Nothing chosen."""
        super().__init__()
        self.names: tuple[str, ...] = ()
        self.reference: Reference | None = None
        self.fault = ""
        self._found: deque[tuple[str, ...]] = deque()
        self.box = QComboBox()
        self.box.setEditable(True)
        self.box.setInsertPolicy(QComboBox.InsertPolicy.NoInsert)
        self.box.setAccessibleName(NAME)
        self.box.setMinimumContentsLength(8)
        self.box.setSizeAdjustPolicy(QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon)
        self.box.addItem("")
        edit = self.box.lineEdit()
        assert edit is not None
        edit.editingFinished.connect(self._changed)
        self.box.activated.connect(lambda _: self._changed())
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.addWidget(self.box)
        self.restyle(look)

    def restyle(self, look: Look) -> None:
        """Take colours and sizes."""
        self.box.setFont(look.font(20))

    def look_up(self) -> None:
        """Find the finished jobs, on a thread of its own."""
        threading.Thread(target=self._search, name="references", daemon=True).start()

    def _search(self) -> None:
        folder = sessions_folder()
        if not folder.is_dir():
            return
        try:
            with Index(folder) as index:
                index.refresh()
                jobs = usable_as_reference(index.search())
        except BenchlogError:
            return  # the page of all jobs tells what is wrong with the folder
        self._found.append(tuple(_entry(job) for job in jobs[:_MOST]))

    def refresh(self, news: ReferenceNow | None) -> None:
        """Take what was found, and what came of the last question."""
        while self._found:
            words = self.box.currentText()
            self.box.clear()
            self.box.addItems(["", *self._found.popleft()])
            self.box.setCurrentText(words)
        if news is not None and news.names == self.names:
            self.reference, self.fault = news.reference, news.fault

    def _changed(self) -> None:
        names = tuple(_name(part) for part in self.box.currentText().split(";") if part.strip())
        if names != self.names:
            self.names, self.reference, self.fault = names, None, ""
            self.asked.emit(names)

    @property
    def waiting(self) -> bool:
        """Whether the recorder still reads the files."""
        return bool(self.names) and self.reference is None and not self.fault


def _entry(job: Digest) -> str:
    sham = "simulated, " if job.simulated else "invented, " if job.invented else ""
    return f"{job.number}  ({sham}{job.unit or job.kind or 'unit not named'})"


def _name(part: str) -> str:
    """The number or path of one entry of the field, without what stands in brackets after it."""
    head, between, tail = part.strip().partition("  (")
    return head if between and tail.endswith(")") else part.strip()
