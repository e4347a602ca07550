"""Copies: compact, of a running session, and without the customer."""

import hashlib
import sqlite3
from pathlib import Path

import pytest
from session_strategies import CURRENT, JOB, WALL, fill, make, measured

from benchlog.model.errors import SessionFault
from benchlog.model.history import Approved, Entry, JobEntered, Noted, Withheld
from benchlog.model.job import Customer, Job
from benchlog.session.copying import copy_session, withhold
from benchlog.session.reader import SessionReader
from benchlog.session.verification import verify
from benchlog.session.writer import SessionWriter


def test_a_copy_of_a_running_session_is_whole(tmp_path: Path) -> None:
    path, out = tmp_path / "a.benchlog", tmp_path / "copy.benchlog"
    writer = SessionWriter.create(path, JOB, WALL)
    fill(writer, 500)
    copy_session(path, out)
    writer.copy_to(tmp_path / "own.benchlog")
    head = writer.head()
    writer.add_readings([measured(CURRENT, 1.0, 900_000_000)])
    assert writer.close()
    for copy in (out, tmp_path / "own.benchlog"):
        found = verify(copy)
        assert (found.ok, found.readings, found.head) == (True, 1000, head)
    assert verify(path).readings == 1001
    assert out.stat().st_size <= path.stat().st_size
    assert not list(tmp_path.glob("copy*-*"))


def test_a_copy_never_writes_over_anything(tmp_path: Path) -> None:
    path = make(tmp_path / "a.benchlog")
    (tmp_path / "there").write_text("mine")
    for copying in (copy_session, withhold):
        with pytest.raises(SessionFault, match="exists already"):
            copying(path, tmp_path / "there")
        with pytest.raises(SessionFault, match=r"Check|Make"):
            copying(path, tmp_path / "no folder" / "b.benchlog")
    assert (tmp_path / "there").read_text() == "mine"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.benchlog", "there"]


SECRET = "Invented Person of Nowhere"


@pytest.fixture
def with_customer(tmp_path: Path) -> Path:
    path = tmp_path / "a.benchlog"
    writer = SessionWriter.create(
        path, Job(number="77", customer=Customer(SECRET, "x"), simulated=True), WALL
    )
    fill(writer, 300)
    writer.add_entry(Noted(SECRET + " called " + "z" * 9000), None, WALL)
    writer.add_entry(Approved(True, "120", SECRET, "telephone"), None, WALL)
    assert writer.close()
    assert SECRET.encode() in path.read_bytes()
    return path


def test_withheld_copy_verifies_with_the_same_head_and_holds_no_secret(
    with_customer: Path, tmp_path: Path
) -> None:
    before = hashlib.sha256(with_customer.read_bytes()).digest()
    out = tmp_path / "stranger.benchlog"
    numbers = withhold(with_customer, out)
    assert hashlib.sha256(with_customer.read_bytes()).digest() == before
    assert SECRET.encode() not in out.read_bytes()
    original, copy = verify(with_customer), verify(out)
    assert copy.ok
    assert copy.head == original.head
    assert (copy.withheld, copy.readings) == (numbers, original.readings)
    with SessionReader(out, untrusted=True) as reader:
        entries = reader.entries()
        assert entries[0].payload == Withheld("job")
        assert entries[-1].payload == Withheld("approval")
        assert reader.job() == Job()
        assert reader.simulated
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.benchlog", "stranger.benchlog"]


def test_salts_are_withheld_too(with_customer: Path, tmp_path: Path) -> None:
    # Without its salt a digest does not let a guessed payload be tried.
    out = tmp_path / "stranger.benchlog"
    withhold(with_customer, out)
    db = sqlite3.connect(with_customer)
    salt = db.execute("select salt from entry where seq = 1").fetchone()[0]
    db.close()
    assert len(salt) == 16
    assert salt not in out.read_bytes()


def test_what_is_withheld_can_be_chosen(with_customer: Path, tmp_path: Path) -> None:
    def which(entry: Entry) -> bool:
        return isinstance(entry.payload, JobEntered)

    assert withhold(with_customer, tmp_path / "b.benchlog", which) == (1,)
    assert withhold(tmp_path / "b.benchlog", tmp_path / "c.benchlog", lambda e: e.seq == 2) == (2,)
    found = verify(tmp_path / "c.benchlog")
    assert (found.ok, found.withheld) == (True, (1, 2))


def test_a_withheld_copy_can_be_gone_on_with(with_customer: Path, tmp_path: Path) -> None:
    out = tmp_path / "b.benchlog"
    withhold(with_customer, out)
    writer = SessionWriter.append_to(out, WALL)
    writer.add_entry(Noted("from the other workshop"), None, WALL)
    assert writer.close()
    assert verify(out).ok
