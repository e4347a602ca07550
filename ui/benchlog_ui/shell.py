"""The pages of the window and the way between them: the stages of a job, and what belongs to no stage."""

from collections.abc import Callable, Sequence
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from PySide6.QtGui import QKeySequence, QShortcut
from PySide6.QtWidgets import QWidget

from benchlog.model.history import Corrected, Entry, JobEntered, Noted
from benchlog.model.job import Job
from benchlog.model.protocol import EntryAdded, FromWindow
from benchlog_ui.board import Board
from benchlog_ui.climbpage import SLOW, BringUpPage
from benchlog_ui.keys import Deed
from benchlog_ui.lines import Row, row_of
from benchlog_ui.look import Look
from benchlog_ui.panel import Panel, Place, make_panel
from benchlog_ui.requests import Requests
from benchlog_ui.route import Route, Stop
from benchlog_ui.sight import job_words
from benchlog_ui.stagepage import StagePage
from benchlog_ui.stages import WORDS, Ledger, Stage
from benchlog_ui.traces import Traces
from benchlog_ui.window import Window

if TYPE_CHECKING:
    from benchlog_ui.before import BeforePage
    from benchlog_ui.benchpage import BenchPage
    from benchlog_ui.chronicle import ChroniclePage
    from benchlog_ui.helppage import HelpPage
    from benchlog_ui.intake import IntakePage
    from benchlog_ui.jobspage import JobsPage

_Page = TypeVar("_Page", bound=QWidget)

BEFORE, HISTORY, BENCH, JOBS, KEYS = "before power", "history", "instruments", "jobs", "keys"
EXTRA = tuple(
    Stop(n, k, n) for n, k in ((BEFORE, "F3"), (HISTORY, "F4"), (BENCH, "F5"), (JOBS, "F11"), (KEYS, "F1"))
)


_LINE = {
    BEFORE: "Before power: see to these first.",
    HISTORY: "History: everything, in the order in which it happened.",
    BENCH: "Instruments: which plays which part.",
    JOBS: "Jobs: Enter goes on with the one that is chosen.",
    KEYS: "Keys: what each does.",
}


