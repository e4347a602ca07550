"""What the window can ask the recorder for, word by word: real recorder, simulated bench."""

import socket
import subprocess
import sys
import time
from pathlib import Path

import msgspec
import pytest

from benchlog.bench.file import load_bench
from benchlog.model.event import Key
from benchlog.model.protocol import (
    Answered,
    BenchAsked,
    Closed,
    Closing,
    Hello,
    InstrumentsNow,
    JobAsked,
    Live,
    Painted,
    Ping,
    Pong,
    PowerState,
    Pressed,
    Raw,
    RawAsked,
    ReferenceAsked,
    ReferenceNow,
    RehearsalAsked,
    RolesGiven,
    RunAsked,
    WantsToClose,
    decode_to_window,
    encode,
)
from benchlog.model.reference import Reference, ReferencePoint
from benchlog.model.role import Role
from benchlog.model.unit import Unit
from benchlog.session.reader import SessionReader

RELAYED = Path(__file__).with_name("relayed.py")


class Window:
    """A window of words: answers heartbeats and closings by itself, keeps the rest."""

    def __init__(self, line):
        self.line = line
        self.rest = b""
        self.heard = []
        self.say(Painted())

    def say(self, message):
        self.line.sendall(encode(message))

    def until(self, wanted, seconds=60.0):
        """The first message for which ``wanted`` holds; what came before it is forgotten."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            while self.heard:
                message = self.heard.pop(0)
                if wanted(message):
                    return message
            self._read()
        raise AssertionError("the recorder did not say that")

    def hears(self, wanted, seconds=60.0):
        """Wait for such a message; nothing is forgotten."""
        end = time.monotonic() + seconds
        while time.monotonic() < end and not any(map(wanted, self.heard)):
            self._read()
        return any(map(wanted, self.heard))

    def of(self, kind):
        return self.until(lambda message: isinstance(message, kind))

    def _read(self):
        *lines, self.rest = (self.rest + self.line.recv(65536)).split(b"\n")
        for message in map(decode_to_window, lines):
            if isinstance(message, Ping):
                self.say(Pong(message.n, 0.1))
            elif isinstance(message, Closing):
                self.say(Closed())
            else:
                self.heard.append(message)


@pytest.fixture
def opened(tmp_path, monkeypatch):
    for name in ("XDG_STATE_HOME", "XDG_DATA_HOME", "XDG_CONFIG_HOME"):
        monkeypatch.setenv(name, str(tmp_path / name))
    listener = socket.create_server(("127.0.0.1", 0))
    command = [sys.executable, str(RELAYED), str(listener.getsockname()[1]), "open"]
    with (tmp_path / "said").open("wb") as said:
        child = subprocess.Popen(
            [*command, str(tmp_path / "real.benchlog")], stdin=subprocess.DEVNULL, stderr=said
        )
    line, _ = listener.accept()
    line.settimeout(60.0)
    yield Window(line), child
    line.close()
    listener.close()
    try:
        child.wait(20)
    except subprocess.TimeoutExpired:
        child.kill()
        child.wait()


def test_what_the_window_can_ask_for(opened, tmp_path):
    window, child = opened
    hello = window.of(Hello)
    assert (hello.takes_requests, hello.bench_path, hello.simulated, hello.steps) == (True, "", False, ())
    window.say(RunAsked(Unit()))
    assert "Choose a bench file" in window.of(Answered).text
    window.say(BenchAsked(str(tmp_path / "none.toml")))
    assert "There is no bench file" in window.of(Answered).text
    window.say(RehearsalAsked({"fault": "no-such"}))
    assert "rail-short" in window.of(Answered).text

    window.say(RehearsalAsked({"seed": "3", "time_scale": "20"}))
    hello = window.of(Hello)
    assert hello.simulated
    assert hello.time_scale == 20.0
    assert "rehearsal" in hello.session_path
    rehearsed, bench = Path(hello.session_path), Path(hello.bench_path)
    assert window.hears(lambda m: isinstance(m, Live) and m.points)
    found = window.until(lambda m: isinstance(m, InstrumentsNow) and any(i.up for i in m.instruments))
    assert {"source", "bench-meter"} <= {i.name for i in found.instruments}
    window.say(RawAsked(True))
    raw = window.of(Raw)
    assert raw.lines[0][1] in "<>"
    window.say(RawAsked(False))
    look_for_other_jobs(window, tmp_path)
    ask_for_a_reference(window, tmp_path)
    change_a_part(window, bench)
    run_and_end(window, hello)
    window.say(JobAsked(""))
    hello = window.of(Hello)
    assert not hello.simulated
    window.say(WantsToClose(power_off=False))
    assert child.wait(20) == 0
    with SessionReader(rehearsed) as reader:
        assert reader.simulated
        assert len(reader.runs()) == 1
    with SessionReader(tmp_path / "real.benchlog") as reader:
        assert not reader.simulated


def look_for_other_jobs(window, folder):
    window.say(JobAsked(str(folder / "none.benchlog")))
    assert "There is no session" in window.of(Answered).text


def ask_for_a_reference(window, folder):
    window.say(ReferenceAsked((str(folder / "none.json"),)))
    assert "none.json" in window.of(ReferenceNow).fault
    given = Reference("J-009", 120.0, (ReferencePoint(0.1, 0.04, 0.05), ReferencePoint(1.0, 0.3, 0.36)))
    path = folder / "reference.json"
    path.write_bytes(msgspec.json.encode(given))
    window.say(ReferenceAsked((str(path),)))
    assert window.of(ReferenceNow) == ReferenceNow((str(path),), given)


def change_a_part(window, path):
    """Another part for an instrument: the bench file is written, the former one kept beside it."""
    before = load_bench(path)
    meter = next(i for i in before.instrument if Role.RAIL_MINUS in i.roles)
    window.say(RolesGiven({meter.name: tuple(r for r in meter.roles if r is not Role.RAIL_MINUS)}))
    window.of(Hello)
    assert load_bench(path).playing(Role.RAIL_MINUS) is None
    assert load_bench(path.with_name(path.name + ".before")) == before
    window.say(RolesGiven({meter.name: (Role.SOURCE,)}))
    assert "source" in window.of(Answered).text


def run_and_end(window, hello):
    window.say(RunAsked(hello.job.unit, ask=True, references=("no-such-job",)))
    assert "no-such-job" in window.of(Answered).text
    asked = RunAsked(hello.job.unit, ask=True)
    window.say(asked)
    found = window.until(lambda m: isinstance(m, Answered | Hello))
    if isinstance(found, Answered):
        assert found.question
        window.say(RunAsked(hello.job.unit, ask=True, checked="looked at"))
        found = window.of(Hello)
    assert len(found.steps) == 11
    window.until(lambda m: isinstance(m, PowerState) and m.on)
    window.say(JobAsked(""))
    assert "End the run first" in window.of(Answered).text
    window.say(Pressed(Key.STOP, "enough"))
    window.until(lambda m: isinstance(m, PowerState) and not m.on and m.confirmed)
