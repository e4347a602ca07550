"""What a technician is told when a session file can't be used, and that nothing is lost meanwhile."""

import shutil
import sqlite3
import subprocess
import sys
from datetime import timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from session_strategies import CURRENT, JOB, WALL, fill, make, measured

from benchlog.model.errors import Exit, SessionDamaged, SessionFault
from benchlog.model.history import Noted
from benchlog.session import schema
from benchlog.session.reader import SessionReader
from benchlog.session.verification import verify
from benchlog.session.writer import SessionWriter


def test_a_file_cut_short_anywhere_is_told(tmp_path: Path) -> None:
    path = make(tmp_path / "a.benchlog", 200)
    content = path.read_bytes()
    for cut in (1, 99, 100, 4095, 4096, len(content) // 2, len(content) - 4096, len(content) - 1):
        path.write_bytes(content[:cut])
        with (
            pytest.raises(SessionDamaged, match=r"open another copy|Choose"),
            SessionReader(path, untrusted=True) as reader,
        ):
            reader.entries()
        found = verify(path)
        assert not found.ok
        assert found.faults


def test_an_empty_file_is_told(tmp_path: Path) -> None:
    path = tmp_path / "a.benchlog"
    path.touch()
    with pytest.raises(SessionDamaged, match=r"cut short. Look for another copy"):
        SessionReader(path)


@pytest.mark.parametrize("content", [b"a text\n" * 500, b"\x89PNG\r\n" + bytes(9000), b"%PDF-1.7"])
def test_something_else_is_not_a_session(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "a.benchlog"
    path.write_bytes(content)
    for opening in (SessionReader, lambda p: SessionWriter.append_to(p, WALL)):
        with pytest.raises(SessionDamaged, match=r"not a session file. Choose a file that ends in .benchlog"):
            opening(path)
    assert path.read_bytes() == content
    assert not verify(path).ok


def test_another_sqlite_file_is_not_a_session(tmp_path: Path) -> None:
    path = tmp_path / "a.benchlog"
    db = sqlite3.connect(path)
    db.execute("create table t (a)")
    db.close()
    with pytest.raises(SessionDamaged, match=r"not a session file"):
        SessionReader(path)


def _set_version(path: Path, version: int) -> None:
    db = sqlite3.connect(path)
    db.execute(f"pragma user_version = {version}")
    db.close()


def test_newer_is_refused_and_not_touched(tmp_path: Path) -> None:
    path = make(tmp_path / "a.benchlog")
    _set_version(path, schema.VERSION + 1)
    content = path.read_bytes()
    for opening in (SessionReader, lambda p: SessionWriter.append_to(p, WALL)):
        with pytest.raises(
            SessionFault, match=r"newer program.*Open it with a newer program; nothing was changed"
        ):
            opening(path)
    assert path.read_bytes() == content
    assert "newer" in verify(path).faults[0]


def test_a_version_that_never_was_is_refused(tmp_path: Path) -> None:
    path = make(tmp_path / "a.benchlog")
    _set_version(path, 0)
    with pytest.raises(SessionDamaged, match=r"no program wrote"):
        SessionReader(path)


def test_older_is_read_through_views_and_not_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = make(tmp_path / "a.benchlog")
    db = sqlite3.connect(path)
    db.execute("alter table entry rename to line")
    db.execute("pragma user_version = 0")
    db.close()
    monkeypatch.setitem(schema.OLDER, 0, ("create temp view entry as select * from line",))
    with SessionReader(path) as reader:
        assert len(reader.entries()) == 2
        assert reader.job() == JOB
    with pytest.raises(SessionFault, match=r"older program and is only read. Copy it into a new session"):
        SessionWriter.append_to(path, WALL)


def test_missing_file_and_folder(tmp_path: Path) -> None:
    with pytest.raises(SessionFault, match=r"There is no session file.*Check"):
        SessionReader(tmp_path / "none.benchlog")
    with pytest.raises(SessionFault, match=r"There is no session file.*Check"):
        SessionWriter.append_to(tmp_path / "none.benchlog", WALL)
    with pytest.raises(SessionFault, match=r"There is no session file.*Check"):
        verify(tmp_path / "none.benchlog")
    with pytest.raises(SessionFault, match=r"folder"):
        SessionReader(tmp_path / "no folder" / "none.benchlog")
    with pytest.raises(SessionFault, match=r"There is no folder .*Make it"):
        SessionWriter.create(tmp_path / "no folder" / "none.benchlog", JOB, WALL)
    assert list(tmp_path.iterdir()) == []
    assert SessionFault.exit_code is Exit.ENVIRONMENT


def test_an_existing_file_is_not_written_over(tmp_path: Path) -> None:
    path = make(tmp_path / "a.benchlog")
    content = path.read_bytes()
    with pytest.raises(SessionFault, match=r"exists already. Choose another name"):
        SessionWriter.create(path, JOB, WALL)
    assert path.read_bytes() == content
    assert [p.name for p in tmp_path.iterdir()] == ["a.benchlog"]


AS_NOBODY = """
import os
import sys
from datetime import datetime, UTC
from pathlib import Path
from benchlog.model.errors import SessionFault
from benchlog.session.reader import SessionReader
from benchlog.session.writer import SessionWriter
path = Path(sys.argv[1])
if os.getuid() == 0:
    os.setgroups([])
    os.setegid(65534)
    os.seteuid(65534)
with SessionReader(path) as reader:
    print(len(reader.entries()))
try:
    SessionWriter.append_to(path, datetime.now(UTC))
except SessionFault as fault:
    print(fault)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="rights of another kind")
@pytest.mark.parametrize("folder_mode", [0o555, 0o777])
def test_read_only_is_read_and_told(folder_mode: int) -> None:
    # not in the test's own folder: others may not enter that
    with TemporaryDirectory() as name:
        Path(name).chmod(0o755)
        folder = Path(name) / "read-only"
        folder.mkdir()
        path = make(folder / "a.benchlog")
        path.chmod(0o444)
        folder.chmod(folder_mode)
        done = subprocess.run(
            [sys.executable, "-c", AS_NOBODY, str(path)], capture_output=True, text=True, check=False
        )
        folder.chmod(0o755)
    assert done.returncode == 0, done.stderr
    count, message = done.stdout.splitlines()
    assert count == "2"
    assert "read-only. Copy it to a folder of your own" in message


@pytest.mark.skipif(sys.platform == "win32", reason="rights of another kind")
def test_a_folder_that_may_not_be_entered_is_told() -> None:
    with TemporaryDirectory() as name:
        folder = Path(name) / "closed"
        folder.mkdir(mode=0o700)
        path = make(folder / "a.benchlog")
        Path(name).chmod(0o755)
        folder.chmod(0)
        done = subprocess.run(
            [sys.executable, "-c", AS_NOBODY, str(path)], capture_output=True, text=True, check=False
        )
        folder.chmod(0o755)
    assert "SessionFault" in done.stderr
    assert "Check that you may read it" in done.stderr


def _fill_disk(writer: SessionWriter, pages: int) -> None:
    writer._db.execute(f"pragma max_page_count = {pages}")


def test_disk_full_keeps_everything_and_stores_it_later(tmp_path: Path) -> None:
    path = tmp_path / "a.benchlog"
    writer = SessionWriter.create(path, JOB, WALL)
    fill(writer, 20)
    now = writer._db.execute("pragma page_count").fetchone()[0]
    _fill_disk(writer, now + 2)
    told: list[str] = []
    for k in range(20, 2000):
        at = (k + 1) * 100_000
        writer.add_readings([measured(CURRENT, 0.3, at)])
        if k % 50 == 0:
            writer.add_entry(Noted(f"n{k}"), at, WALL)
        try:
            if k % 10 == 9:
                writer.commit()
        except SessionFault as fault:
            told.append(str(fault))
    assert told
    assert all("disk is full" in text and "Make room" in text for text in told)
    waiting = writer.waiting
    assert waiting > 100
    before = verify(path)
    assert before.ok
    assert before.readings + waiting == 2000 + 20
    _fill_disk(writer, 1 << 30)
    assert writer.commit()
    assert writer.waiting == 0
    writer.close()
    after = verify(path)
    assert (after.ok, after.readings) == (True, 2020)
    with SessionReader(path) as reader:
        assert [e.seq for e in reader.entries()] == list(range(1, after.entries + 1))
        assert reader.window(CURRENT, 0, 1 << 40, 10_000).count == 2000


def test_close_on_a_full_disk_tells_and_lets_go(tmp_path: Path) -> None:
    path = tmp_path / "a.benchlog"
    writer = SessionWriter.create(path, JOB, WALL)
    _fill_disk(writer, writer._db.execute("pragma page_count").fetchone()[0])
    writer.add_readings([measured(CURRENT, 0.3, k * 100_000 + 100_000) for k in range(1000)])
    with pytest.raises(SessionFault, match=r"disk is full"):
        writer.close()
    again = SessionWriter.append_to(path, WALL + timedelta(minutes=5))
    assert again.close()
    assert verify(path).ok


def test_vanished_folder_is_told_and_nothing_counts_as_stored(tmp_path: Path) -> None:
    folder = tmp_path / "gone"
    folder.mkdir()
    writer = SessionWriter.create(folder / "a.benchlog", JOB, WALL)
    fill(writer, 20)
    shutil.rmtree(folder)
    writer.add_readings([measured(CURRENT, 0.3, 5_000_000)])
    for _ in range(2):
        with pytest.raises(SessionFault, match=r"folder of the session file .* is gone.*Bring it back"):
            writer.commit()
        assert writer.waiting == 1
    with pytest.raises(SessionFault, match=r"gone"):
        writer.close()


def test_a_folder_that_comes_back_takes_what_waited(tmp_path: Path) -> None:
    folder = tmp_path / "comes-and-goes"
    folder.mkdir()
    writer = SessionWriter.create(folder / "a.benchlog", JOB, WALL)
    fill(writer, 20)
    folder.rename(tmp_path / "elsewhere")
    writer.add_readings([measured(CURRENT, 0.3, 5_000_000)])
    with pytest.raises(SessionFault, match=r"gone"):
        writer.commit()
    (tmp_path / "elsewhere").rename(folder)
    assert writer.commit()
    assert writer.close()
    found = verify(folder / "a.benchlog")
    assert (found.ok, found.readings) == (True, 41)


def test_a_log_that_another_program_deleted_is_told(tmp_path: Path) -> None:
    path = tmp_path / "a.benchlog"
    writer = SessionWriter.create(path, JOB, WALL)
    fill(writer, 20)
    Path(f"{path}-wal").unlink()
    writer.add_readings([measured(CURRENT, 0.3, 5_000_000)])
    with pytest.raises(SessionFault, match=r"gone"):
        writer.commit()
    with pytest.raises(SessionFault, match=r"gone"):
        writer.close()


def test_a_commit_that_failed_after_it_was_stored_is_not_stored_twice(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a.benchlog"
    writer = SessionWriter.create(path, JOB, WALL)
    fill(writer, 20)
    writer.add_readings([measured(CURRENT, 0.3, 5_000_000)])
    checks = iter([None, SessionFault("as if the disk was gone after the commit")])

    def check() -> None:
        fault = next(checks, None)
        if fault:
            raise fault

    monkeypatch.setattr(writer, "_check_there", check)
    with pytest.raises(SessionFault, match=r"as if"):
        writer.commit()
    writer.add_readings([measured(CURRENT, 0.4, 6_000_000)])
    assert writer.commit()
    assert writer.close()
    found = verify(path)
    assert (found.ok, found.readings) == (True, 42)


def test_readings_that_wait_too_long_are_given_up_oldest_first(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("benchlog.session.writer.MOST_WAITING", 100)
    writer = SessionWriter.create(tmp_path / "a.benchlog", JOB, WALL)
    writer.add_readings([measured(CURRENT, float(k), k * 100_000 + 100_000) for k in range(130)])
    assert (writer.dropped, writer.waiting) == (30, 100)
    writer.close()
    with SessionReader(tmp_path / "a.benchlog") as reader:
        assert reader.readings(CURRENT).value[0] == 30.0
    assert verify(tmp_path / "a.benchlog").ok


def test_tables_of_another_making_are_refused_before_anything_of_them_runs(tmp_path: Path) -> None:
    path = make(tmp_path / "a.benchlog")
    db = sqlite3.connect(path)
    db.execute("drop table meta")
    db.execute("create view meta as select load_extension('x') as key, 1 as value")
    db.close()
    with pytest.raises(SessionDamaged, match=r"changed by another program. Ask for the file"):
        SessionReader(path)
    with pytest.raises(SessionDamaged, match=r"changed by another program"):
        SessionWriter.append_to(path, WALL)
