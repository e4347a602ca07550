"""The end of a session, in order and not; and what another process finds afterwards."""

import os
import signal
import sqlite3
import subprocess
import sys
from datetime import timedelta
from pathlib import Path

import pytest
from session_strategies import CURRENT, JOB, WALL, fill, make, measured

from benchlog.model.errors import SessionHeld
from benchlog.model.history import Noted
from benchlog.session import connection
from benchlog.session.lock import Holder, SessionLock, holder_of, lock_path
from benchlog.session.reader import SessionReader
from benchlog.session.verification import verify
from benchlog.session.writer import SessionWriter, finish

RECORDER = """
import sys
from datetime import datetime, UTC
from itertools import count
from pathlib import Path
from benchlog.model.job import Job
from benchlog.model.quantity import Quantity
from benchlog.model.reading import Channel, Measured
from benchlog.model.role import Role
from benchlog.session.lock import Holder
from benchlog.session.writer import SessionWriter
import os
channel = Channel(Role.SOURCE_CURRENT, Quantity.AC_CURRENT, "clamp meter")
holder = Holder(os.getpid(), datetime.now(UTC), "bring-up", "127.0.0.1:5555")
writer = SessionWriter.create(Path(sys.argv[1]), Job(number="killed"), datetime.now(UTC), holder=holder)
for k in count(1):
    writer.add_readings([(Measured(channel, 0.1, k * 1000 - 500, k * 1000), k * 1000 + 10)])
    if k % 5 == 0:
        writer.commit()
        print(k, flush=True)
"""


def record(path: Path) -> "subprocess.Popen[str]":
    return subprocess.Popen([sys.executable, "-c", RECORDER, str(path)], stdout=subprocess.PIPE, text=True)


def end(process: "subprocess.Popen[str]") -> int:
    """Kill it; returns how many readings it had said were stored."""
    os.kill(process.pid, signal.SIGKILL)
    assert process.stdout is not None
    said = [line for line in process.stdout.read().splitlines(keepends=True) if line.endswith("\n")]
    process.stdout.close()
    process.wait()
    return int(said[-1]) if said else 0


def test_a_closed_session_is_one_file(tmp_path: Path) -> None:
    make(tmp_path / "a.benchlog")
    assert [p.name for p in tmp_path.iterdir()] == ["a.benchlog"]


def test_a_reader_that_stays_keeps_the_log_and_the_next_one_finishes(tmp_path: Path) -> None:
    path = tmp_path / "a.benchlog"
    writer = SessionWriter.create(path, JOB, WALL)
    fill(writer, 30)
    reader = SessionReader(path)
    assert len(reader.entries()) == 2
    waits: list[float] = []
    assert not writer.close(wait=waits.append)
    assert waits == [0.05] * 39
    assert Path(f"{path}-wal").exists()
    assert len(reader.entries()) == 2
    assert not finish(path, waits.append)
    reader.close()
    assert finish(path)
    assert [p.name for p in tmp_path.iterdir()] == ["a.benchlog"]
    assert verify(path).readings == 60


def test_finish_leaves_a_session_alone_that_is_recorded_or_whole(tmp_path: Path) -> None:
    path = make(tmp_path / "a.benchlog")
    content = path.read_bytes()
    assert finish(path)
    assert path.read_bytes() == content
    writer = SessionWriter.append_to(path, WALL)
    writer.add_entry(Noted("x"), None, WALL)
    writer.commit()
    assert not finish(path)
    assert writer.close()


def test_a_reader_sees_every_commit_at_once(tmp_path: Path) -> None:
    writer = SessionWriter.create(tmp_path / "a.benchlog", JOB, WALL)
    with SessionReader(tmp_path / "a.benchlog") as reader:
        for k in range(1, 20):
            writer.add_readings([measured(CURRENT, 0.1, k * 100_000)])
            writer.commit()
            assert reader.count(CURRENT) == k
            assert reader.head() == writer.head()
    assert writer.close()


