"""The recorder in a process of its own, killed and stopped: the standby takes the source away."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from recorder_fakes import SourceServer

from benchlog.model.clock import RealClock
from benchlog.model.errors import SessionHeld
from benchlog.model.event import Key, KeyPressed
from benchlog.model.history import Noted, RunEnded, RunTold
from benchlog.recorder.control import send_entry, send_key
from benchlog.session.reader import SessionReader
from benchlog.session.verification import verify
from benchlog.session.writer import SessionWriter, finish

CHILD = Path(__file__).with_name("recorder_child.py")
pytestmark = [pytest.mark.alone, pytest.mark.skipif(sys.platform == "win32", reason="POSIX signals")]


class Recording:
    """A recorder child on a source that runs in this process."""

    def __init__(self, session: Path, length_s: float = 30.0) -> None:
        self.session = session
        self.server = SourceServer()
        self.child = subprocess.Popen(
            [sys.executable, str(CHILD), str(self.server.port), str(session), str(length_s)],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )

    def wait_on(self) -> None:
        assert self.server.on.wait(20.0), self.child.communicate()[0] if self.child.poll() else "not on"
        time.sleep(0.4)

    def off_after_s(self, since_ns: int, timeout_s: float = 5.0) -> float:
        assert self.server.off.wait(timeout_s)
        return (self.server.off_ns[0] - since_ns) / 1e9

    def finish(self) -> str:
        return self.child.communicate(timeout=20.0)[0]

    def close(self) -> None:
        if self.child.poll() is None:
            self.child.kill()
        self.child.communicate()
        self.server.close()


@pytest.fixture
def recording(tmp_path: Path) -> Iterator[Recording]:
    recording = Recording(tmp_path / "unit.benchlog")
    recording.wait_on()
    yield recording
    recording.close()


def entries(path: Path) -> list[object]:
    with SessionReader(path) as reader:
        return [entry.payload for entry in reader.entries()]


def test_killed_recorder_source_off_and_session_whole(recording: Recording) -> None:
    killed_ns = time.monotonic_ns()
    recording.child.kill()
    assert recording.off_after_s(killed_ns) < 1.5
    recording.child.wait()
    assert finish(recording.session)
    result = verify(recording.session)
    assert result.ok
    with SessionReader(recording.session) as reader:
        last_us = reader.readings(reader.channels()[0]).t_us[-1]
        first_us = reader.readings(reader.channels()[0]).t_us[0]
    assert last_us - first_us > 0


def test_stopped_recorder_source_off_and_cut_off_told_when_it_wakes(recording: Recording) -> None:
    stopped_ns = time.monotonic_ns()
    os.kill(recording.child.pid, signal.SIGSTOP)
    assert recording.off_after_s(stopped_ns) < 1.5
    os.kill(recording.child.pid, signal.SIGCONT)
    text = recording.finish()
    assert "The standby switched the source off" in text
    assert not recording.server.state["output_on"]
    (ended,) = [payload for payload in entries(recording.session) if isinstance(payload, RunEnded)]
    assert ended.outcome == "cut-off"


def test_interrupt_cuts_off_first(recording: Recording) -> None:
    sent_ns = time.monotonic_ns()
    recording.child.send_signal(signal.SIGINT)
    assert recording.off_after_s(sent_ns) < 0.5
    recording.finish()
    assert recording.child.returncode == 0
    told = [payload.event for payload in entries(recording.session) if isinstance(payload, RunTold)]
    assert [event.key for event in told if isinstance(event, KeyPressed)] == [Key.CUT_OFF]


def test_termination_cuts_off_and_closes_in_order(recording: Recording) -> None:
    recording.child.terminate()
    recording.finish()
    assert recording.child.returncode == 0
    assert not recording.server.state["output_on"]
    assert verify(recording.session).ok


def test_another_program_adds_entries_and_cuts_off(recording: Recording) -> None:
    with pytest.raises(SessionHeld):
        SessionWriter.append_to(recording.session, RealClock().wall())
    seq = send_entry(recording.session, Noted("fuse looks original", by="A."))
    send_key(recording.session, Key.CUT_OFF, "smoke")
    recording.finish()
    assert not recording.server.state["output_on"]
    with SessionReader(recording.session) as reader:
        noted = [
            entry
            for entry in reader.entries()
            if isinstance(entry.payload, Noted) and entry.payload.by == "A."
        ]
    assert [(entry.seq, entry.payload) for entry in noted] == [(seq, Noted("fuse looks original", by="A."))]
