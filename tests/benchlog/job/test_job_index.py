"""The index of a folder of sessions: made from nothing, kept up, and what each job waits for."""

import json
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from inline_commands import command

from benchlog.job.digest import Waiting, waits_for
from benchlog.job.index import INDEX_NAME, Index, plain_serial
from benchlog.job.settings import Settings, load_settings, save_settings
from benchlog.model.errors import EnvironmentFault, UsageError
from benchlog.model.history import (
    Approved,
    Corrected,
    Entry,
    JobEnded,
    JobEntered,
    Noted,
    PartChanged,
    Payload,
    RunEnded,
    Taken,
)
from benchlog.model.job import Ending, Job
from benchlog.model.point import PointKind, TestPoint
from benchlog.model.quantity import Quantity
from benchlog.model.step import Outcome
from benchlog.model.unit import Unit
from benchlog.model.work import Estimated, EstimateLine, FinalCheck, FinalChecked
from benchlog.session.writer import SessionWriter

WALL = datetime(2026, 1, 5, 9, 0, tzinfo=UTC)
TAKEN = Taken(
    TestPoint("output pin to + rail", PointKind.OHMS, "left"), Quantity.RESISTANCE, 3.1, typed="3R1"
)
YES = Approved(True, "140.00", "Invented Customer", "telephone")
NO = Approved(False, "140.00", "Invented Customer", "telephone")
ORDERED, FITTED = PartChanged("Q14", "ordered", "npn power"), PartChanged("Q14", "in", "npn power")
PUT = Estimated((EstimateLine("labour", Decimal(90)),), Decimal(90))
HEARD = FinalChecked(FinalCheck.SIGNAL, "left", seen="clear at low level")
RUN = RunEnded(Outcome.COMPLETED, "", ())
CUT, UNDECIDED = RunEnded(Outcome.CUT_OFF, "", ()), RunEnded(Outcome.UNDECIDED, "", ())
END = JobEnded(Ending.REPAIRED)


def session(folder: Path, name: str, unit: Unit, *payloads: Payload, day: int = 0) -> Path:
    path = folder / f"{name}.benchlog"
    wall = WALL + timedelta(days=day)
    writer = SessionWriter.create(path, Job(name, complaint="dead", unit=unit, invented=True), wall)
    for payload in payloads:
        writer.add_entry(payload, None, wall)
    writer.commit()
    writer.close()
    return path


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    session(tmp_path, "J-1", Unit(maker_text="Invented Works", serial="AB-12 34"), TAKEN, YES, END)
    session(
        tmp_path, "J-2", Unit(model_text="two-channel", serial="77"), TAKEN, Noted("smell of resin"), day=3
    )
    session(tmp_path, "J-3", Unit(serial="ab1234"), YES, ORDERED, day=9)
    return tmp_path


def numbers(found: Any) -> list[str]:
    return [d.number for d in found]


def test_search_by_words_serial_and_state(folder: Path) -> None:
    with Index(folder) as index:
        found = index.refresh()
        assert (found.sessions, found.read, found.faults) == (3, 3, ())
        assert numbers(index.search()) == ["J-3", "J-2", "J-1"]
        assert numbers(index.search("RESIN smell")) == ["J-2"]
        assert numbers(index.search("3r1")) == ["J-2", "J-1"]
        assert numbers(index.search("npn")) == ["J-3"]
        assert numbers(index.search("invented works")) == ["J-1"]
        assert numbers(index.search("100% _ '")) == []
        assert numbers(index.search(only_open=True)) == ["J-3", "J-2"]
        assert numbers(index.with_serial("AB 1234")) == ["J-3", "J-1"]
        assert index.with_serial(" - ") == ()


def test_the_index_follows_the_files_and_skips_a_damaged_one(folder: Path) -> None:
    with Index(folder) as index:
        index.refresh()
        assert index.refresh().read == 0
        (folder / "J-1.benchlog").unlink()
        (folder / "bad.benchlog").write_bytes(b"no session" * 500)
        session(folder, "J-4", Unit())
        found = index.refresh()
        assert found.read == 2
        assert len(found.faults) == 1
        assert "bad.benchlog" in found.faults[0]
        assert set(numbers(index.search())) == {"J-2", "J-3", "J-4"}
        assert len(index.refresh().faults) == 1


@pytest.mark.parametrize("content", [b"", b"rubbish" * 1000])
def test_a_lost_or_damaged_index_is_made_again(folder: Path, content: bytes) -> None:
    with Index(folder) as index:
        index.refresh()
    (folder / INDEX_NAME).write_bytes(content)
    with Index(folder) as index:
        assert index.refresh().read == 3
        assert len(index.search()) == 3


