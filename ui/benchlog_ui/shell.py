"""The pages of the window and the way between them: the stages of a job, and what belongs to no stage."""

from collections.abc import Callable, Sequence

from PySide6.QtWidgets import QWidget

from benchlog.model.history import BenchSet, Entry, JobEntered, Noted
from benchlog.model.job import Job
from benchlog.model.protocol import EntryAdded, FromWindow
from benchlog_ui.before import BeforePage
from benchlog_ui.benchpage import BenchPage
from benchlog_ui.board import Board
from benchlog_ui.chronicle import ChroniclePage
from benchlog_ui.climbpage import SLOW, BringUpPage
from benchlog_ui.helppage import HelpPage
from benchlog_ui.intake import IntakePage
from benchlog_ui.lines import row_of
from benchlog_ui.route import Route, Stop
from benchlog_ui.sight import job_words
from benchlog_ui.stagepage import StagePage
from benchlog_ui.stages import WORDS, Ledger, Stage
from benchlog_ui.traces import Traces
from benchlog_ui.window import Window

BEFORE, HISTORY, BENCH, KEYS = "before power", "history", "instruments", "keys"
EXTRA = tuple(Stop(n, k, n) for n, k in ((BEFORE, "F3"), (HISTORY, "F4"), (BENCH, "F5"), (KEYS, "F1")))


_LINE = {
    BEFORE: "Before power: see to these first.",
    HISTORY: "History: everything, in the order in which it happened.",
    BENCH: "Instruments: which plays which part.",
    KEYS: "Keys: what each does.",
}


class Shell:
    """All pages; tells each what is new, draws the one that is open."""

    def __init__(
        self, window: Window, board: Board, traces: Traces, send: Callable[[FromWindow], None]
    ) -> None:
        """Build the pages into the window; the bring-up view is open."""
        self._window = window
        self._board = board
        self._send = send
        self.ledger = Ledger()
        look = window.look
        self.bring_up = BringUpPage(look, traces)
        self.intake = IntakePage(look, self._store_job)
        self.before = BeforePage(look, self._record_check)
        self.history = ChroniclePage(look)
        self.bench = BenchPage(look)
        self.help = HelpPage(look)
        self.stages = {s: StagePage(look, s) for s in Stage if s not in (Stage.INTAKE, Stage.BRING_UP)}
        self.route = Route(look, self.go)
        self.pages: dict[str, QWidget] = {
            Stage.INTAKE.value: self.intake,
            Stage.BRING_UP.value: self.bring_up,
            BEFORE: self.before,
            HISTORY: self.history,
            BENCH: self.bench,
            KEYS: self.help,
        } | {s.value: page for s, page in self.stages.items()}
        self._place()
        self.at = Stage.BRING_UP.value
        self.go(self.at)

    def _place(self) -> None:
        window = self._window
        window.set_route(self.route)
        for number, stage in enumerate(Stage, start=1):
            self.route.add(window, Stop(stage.value, f"Ctrl+{number}", WORDS[stage]), marked=True)
        for stop in EXTRA:
            self.route.add(window, stop, marked=False)
        for page in self.pages.values():
            window.pages.addWidget(page)
        window.follow(self.route.restyle)
        restyles = [p.restyle for p in (self.bring_up, self.intake, self.before, self.history, self.bench)]
        restyles += [self.help.restyle]
        restyles += [page.restyle for page in self.stages.values()]
        for restyle in restyles:
            window.follow(restyle)

    def go(self, name: str) -> None:
        """Open a page."""
        self.at = name
        self._window.pages.setCurrentWidget(self.pages[name])
        self.route.show_at(name)
        if name == HISTORY:
            self.history.search.setFocus()

    def take(self, entries: Sequence[Entry]) -> None:
        """New lines of the history, to every page that they concern."""
        self.ledger.take(entries)
        rows = [r for r in map(row_of, entries) if r is not None]
        self.history.take(rows)
        for page in self.stages.values():
            page.take(rows)
        if any(isinstance(e.payload, JobEntered) for e in entries):
            self.show_job(self.ledger.job)
        self._survey()

    def show_job(self, job: Job) -> None:
        """The job as it now reads."""
        self.ledger.job = job
        self.route.job.setText(job_words(job))
        self.intake.show_job(job)
        self._survey()

    def _survey(self) -> None:
        for stage in Stage:
            survey = self.ledger.survey(stage)
            self.route.buttons[stage.value].survey(len(survey.done), len(survey.missing))
            if stage in self.stages:
                self.stages[stage].show_survey(survey)

    def refresh(self, real_s: float, frame: int, grown: set[str], key_seen: bool) -> None:
        """Draw the page that is open."""
        if self.at == Stage.BRING_UP.value:
            self.bring_up.refresh(self._board, real_s, frame, grown)
        elif frame % SLOW == 0 and self.at == BENCH:
            self.bench.refresh(self.ledger.bench, self._board, real_s)
        elif frame % SLOW == 0 and self.at == BEFORE:
            setup = self._board.setup
            unit = setup.unit if setup is not None else self.ledger.job.unit
            self.before.refresh(unit, self._bench_now(), setup, self.ledger.checks, key_seen)

    def _bench_now(self) -> BenchSet | None:
        return self.ledger.bench

    def _store_job(self, job: Job) -> None:
        self.ledger.job = job
        self.route.job.setText(job_words(job))
        self._send(EntryAdded(JobEntered(job)))
        self._survey()

    def _record_check(self, name: str, answer: str) -> None:
        self._send(EntryAdded(Noted(f"{name}: {answer}", stage="before-power")))
        (self.ledger.checks.add if answer == "yes" else self.ledger.checks.discard)(name)

    def list_keys(self, deeds: Sequence[tuple[str, str]]) -> None:
        """Fill the page of keys."""
        stops = [(b.stop.key, f"Open: {b.stop.words}") for b in self.route.buttons.values()]
        self.help.show_keys([*deeds, *stops])

    def line(self) -> str:
        """What the open stage still wants, for the large line while nothing is running."""
        try:
            stage = Stage(self.at)
        except ValueError:
            return _LINE[self.at]
        missing = self.ledger.survey(stage).missing
        words = WORDS[stage].capitalize()
        return f"{words}: {', '.join(missing)}." if missing else f"{words}: nothing missing."
