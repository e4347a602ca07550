"""The writer: what happens while the disk is slow, full or gone."""

import threading
import time
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import pytest
from recorder_fakes import CURRENT

from benchlog.model.clock import Anchor, RealClock
from benchlog.model.errors import SessionFault
from benchlog.model.history import DiskTrouble, Entry, Noted, Payload
from benchlog.model.reading import Measured, Reading
from benchlog.recorder.writer import Writer


class Shelf:
    """Refuses commits while it is full, and keeps what it was given as a session's writer does."""

    def __init__(self) -> None:
        self.path = Path("unit.benchlog")
        self.dropped = 0
        self.full = False
        self.waiting: list[object] = []
        self.stored: list[object] = []
        self.anchors = 0
        self.entries = 0
        self.closed = False
        self.free = True
        self.commits = 0

    def add_readings(self, readings: object) -> None:
        self.waiting.extend(readings)  # type: ignore[arg-type]

    def add_entry(self, payload: Payload, t_us: int | None, wall: datetime) -> Entry:
        if isinstance(payload, Noted) and payload.text == "bad":
            raise ValueError("can't be stored")
        self.entries += 1
        self.waiting.append(payload)
        return Entry(self.entries, t_us or 0, wall, payload)

    def add_anchor(self, anchor: Anchor) -> None:
        self.anchors += 1

    def commit(self) -> None:
        self.commits += 1
        if self.full:
            raise SessionFault("The disk is full.")
        self.stored += self.waiting
        self.waiting = []

    def close(self) -> bool:
        self.closed = True
        self.commit()
        return self.free


@pytest.fixture
def shelf() -> Shelf:
    return Shelf()


@pytest.fixture
def writer(shelf: Shelf) -> Iterator[Writer]:
    failed: list[Exception] = []
    writer = Writer(shelf, RealClock(), lambda: 0.05, lambda name, error: failed.append(error))
    writer.start()
    yield writer
    if not shelf.closed:
        writer.close()
    assert failed == []


def reading(t_us: int) -> Reading:
    return Measured(CURRENT, 0.1, t_us - 10, t_us)


def test_an_entry_is_committed_at_once_and_in_order(writer: Writer, shelf: Shelf) -> None:
    writer.add_reading(reading(100), 105)
    posted = writer.add_entry(Noted("first"), 110)
    assert posted.done.wait(1.0)
    assert posted.seq == 1
    assert shelf.stored == [(reading(100), 105), Noted("first")]
    assert writer.unsaved_s() == 0.0
    assert shelf.anchors == 1


def test_readings_wait_for_their_interval_only(writer: Writer, shelf: Shelf) -> None:
    writer.add_reading(reading(100), 105)
    for _ in range(100):
        if shelf.stored:
            break
        time.sleep(0.01)
    assert shelf.stored == [(reading(100), 105)]


def test_a_full_disk_is_told_and_tried_again_until_it_takes_everything(writer: Writer, shelf: Shelf) -> None:
    shelf.full = True
    posted = writer.add_entry(Noted("kept"), 110)
    for _ in range(200):
        if writer.trouble:
            break
        time.sleep(0.01)
    assert writer.trouble == "The disk is full."
    assert not posted.done.is_set()
    assert writer.unsaved_s() > 0.0
    shelf.full = False
    assert posted.done.wait(2.0)
    assert posted.seq == 1
    writer.close()
    assert shelf.stored[0] == Noted("kept")
    trouble = [item for item in shelf.stored if isinstance(item, DiskTrouble)]
    assert len(trouble) == 1
    assert "The disk is full." in trouble[0].detail
    assert trouble[0].lost_s == 0.0


def test_an_entry_that_cannot_be_stored_harms_no_other(writer: Writer, shelf: Shelf) -> None:
    bad = writer.add_entry(Noted("bad"), 1)
    good = writer.add_entry(Noted("good"), 2)
    assert bad.done.wait(1.0)
    assert good.done.wait(1.0)
    assert "can't be stored" in bad.fault
    assert good.seq == 1


def test_what_is_left_is_written_at_the_end_and_a_full_disk_is_raised(writer: Writer, shelf: Shelf) -> None:
    shelf.full = True
    posted = writer.add_entry(Noted("lost"), 1)
    with pytest.raises(SessionFault, match="full"):
        writer.close()
    assert shelf.closed
    assert posted.done.is_set()
    assert posted.fault


def test_a_disk_that_hangs_at_the_end_is_a_fault_in_finite_time(shelf: Shelf) -> None:
    hang = threading.Event()
    shelf.commit = lambda: hang.wait(10.0) and None  # type: ignore[method-assign, assignment, func-returns-value]
    writer = Writer(shelf, RealClock(), lambda: 0.05, lambda *_: None)
    writer.start()
    writer.add_entry(Noted("x"), 1)
    with pytest.raises(SessionFault, match="does not answer"):
        writer.close(timeout_s=0.3)
    hang.set()


def test_memory_is_bounded_while_the_disk_hangs(shelf: Shelf, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("benchlog.recorder.writer.MOST_WAITING", 50)
    hang = threading.Event()
    commit = shelf.commit
    shelf.commit = lambda: (hang.wait(10.0), commit())[1]  # type: ignore[method-assign]
    writer = Writer(shelf, RealClock(), lambda: 0.05, lambda *_: None)
    writer.start()
    first = writer.add_entry(Noted("x"), 1)
    time.sleep(0.1)
    for i in range(80):
        writer.add_reading(reading(i), i)
    hang.set()
    assert first.done.wait(2.0)
    writer.close()
    readings = [item for item in shelf.stored if isinstance(item, tuple)]
    assert len(readings) == 50
    assert readings[-1][1] == 79
    (trouble,) = [item for item in shelf.stored if isinstance(item, DiskTrouble)]
    assert "30 readings are missing" in trouble.detail


def test_a_session_that_somebody_else_has_open_is_told(writer: Writer, shelf: Shelf) -> None:
    shelf.free = False
    writer.close()
    assert writer.left_open
