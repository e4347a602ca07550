"""All jobs of the sessions' folder: what each waits for, searched as one types; Enter goes on with one."""

import threading
from collections import deque
from contextlib import suppress
from datetime import datetime
from pathlib import Path

from PySide6.QtCore import Qt
from PySide6.QtGui import QResizeEvent
from PySide6.QtWidgets import (
    QCheckBox,
    QHBoxLayout,
    QHeaderView,
    QLabel,
    QLineEdit,
    QPushButton,
    QTableView,
    QVBoxLayout,
    QWidget,
)

from benchlog.job.digest import Digest
from benchlog.job.index import Index
from benchlog.model.errors import BenchlogError
from benchlog.session.place import sessions_folder
from benchlog_ui.look import Look
from benchlog_ui.requests import Requests
from benchlog_ui.rows import RowsModel

HEADS = ("last worked on", "job", "unit", "complaint", "waits for")
_SHARES = (0.15, 0.2, 0.2, 0.27, 0.18)


def cells(job: Digest) -> tuple[str, ...]:
    """A job in words."""
    sham = "simulated: " if job.simulated else "invented: " if job.invented else ""
    waits = job.waits_for or job.ending.replace("-", " ") or "nothing"
    unit = f"{job.unit} {job.serial}".strip() or job.kind
    return when(job.last), f"{sham}{job.number}", unit, job.complaint, waits


def _tip(job: Digest, column: int) -> str:
    """The whole of a cell, and the file."""
    return f"{cells(job)[column]}\n{job.path}"


def when(last: datetime | None) -> str:
    """A day, with the time."""
    return "" if last is None else f"{last.astimezone():%Y-%m-%d %H:%M}"


class JobsPage(QWidget):
    """Search line, table, and what can be done with a job."""

    def __init__(self, look: Look, requests: Requests) -> None:
        """Empty until `look`."""
        super().__init__()
        self._requests = requests
        self._found: deque[list[Digest] | str] = deque()
        self._here: Path | None = None
        self._busy = threading.Event()
        self._again = False
        self.model = RowsModel[Digest](HEADS, lambda job, column: cells(job)[column], _tip, self)
        self.search = QLineEdit()
        self.search.setPlaceholderText("words: number, customer, serial number, complaint …")
        self.search.setAccessibleName("Search the jobs")
        self.ended = QCheckBox("ended ones too")
        self.new = QPushButton("New job")
        self.words = QLabel()
        self.table = QTableView()
        self.table.setModel(self.model)
        self._dress()
        self._lay_out()
        self.search.textChanged.connect(lambda _: self._ask())
        self.search.returnPressed.connect(self._open_first)
        self.ended.toggled.connect(lambda _: self._ask())
        self.table.activated.connect(lambda index: self._open(index.row()))
        self.new.clicked.connect(lambda: requests.open_job(""))
        self.restyle(look)

    def _dress(self) -> None:
        table = self.table
        table.setAccessibleName("Jobs and what each waits for")
        table.setShowGrid(False)
        table.setAlternatingRowColors(True)
        table.setWordWrap(False)
        table.setTabKeyNavigation(False)
        table.setSelectionBehavior(QTableView.SelectionBehavior.SelectRows)
        table.setSelectionMode(QTableView.SelectionMode.SingleSelection)
        table.verticalHeader().setVisible(False)
        table.verticalHeader().setSectionResizeMode(QHeaderView.ResizeMode.Fixed)
        table.horizontalHeader().setSectionResizeMode(QHeaderView.ResizeMode.Fixed)
        table.horizontalHeader().setDefaultAlignment(
            Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter
        )

    def _lay_out(self) -> None:
        row = QHBoxLayout()
        row.addWidget(self.search, 1)
        for part in (self.ended, self.new):
            row.addWidget(part)
        self._column = QVBoxLayout(self)
        self._column.addLayout(row)
        self._column.addWidget(self.table, 1)
        self._column.addWidget(self.words)

    def restyle(self, look: Look) -> None:
        """Take colours and sizes."""
        for part in (self.search, self.ended, self.new, self.table, self.words):
            part.setFont(look.font(21))
        self.new.setMinimumHeight(look.px(40))
        self.table.verticalHeader().setDefaultSectionSize(look.px(40))
        self.table.horizontalHeader().setFont(look.font(18))
        gap = look.px(14)
        self._column.setContentsMargins(gap, gap, gap, gap)
        self._spread()

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Columns share the width."""
        super().resizeEvent(event)
        self._spread()

    def _spread(self) -> None:
        for column, share in enumerate(_SHARES):
            self.table.setColumnWidth(column, int(max(self.table.viewport().width(), 300) * share))

    def look(self, here: Path | None) -> None:
        """Look through the folder of the present session, and put the keyboard into the search line."""
        self._here = here
        self.search.setFocus()
        self._ask()

    def refresh(self) -> None:
        """Take what the search found."""
        while self._found:
            found = self._found.popleft()
            if isinstance(found, str):
                self.words.setText(found)
                continue
            self.model.replace(found)
            self.words.setText(f"{len(found)} jobs" if found else "No job has all of these words.")
        if self._again and not self._busy.is_set():
            self._ask()

    def _ask(self) -> None:
        """Search on a thread of its own; one at a time, the latest words last."""
        if self._busy.is_set():
            self._again = True
            return
        self._again = False
        self._busy.set()
        words = (self._here, self.search.text(), not self.ended.isChecked())
        threading.Thread(target=self._search, args=words, name="jobs", daemon=True).start()

    def _search(self, here: Path | None, text: str, only_open: bool) -> None:
        try:
            folder = here.parent if here is not None else sessions_folder()
            with Index(folder) as index:
                index.refresh()
                self._found.append(list(index.search(text, only_open=only_open)))
        except BenchlogError as error:
            self._found.append(str(error))
        finally:
            self._busy.clear()

    def _open_first(self) -> None:
        if len(self.model.rows) == 1:
            self._open(0)
        else:
            self.table.setFocus()
            self.table.selectRow(0)

    def _open(self, row: int) -> None:
        with suppress(IndexError):
            self._requests.open_job(self.model.rows[row].path)
