"""What is made at hand-over: one command a thing, run one after the other in processes of their own.

The window never makes a document itself: its thread draws and answers the heartbeat.
"""

import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import msgspec
from PySide6.QtCore import QObject, QProcess, Signal

LAYOUTS = {"customer": "Document for the customer, two pages", "file": "Document for the file, all tables"}
COPY = "Session and document without the customer"
FORMATS = {"csv": "CSV files", "json": "JSON", "xlsx": "Spreadsheet", "npz": "Waveforms as arrays (NPZ)"}
_ENDS = {"csv": "-csv", "json": ".json", "xlsx": ".xlsx", "npz": ".npz"}


@dataclass(frozen=True, slots=True)
class Task:
    """One command and the file or folder that it makes."""

    words: tuple[str, ...]
    label: str
    out: Path


@dataclass(frozen=True, slots=True)
class Wish:
    """What the technician ticked."""

    layouts: tuple[str, ...]
    paper: str
    copy: bool
    formats: tuple[str, ...]
    check: bool


def tasks_for(wish: Wish, session: Path, folder: Path) -> tuple[Task, ...]:
    """The commands for a wish; a document that is to be checked is checked right after it is made."""
    found: list[Task] = []
    for layout in wish.layouts:
        out = folder / f"{session.stem}-{layout}.pdf"
        words: tuple[str, ...] = ("document", str(session), "-o", str(out), "--layout", layout)
        words = (*words, "--paper", wish.paper)
        found.append(Task((*words, "--progress", "--json"), LAYOUTS[layout], out))
        if wish.check:
            found.append(Task(("verify", str(out), "--json"), f"Check of {out.name}", out))
    if wish.copy:
        out = folder / f"{session.stem}-without-customer.benchlog"
        found.append(Task(("export", str(session), "--without-customer", str(out)), COPY, out))
        page = out.with_suffix(".pdf")
        words = ("document", str(session), "-o", str(page), "--paper", wish.paper, "--without-customer")
        found.append(Task((*words, "--progress", "--json"), COPY, page))
    for name in wish.formats:
        out = folder / f"{session.stem}{_ENDS[name]}"
        found.append(Task(("export", str(session), f"--{name}", str(out)), FORMATS[name], out))
    return tuple(found)


class _Made(msgspec.Struct):
    replaced_characters: list[str] = []


class _Checked(msgspec.Struct):
    ok: bool
    head: str = ""
    faults: list[str] = []
    undecided: list[str] = []


def said_of(task: Task, code: int, output: bytes, trouble: str) -> str:
    """One line on how a command ended."""
    name = task.out.name
    try:
        if task.words[0] == "verify":
            found = msgspec.json.decode(output, type=_Checked)
            if found.ok:
                return f"■  {name}: session, printed chain head {found.head[:16]}… and every page agree"
            if not found.faults and found.undecided:
                return f"–  {name}: {' '.join(found.undecided)}"
            return f"✕  {name} does not agree with its data: {'; '.join(found.faults)}"
        if code == 0 and task.words[0] == "document":
            replaced = msgspec.json.decode(output, type=_Made).replaced_characters
            shown = f"; {len(replaced)} characters that no font has are squares" if replaced else ""
            return f"■  {task.out}{shown}"
    except msgspec.DecodeError:
        return f"✕  {task.label}: {trouble or f'ended with {code} and said nothing'}"
    return f"■  {task.out}" if code == 0 else f"✕  {task.label}: {trouble or f'ended with {code}'}"


class Works(QObject):
    """Runs commands one after the other; a failed one does not stop the rest."""

    step = Signal(int, int, str)
    """Done of all, in parts of a hundred a task, and what is being done."""
    said = Signal(str)
    """How a command ended."""
    finished = Signal()

    def __init__(self, parent: QObject, program: Sequence[str] = (sys.executable, "-m", "benchlog")) -> None:
        """Nothing runs before `begin`."""
        super().__init__(parent)
        self._program = tuple(program)
        self._left: list[Task] = []
        self._count = 0
        self._trouble = ""
        self._now: Task | None = None
        self._process = QProcess(self)
        self._process.readyReadStandardError.connect(self._hear)
        self._process.finished.connect(self._ended)
        self._process.errorOccurred.connect(self._failed)

    @property
    def busy(self) -> bool:
        """Whether a command runs or waits."""
        return self._now is not None

    def begin(self, tasks: Sequence[Task]) -> None:
        """Run these; ignored while others run."""
        if self.busy or not tasks:
            return
        self._left, self._count = list(tasks), len(tasks)
        self._next()

    def stop(self) -> None:
        """End what runs and forget what waits."""
        self._left.clear()
        if self._process.state() is not QProcess.ProcessState.NotRunning:
            self._process.kill()
            self._process.waitForFinished(2000)

    def _next(self) -> None:
        if not self._left:
            self._now = None
            self.step.emit(100 * self._count, 100 * self._count, "")
            self.finished.emit()
            return
        self._now = self._left.pop(0)
        self._trouble = ""
        self._tell(0, self._now.label)
        self._process.start(self._program[0], [*self._program[1:], *self._now.words])

    def _tell(self, hundredth: int, words: str) -> None:
        done = self._count - len(self._left) - 1
        self.step.emit(100 * done + hundredth, 100 * self._count, words)

    def _hear(self) -> None:
        assert self._now is not None
        for line in bytes(self._process.readAllStandardError().data()).decode(errors="replace").splitlines():
            part, _, words = line.partition(" ")
            at, _, of = part.partition("/")
            if at.isdigit() and of.isdigit() and int(of) > 0:
                self._tell(100 * int(at) // (int(of) + 1), f"{self._now.label}: {words}")
            elif line.strip():
                self._trouble = line.removeprefix("benchlog: ")

    def _ended(self, code: int) -> None:
        task = self._now
        if task is None:
            return
        self._hear()
        self.said.emit(
            said_of(task, code, bytes(self._process.readAllStandardOutput().data()), self._trouble)
        )
        self._next()

    def _failed(self, error: QProcess.ProcessError) -> None:
        if error is QProcess.ProcessError.FailedToStart and self._now is not None:
            self.said.emit(f"✕  {self._now.label}: {self._process.errorString()}")
            self._next()