def test_no_such_folder(tmp_path: Path) -> None:
    with pytest.raises(EnvironmentFault, match="is no folder"):
        Index(tmp_path / "missing")


@pytest.mark.parametrize(
    ("payloads", "waiting"),
    [
        ((), Waiting.FIRST_READING), ((TAKEN,), Waiting.APPROVAL), ((TAKEN, YES), Waiting.REPAIR),
        ((TAKEN, YES, ORDERED), Waiting.PARTS), ((TAKEN, YES, ORDERED, FITTED), Waiting.BRING_UP),
        ((TAKEN, NO), Waiting.ENDING), ((TAKEN, YES, FITTED, RUN), Waiting.FINAL_CHECKS),
        ((TAKEN, YES, FITTED, RUN, HEARD), Waiting.ENDING), ((TAKEN, YES, ORDERED, RUN), Waiting.PARTS),
        ((TAKEN, PUT), Waiting.APPROVAL), ((TAKEN, PUT, YES), Waiting.REPAIR),
        ((TAKEN, PUT, YES, PUT), Waiting.APPROVAL),
        ((TAKEN, YES, Corrected(3, "not said", void=True)), Waiting.APPROVAL),
        ((CUT,), Waiting.COLD_CHECKS), ((TAKEN, YES, FITTED, CUT), Waiting.COLD_CHECKS),
        ((CUT, TAKEN), Waiting.APPROVAL), ((CUT, TAKEN, YES), Waiting.REPAIR),
        ((CUT, TAKEN, YES, FITTED), Waiting.BRING_UP), ((TAKEN, UNDECIDED), Waiting.BRING_UP),
        ((CUT, RUN), Waiting.FINAL_CHECKS),
        ((TAKEN, YES, FITTED, RUN, END), Waiting.NOTHING), ((TAKEN, NO, END), Waiting.NOTHING),
        ((END, JobEntered(Job()), TAKEN), Waiting.APPROVAL),
    ],
)  # fmt: skip
def test_what_a_job_waits_for(payloads: tuple[Payload, ...], waiting: Waiting) -> None:
    entries = [Entry(n, n, WALL, p) for n, p in enumerate((JobEntered(Job()), *payloads), 1)]
    assert waits_for(entries) is waiting


def test_serial_numbers_are_compared_without_blanks_hyphens_and_case() -> None:
    assert plain_serial("AB-12 34") == plain_serial("ab1234") != plain_serial("ab1235")


def test_settings_there_and_back(tmp_path: Path) -> None:
    path = tmp_path / "deep" / "settings.toml"
    assert load_settings(path) == Settings()
    mine = Settings("Invented Workshop", "1 Invented Street", "EUR", "letter", "A. Technician", "skilled")
    assert save_settings(mine, path) == path
    assert load_settings(path) == mine
    with pytest.raises(UsageError, match="letter"):
        save_settings(Settings(paper="papyrus"), path)
    assert load_settings(path) == mine
    for wrong in ("paper = 3", "paper = 'papyrus'", "teapot = 1", "[[["):
        path.write_text(wrong, encoding="utf-8")
        with pytest.raises(UsageError):
            load_settings(path)


def test_the_commands(folder: Path) -> None:
    code, out, _ = command("jobs", "--folder", folder, "--json")
    assert code == 0
    waits = {j["number"]: j["waits_for"] for j in json.loads(out)["jobs"]}
    assert waits == {"J-1": "", "J-2": "approval", "J-3": "parts"}
    assert command("end", folder / "J-2.benchlog", "--as", "declined", "--note", "too dear")[0] == 0
    assert "declined" in command("jobs", "--folder", folder, "two-channel")[1]
    code, _, err = command("end", folder / "J-3.benchlog", "--as", "healthy")
    assert code == 2
    assert "beyond-repair" in err
    _, _, err = command("new", folder / "J-5.benchlog", "--serial", "AB1234", "--invented")
    assert "here before: J-3" in err
    assert "here before: J-1" in err
    assert command("jobs", "--folder", folder / "missing")[0] == 1


def test_settings_from_the_command_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("platformdirs.user_config_path", lambda *_, **__: tmp_path)
    assert json.loads(command("settings", "--json")[1])["settings"]["workshop"] == ""
    assert command("settings", "--workshop", "Invented Workshop", "--currency", "EUR")[0] == 0
    assert load_settings(tmp_path / "settings.toml") == Settings("Invented Workshop", currency="EUR")
    code, _, err = command("settings", "--paper", "papyrus")
    assert code == 2
    assert "a4, letter" in err