class Shell:
    """All pages; tells each what is new, draws the one that is open."""

    def __init__(
        self,
        window: Window,
        board: Board,
        traces: Traces,
        send: Callable[[FromWindow], None],
        requests: Requests,
    ) -> None:
        """Build the bring-up view; every other page is built when it is first wanted."""
        self._window = window
        self._board = board
        self._traces = traces
        self._send = send
        self.requests = requests
        self._keys: list[tuple[str, str]] = []
        self._rows: list[Row] = []
        self._entries: list[Entry] = []
        self.session: Path | None = None
        self.ledger = Ledger()
        self.pages: dict[str, QWidget] = {}
        self.panels: dict[Stage, Panel] = {}
        self.route = Route(window.look, self.go)
        self._lay_route()
        bring_up = BringUpPage(window.look, traces)
        self.bring_up = self._add(Stage.BRING_UP.value, bring_up, bring_up.restyle)
        self.at = Stage.BRING_UP.value
        self.go(self.at)

    def _lay_route(self) -> None:
        window = self._window
        window.set_route(self.route)
        for number, stage in enumerate(Stage, start=1):
            self.route.add(window, Stop(stage.value, f"Ctrl+{number}", WORDS[stage]), marked=True)
        for stop in EXTRA:
            self.route.add(window, stop, marked=False)
        window.follow(self.route.restyle)

    # ---- pages -------------------------------------------------------------------------------------

    def _add(self, name: str, page: _Page, restyle: Callable[[Look], None]) -> _Page:
        self.pages[name] = page
        self._window.pages.addWidget(page)
        self._window.follow(restyle)
        return page

    @cached_property
    def intake(self) -> "IntakePage":
        """The rating plate and the customer's words."""
        from benchlog_ui.intake import IntakePage

        page = IntakePage(self._window.look, self._store_job)
        page.show_job(self.ledger.job)
        return self._add(Stage.INTAKE.value, page, page.restyle)

    @cached_property
    def before(self) -> "BeforePage":
        """What comes before power."""
        from benchlog_ui.before import BeforePage

        page = BeforePage(
            self._window.look,
            self._record_check,
            self.begin,
            lambda row, edit: self.requests.change(page, row, edit),
        )
        page.begin.reference.asked.connect(self.requests.ask_reference)
        page.begin.reference.look_up()
        return self._add(BEFORE, page, page.restyle)

    @cached_property
    def history(self) -> "ChroniclePage":
        """The history as a table."""
        from benchlog_ui.chronicle import ChroniclePage

        page = ChroniclePage(self._window.look)
        page.take(self._rows)
        return self._add(HISTORY, page, page.restyle)

    @cached_property
    def bench(self) -> "BenchPage":
        """The instruments."""
        from benchlog_ui.benchpage import BenchPage

        page = BenchPage(self._window.look, self.requests, self._send)
        return self._add(BENCH, page, page.restyle)

    @cached_property
    def help(self) -> "HelpPage":
        """All keys."""
        from benchlog_ui.helppage import HelpPage

        page = HelpPage(self._window.look)
        return self._add(KEYS, page, page.restyle)

    @cached_property
    def jobs(self) -> "JobsPage":
        """All jobs, and what each waits for."""
        from benchlog_ui.jobspage import JobsPage

        page = JobsPage(self._window.look, self.requests)
        return self._add(JOBS, page, page.restyle)

    def begin(self) -> None:
        """Begin a bring-up: the page of what comes before power first, then for good."""
        if self.at != BEFORE:
            self.go(BEFORE)
            self.before.begin.button.setFocus()
        else:
            self.requests.begin(self.ledger.job.unit, self.before, self._open())

    def stage(self, stage: Stage) -> StagePage:
        """The page of a stage that has no page of its own kind, with its panel where it has one."""
        page = self.pages.get(stage.value)
        if isinstance(page, StagePage):
            return page
        page = StagePage(self._window.look, stage)
        page.take(self._rows)
        page.show_survey(self.ledger.survey(stage))
        self._furnish(page, stage)
        return self._add(stage.value, page, page.restyle)

    def _furnish(self, page: StagePage, stage: Stage) -> None:
        panel = make_panel(stage, self._place())
        if panel is None:
            return
        self.panels[stage] = panel
        page.set_panel(panel)
        self._window.follow(panel.restyle)
        panel.take(self._entries)
        for deed in panel.deeds():
            self._keys.append((deed.key, f"{WORDS[stage]}: {deed.long}"))
            self._listen(stage, deed)

    def _listen(self, stage: Stage, deed: Deed) -> None:
        """A key of a panel: it works while its stage is open."""
        shortcut = QShortcut(QKeySequence(deed.key), self.panels[stage])
        shortcut.activated.connect(lambda: deed.act() if self.at == stage.value else None)

    def _place(self) -> Place:
        return Place(
            look=self._window.look,
            send=self._send,
            ask=self._window.question.ask,
            board=self._board,
            ledger=self.ledger,
            session=lambda: self.session,
            tell=self._window.tell,
            traces=self._traces,
        )

    def page(self, name: str) -> QWidget:
        """A page by its name, built when it is not there yet."""
        own: dict[str, Callable[[], QWidget]] = {
            Stage.INTAKE.value: lambda: self.intake,
            Stage.BRING_UP.value: lambda: self.bring_up,
            BEFORE: lambda: self.before,
            HISTORY: lambda: self.history,
            BENCH: lambda: self.bench,
            JOBS: lambda: self.jobs,
            KEYS: lambda: self.help,
        }
        return own[name]() if name in own else self.stage(Stage(name))

    def go(self, name: str) -> None:
        """Open a page; the help tells of the page from which it was asked for."""
        if name == KEYS:
            stops = [(b.stop.key, f"Open: {b.stop.words}") for b in self.route.buttons.values()]
            self.help.show_keys([*self._keys, *stops])
            self.help.tell_of(self.at)
        self.at = name
        self._window.pages.setCurrentWidget(self.page(name))
        self.route.show_at(name)
        if name == HISTORY:
            self.history.search.setFocus()
        elif name == JOBS:
            self.jobs.look(self.session)

    def begin_session(self, path: Path | None) -> None:
        """Another session: every page but the bring-up view is built anew when it is next opened."""
        self.session = path
        self.ledger = Ledger()
        self._rows, self._entries = [], []
        for name in [n for n in self.pages if n != Stage.BRING_UP.value]:
            page = self.pages.pop(name)
            self._window.pages.removeWidget(page)
            self._window.unfollow(page)
            page.deleteLater()
        for panel in self.panels.values():
            self._window.unfollow(panel)
        self.panels.clear()
        for built in ("intake", "before", "history", "bench", "help", "jobs"):
            self.__dict__.pop(built, None)
        if self.at not in self.pages:
            self.go(self.at)

    @property
    def entries(self) -> Sequence[Entry]:
        """The history of the session, as far as it is known."""
        return self._entries

    # ---- what is new -------------------------------------------------------------------------------

    def take(self, entries: Sequence[Entry]) -> None:
        """New lines of the history, to every page that they concern."""
        self._entries += entries
        if any(isinstance(e.payload, Corrected) and e.payload.void for e in entries):
            from benchlog.cold.corrections import in_force

            self.ledger.recount(in_force(self._entries))
        else:
            self.ledger.take(entries)
        for panel in self.panels.values():
            panel.take(entries)
        rows = [r for r in map(row_of, entries) if r is not None]
        self._rows += rows
        if HISTORY in self.pages:
            self.history.take(rows)
        for page in self.pages.values():
            if isinstance(page, StagePage):
                page.take(rows)
        if any(isinstance(e.payload, JobEntered) for e in entries):
            self.show_job(self.ledger.job)
        self._survey()

    def show_job(self, job: Job) -> None:
        """The job as it now reads."""
        self.ledger.job = job
        self.route.job.setText(job_words(job))
        if Stage.INTAKE.value in self.pages:
            self.intake.show_job(job)
        self._survey()

    def _survey(self) -> None:
        for stage in Stage:
            survey = self.ledger.survey(stage)
            self.route.buttons[stage.value].survey(len(survey.done), len(survey.missing))
            page = self.pages.get(stage.value)
            if isinstance(page, StagePage):
                page.show_survey(survey)

    def refresh(self, real_s: float, frame: int, grown: set[str], key_seen: bool) -> None:
        """Draw the page that is open."""
        if self.at == Stage.BRING_UP.value:
            self.bring_up.refresh(self._board, real_s, frame, grown)
        elif frame % SLOW == 0 and self.at == BENCH:
            self.bench.refresh(self.ledger.bench, self._board, real_s)
        elif frame % SLOW == 0 and self.at == BEFORE:
            setup = self._board.setup if self._board.running else None
            unit = setup.unit if setup is not None else self.ledger.job.unit
            self.before.begin.reference.refresh(self._board.reference)
            self.before.refresh(unit, self.ledger.bench, setup, self.ledger.checks, key_seen)
            self.before.show_open(self._open() if setup is None else ())
        elif self.at == JOBS:
            self.jobs.refresh()
        elif frame % SLOW == 0 and (panel := self._panel_here()) is not None:
            panel.refresh(real_s)

    def _panel_here(self) -> Panel | None:
        return next((panel for stage, panel in self.panels.items() if stage.value == self.at), None)

    def drop(self, paths: Sequence[Path]) -> bool:
        """Files dropped onto the window: to the panel that is open; whether it took them."""
        panel = self._panel_here()
        return panel is not None and panel.drop(paths)

    def _store_job(self, job: Job) -> None:
        self.ledger.job = job
        self.route.job.setText(job_words(job))
        self._send(EntryAdded(JobEntered(job)))
        self._survey()

    def _record_check(self, name: str, answer: str) -> None:
        self._send(EntryAdded(Noted(f"{name}: {answer}", stage="before-power")))
        (self.ledger.checks.add if answer == "yes" else self.ledger.checks.discard)(name)

    def _open(self) -> tuple[str, ...]:
        """What stands open in the job before power."""
        from benchlog.job.openpoints import open_cut_off, open_points

        return (*open_points(self._entries), *open_cut_off(self._entries))

    def list_keys(self, deeds: Sequence[tuple[str, str]]) -> None:
        """Keys for the page that lists them."""
        self._keys = list(deeds)

    def line(self) -> str:
        """What the open stage still wants, for the large line while nothing is running."""
        try:
            stage = Stage(self.at)
        except ValueError:
            return _LINE[self.at]
        missing = self.ledger.survey(stage).missing
        words = WORDS[stage].capitalize()
        return f"{words}: {', '.join(missing)}." if missing else f"{words}: nothing missing."
