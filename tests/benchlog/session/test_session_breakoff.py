"""A bring-up whose recorder died: told when the session is looked at, ended when somebody goes on with it."""

from datetime import timedelta
from pathlib import Path

import pytest
from session_strategies import CURRENT, JOB, WALL

from benchlog.cli.main import main
from benchlog.model.event import Marked
from benchlog.model.history import Noted, RunBegun, RunEnded, RunSaid
from benchlog.model.reading import Measured, Setting
from benchlog.model.run import RunSetup
from benchlog.model.step import Outcome
from benchlog.model.unit import Unit
from benchlog.session.reader import SessionReader
from benchlog.session.verification import verify
from benchlog.session.writer import SessionWriter


def broken(path: Path, soaking: bool) -> Path:
    """A session that its writer left without an end."""
    writer = SessionWriter.create(path, JOB, WALL)
    writer.add_entry(RunBegun(RunSetup(Unit(), (), {})), 1_000_000, WALL + timedelta(seconds=1))
    if soaking:
        writer.add_entry(RunSaid(Marked("soak-begun")), 2_000_000, WALL + timedelta(seconds=2))
    writer.add_readings([(Measured(CURRENT, 0.2, 60_900_000, 61_000_000, Setting()), 61_000_100)])
    writer.close()
    return path


@pytest.mark.parametrize(("soaking", "lost"), [(False, "0.3 s"), (True, "1.1 s")])
def test_what_may_be_missing_is_told(
    soaking: bool, lost: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = broken(tmp_path / "a.benchlog", soaking)
    with SessionReader(path) as reader:
        found = reader.broken_off()
    assert found is not None
    assert (found.in_soak, found.wall) == (soaking, WALL + timedelta(seconds=61, microseconds=100))
    assert main(["show", str(path)]) == 0
    said = capsys.readouterr().out
    assert f"is of {found.wall:%H:%M:%S}" in said
    assert lost in said


def test_who_goes_on_ends_it_first(tmp_path: Path) -> None:
    path = broken(tmp_path / "a.benchlog", soaking=False)
    later = WALL + timedelta(days=3)
    writer = SessionWriter.append_to(path, later)
    writer.add_entry(Noted("went on"), None, later)
    writer.close()
    with SessionReader(path) as reader:
        assert reader.broken_off() is None
        (run,) = reader.runs()
        assert run.span_us == (1_000_000, 61_000_100)
        *_, ended, note = reader.entries()
    assert isinstance(ended.payload, RunEnded)
    assert ended.payload.outcome is Outcome.UNDECIDED
    assert "may be missing" in ended.payload.reason
    assert note.wall == later
    assert verify(path).ok
    SessionWriter.append_to(path, later + timedelta(days=1)).close()
    with SessionReader(path) as reader:
        assert len(reader.entries()) == 4


def test_a_run_with_its_end_did_not_break_off(tmp_path: Path) -> None:
    path = tmp_path / "a.benchlog"
    writer = SessionWriter.create(path, JOB, WALL)
    writer.add_entry(RunBegun(RunSetup(Unit(), (), {})), 1_000_000, WALL)
    writer.add_entry(RunEnded(Outcome.COMPLETED, "Done.", ()), 2_000_000, WALL)
    writer.close()
    with SessionReader(path) as reader:
        assert reader.broken_off() is None