@pytest.mark.skipif(sys.platform == "win32", reason="kills with a signal")
def test_what_was_committed_outlives_a_kill(tmp_path: Path) -> None:
    path = tmp_path / "a.benchlog"
    process = record(path)
    assert process.stdout is not None
    for _ in range(20):
        process.stdout.readline()
    held = holder_of(path)
    assert held is not None
    assert (held.pid, held.what, held.address) == (process.pid, "bring-up", "127.0.0.1:5555")
    with pytest.raises(
        SessionHeld, match=rf"process {process.pid} \(bring-up\) since .*Add entries through it"
    ):
        SessionWriter.append_to(path, WALL)
    said = end(process)
    assert holder_of(path) is None
    found = verify(path)
    assert found.ok
    assert found.readings >= said >= 100
    with SessionReader(path) as reader:
        assert reader.count(CURRENT) == found.readings
        last = reader.wall_at(reader.span_us[1])
    writer = SessionWriter.append_to(path, last + timedelta(days=1))
    writer.add_entry(Noted("recording broke off"), None, last + timedelta(days=1))
    assert writer.close()
    assert [p.name for p in tmp_path.iterdir()] == ["a.benchlog"]
    after = verify(path)
    assert (after.ok, after.readings, after.entries) == (True, found.readings, 2)


def test_two_writers_of_one_process_are_refused_too(tmp_path: Path) -> None:
    writer = SessionWriter.create(tmp_path / "a.benchlog", JOB, WALL)
    with pytest.raises(SessionHeld):
        SessionWriter.append_to(tmp_path / "a.benchlog", WALL)
    writer.close()
    SessionWriter.append_to(tmp_path / "a.benchlog", WALL).close()


def test_the_holder_can_say_more_later(tmp_path: Path) -> None:
    path = tmp_path / "a.benchlog"
    writer = SessionWriter.create(path, JOB, WALL)
    assert holder_of(path) == Holder(os.getpid())
    writer.tell(Holder(7, WALL, "soak"))
    assert holder_of(path) == Holder(7, WALL, "soak")
    writer.close()
    assert holder_of(path) is None


def test_a_lock_file_that_nobody_holds_is_no_lock(tmp_path: Path) -> None:
    path = tmp_path / "a.benchlog"
    lock_path(path).write_text("left over from a crash")
    assert holder_of(path) is None
    with SessionLock(path):
        assert holder_of(path) == Holder(os.getpid())
    assert not lock_path(path).exists()


def test_a_lock_is_not_handed_to_children(tmp_path: Path) -> None:
    path = tmp_path / "a.benchlog"
    lock = SessionLock(path)
    child = subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE)
    lock.release()
    try:
        assert holder_of(path) is None
        SessionLock(path).release()
    finally:
        child.communicate(b"\n")


def test_a_failed_creation_leaves_nothing_and_no_lock(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a.benchlog"
    monkeypatch.setattr("benchlog.session.schema.TABLES", ("create table broken (",))
    with pytest.raises(Exception, match="can't be"):
        SessionWriter.create(path, JOB, WALL)
    assert list(tmp_path.iterdir()) == []


CHANGER = """
import os, sqlite3, sys
db = sqlite3.connect(sys.argv[1], isolation_level=None)
db.execute("pragma cache_size = 1")
db.execute("begin immediate")
db.execute("update entry set payload = payload || ' '")
db.execute("delete from reading")
os._exit(9)
"""


@pytest.mark.parametrize("way", ["read", "verify", "finish", "write"])
def test_what_a_killed_program_had_begun_to_change_is_taken_back(tmp_path: Path, way: str) -> None:
    """A rollback journal is left where a program dies while SQLite changes over to its log."""
    path = make(tmp_path / "killed.benchlog")
    before = verify(path)
    child = subprocess.run([sys.executable, "-c", CHANGER, str(path)], check=False)
    assert child.returncode == 9
    journal = path.with_name(path.name + "-journal")
    assert journal.stat().st_size > 512
    if way == "finish":
        assert finish(path)
    if way == "write":
        SessionWriter.append_to(path, WALL).close()
    if way == "read":
        with SessionReader(path) as reader:
            assert list(reader.entries())
    after = verify(path)
    assert after.ok
    assert way == "write" or after.head == before.head
    assert not journal.exists()


def test_a_session_whose_program_died_before_it_stored_anything_is_empty_and_no_more(tmp_path: Path) -> None:
    path = tmp_path / "empty.benchlog"
    connection.create(path).close()
    found = verify(path)
    assert found.ok
    assert found.head == ""
    assert "ended before it stored anything" in found.notes[0]
    db = sqlite3.connect(path)
    db.execute("insert into meta values ('program', 'another')")
    db.commit()
    db.close()
    assert not verify(path).ok
