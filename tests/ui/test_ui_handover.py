"""The hand-over panel: what it asks for, what is made in processes of its own, and what it says of it."""

import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from benchlog.exchange.sessionjson import read_json
from benchlog.model.event import Key
from benchlog.model.history import Entry, JobEnded, PartChanged
from benchlog.model.job import Ending, Job, Workshop
from benchlog.model.protocol import EntryAdded, Pressed
from benchlog.session.writer import SessionWriter
from benchlog_ui.board import Board
from benchlog_ui.colours import LIGHT
from benchlog_ui.handover import HandOverPanel
from benchlog_ui.handovertasks import Task, Wish, Works, said_of, tasks_for
from benchlog_ui.look import Look
from benchlog_ui.panel import PANELS, Place
from benchlog_ui.stages import Ledger, Stage

WALL = datetime(2026, 1, 5, 9, 0, tzinfo=UTC)


@pytest.fixture
def session(tmp_path: Path) -> Path:
    writer = SessionWriter.create(tmp_path / "job.benchlog", Job(number="J-1", invented=True), WALL)
    assert writer.close()
    return writer.path


class Told:
    """What a panel says to the outside."""

    def __init__(self, session: Path | None) -> None:
        self.sent: list[object] = []
        self.lines: list[str] = []
        self.asked: list[tuple[Any, ...]] = []
        ledger = Ledger(job=Job(workshop=Workshop(technician="A. Technician")))
        self.place = Place(
            Look(LIGHT, 1.0), self.sent.append, lambda *asked: self.asked.append(asked), Board(), ledger,
            lambda: session, self.lines.append,
        )  # fmt: skip


@pytest.fixture
def told(session: Path) -> Told:
    return Told(session)


@pytest.fixture
def panel(qtbot, told: Told) -> HandOverPanel:
    made = HandOverPanel(told.place)
    qtbot.addWidget(made)
    return made


def test_it_stands_in_its_stage() -> None:
    assert PANELS[Stage.HAND_OVER] == "benchlog_ui.handover:HandOverPanel"


def test_it_opens_in_the_window(bench) -> None:
    shell = bench.start.desk.shell
    shell.go(Stage.HAND_OVER.value)
    assert isinstance(shell.panels[Stage.HAND_OVER], HandOverPanel)
    bench.start.desk.frame()


def test_the_ending_is_sent_and_shown_once_it_is_stored(panel: HandOverPanel, told: Told) -> None:
    panel.ending.setCurrentText("Declined by the customer")
    panel.note.setText("collected with its lid")
    panel.end.click()
    ending = JobEnded(Ending.DECLINED, "collected with its lid", "A. Technician")
    assert told.sent == [EntryAdded(ending)]
    assert panel.ended.text() == ""
    panel.take([Entry(9, 0, WALL, ending)])
    assert panel.ended.text() == (
        "Entered 2026-01-05 09:00: declined by the customer (collected with its lid)."
    )


def test_what_stands_against_an_ending_is_asked_and_its_reason_recorded(
    panel: HandOverPanel, told: Told
) -> None:
    out = PartChanged("Q12", "out", "npn power")
    panel.take([Entry(1, 0, WALL, out)])
    panel.ending.setCurrentText("Returned as it came")
    panel.end.click()
    assert told.sent == []
    ((words, answers, _),) = told.asked
    assert "Q12 npn power: taken out, nothing fitted there" in words
    answers[0].act("no")
    assert "says nothing" in panel.ended.text()
    answers[0].act("customer wants the old part in a bag")
    (sent,) = told.sent
    assert sent.payload.reason == "customer wants the old part in a bag"
    assert sent.payload.asked == ("Q12 npn power: taken out, nothing fitted there",)


def test_each_wish_is_a_command(tmp_path: Path) -> None:
    session = tmp_path / "job.benchlog"
    wish = Wish(("customer", "file"), "letter", True, ("csv", "xlsx"), True)
    tasks = tasks_for(wish, session, tmp_path)
    assert [task.words[0] for task in tasks] == [
        *("document", "verify") * 2, "export", "document", "export", "export",
    ]  # fmt: skip
    assert {"--paper", "letter", "customer"} <= set(tasks[0].words)
    assert tasks[1].words[1] == str(tmp_path / "job-customer.pdf") == str(tasks[0].out)
    assert len({task.out for task in tasks}) == 6
    assert "--without-customer" in tasks[5].words
    plain = tasks_for(Wish(("file",), "a4", False, (), False), session, tmp_path)
    assert [task.words[0] for task in plain] == ["document"]


def test_it_makes_checks_and_says_so(qtbot, panel: HandOverPanel, told: Told, session: Path) -> None:
    for box in (panel.layouts["file"],):
        box.setChecked(False)
    panel.formats["json"].setChecked(True)
    steps: list[tuple[int, int, str]] = []
    panel.works.step.connect(lambda *step: steps.append(step))
    panel.make.click()
    assert not panel.make.isEnabled()
    assert panel.stop.isEnabled()
    with qtbot.waitSignal(panel.works.finished, timeout=90_000):
        pass
    lines = [panel.made.item(k).text() for k in range(panel.made.count())]
    assert lines[0] == f"■  {session.with_name('job-customer.pdf')}"
    assert "every page agree" in lines[1]
    assert session.with_name("job-customer.pdf").read_bytes().startswith(b"%PDF-")
    assert read_json(session.with_name("job.json")).entries
    assert told.lines == ["Done."]
    assert [done for done, _, _ in steps] == sorted(done for done, _, _ in steps)
    assert any("laying out the pages" in words for _, _, words in steps)
    assert steps[-1][:2] == (300, 300)
    assert panel.make.isEnabled()


def test_a_command_that_fails_does_not_stop_the_rest(qtbot, tmp_path: Path) -> None:
    works = Works(None, (sys.executable, "-c", "import sys; sys.exit('benchlog: no room on the disk.')"))
    lines: list[str] = []
    works.said.connect(lines.append)
    tasks = [Task(("export",), "CSV files", tmp_path / "a"), Task(("document",), "Document", tmp_path / "b")]
    with qtbot.waitSignal(works.finished, timeout=30_000):
        works.begin(tasks)
    assert lines == ["✕  CSV files: no room on the disk.", "✕  Document: no room on the disk."]
    absent = Works(None, (str(tmp_path / "none"),))
    absent.said.connect(lines.append)
    with qtbot.waitSignal(absent.finished, timeout=30_000):
        absent.begin(tasks[:1])
    assert lines[2].startswith("✕  CSV files: ")


def test_stop_ends_what_runs(qtbot, tmp_path: Path) -> None:
    works = Works(None, (sys.executable, "-c", "import time; time.sleep(600)"))
    with qtbot.waitSignal(works.finished, timeout=30_000):
        works.begin([Task(("document",), "Document", tmp_path / "b")] * 2)
        works.stop()
    assert not works.busy


def test_a_document_that_was_changed_is_told(tmp_path: Path) -> None:
    task = Task(("verify", "x"), "Check of x.pdf", tmp_path / "x.pdf")
    said = said_of(task, 6, b'{"ok": false, "head": "00", "faults": ["Page 2 was changed"]}', "")
    assert said == "✕  x.pdf does not agree with its data: Page 2 was changed"
    assert "ended with 70" in said_of(task, 70, b"", "")


def test_nothing_is_made_without_a_session_or_during_a_bring_up(
    qtbot, panel: HandOverPanel, told: Told, monkeypatch: pytest.MonkeyPatch
) -> None:
    bare = HandOverPanel(Told(None).place)
    qtbot.addWidget(bare)
    assert not bare.make.isEnabled()
    assert bare.doing.text() == "There is no session yet."
    monkeypatch.setattr(Board, "running", property(lambda _: True))
    panel.refresh(0.0)
    assert not panel.make.isEnabled()
    assert "wait until it is over" in panel.doing.text()
    panel.make_all()
    assert not panel.works.busy
    assert Pressed(Key.CUT_OFF) not in told.sent


def test_a_folder_that_is_not_there(panel: HandOverPanel, tmp_path: Path) -> None:
    panel.folder.setText(str(tmp_path / "none"))
    panel.make_all()
    assert "is no folder" in panel.doing.text()
    assert not panel.works.busy
