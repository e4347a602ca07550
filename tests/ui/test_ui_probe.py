"""A reading in the technician's hand: simulated meter, its line, recorder, window, and into the session.

Real processes and lines; the probes touch what the control line of the simulated bench is told.
"""

import json
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest

from benchlog.bench.file import load_bench
from benchlog.model.history import PointsListed, Taken
from benchlog.model.known import Known
from benchlog.model.point import PointKind, TestPoint
from benchlog.model.protocol import (
    Closed,
    Closing,
    EntryAdded,
    Hello,
    Live,
    Painted,
    Ping,
    Pong,
    WantsToClose,
    decode_to_window,
    encode,
)
from benchlog.session.reader import SessionReader
from benchlog_ui.board import Board
from benchlog_ui.colours import LIGHT
from benchlog_ui.look import Look
from benchlog_ui.panel import Place
from benchlog_ui.panels.coldpanel import ColdPanel
from benchlog_ui.stages import Ledger

RELAYED = Path(__file__).with_name("relayed.py")
COIL = TestPoint("voice coil", PointKind.OHMS, known=Known(rated_ohm=8.0, lead_zero_ohm=0.0))


class Line:
    """The window's end of the line, with the panel behind it."""

    def __init__(self, line):
        self.line, self.rest = line, b""
        self.board = Board()
        self.session = ""
        self.say(Painted())

    def say(self, message):
        self.line.sendall(encode(message))

    def read(self):
        *lines, self.rest = (self.rest + self.line.recv(65536)).split(b"\n")
        for message in map(decode_to_window, lines):
            if isinstance(message, Ping):
                self.say(Pong(message.n, 0.1))
            elif isinstance(message, Closing):
                self.say(Closed())
            elif isinstance(message, Hello):
                self.session = message.session_path
            elif isinstance(message, Live):
                self.board.take(message, time.monotonic())


@pytest.fixture
def stand(tmp_path, monkeypatch, qapp):
    for name in ("XDG_STATE_HOME", "XDG_DATA_HOME", "XDG_CONFIG_HOME"):
        monkeypatch.setenv(name, str(tmp_path / name))
    bench = tmp_path / "bench.toml"
    words = ["simulate", "--probe", "segments", "--write-bench", str(bench), "--seed", "5"]
    simulated = subprocess.Popen(
        [sys.executable, "-m", "benchlog", *words], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    )
    assert simulated.stdout.readline()
    listener = socket.create_server(("127.0.0.1", 0))
    port = str(listener.getsockname()[1])
    command = [
        sys.executable,
        str(RELAYED),
        port,
        "open",
        str(tmp_path / "job.benchlog"),
        "--bench",
        str(bench),
    ]
    child = subprocess.Popen(command, stdin=subprocess.DEVNULL)
    listener.settimeout(60.0)
    line, _ = listener.accept()
    line.settimeout(60.0)
    yield Line(line), child, bench
    line.close()
    listener.close()
    for process in (child, simulated):
        if process.stdin is not None:
            process.stdin.close()
        try:
            process.wait(20)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
    simulated.stdout.close()


def touch(bench, values):
    """What the probes are on; nothing for leads in the air."""
    address = load_bench(bench).simulated.control
    host, _, port = address.rpartition(":")
    with socket.create_connection((host, int(port)), 20.0) as control:
        control.sendall(json.dumps({"type": "touch", "values": values}).encode() + b"\n")
        assert control.recv(4096)


def stored(line, kind, until, panel=None):
    """Entries of a kind, once they are in the session; the panel is drawn meanwhile."""
    with SessionReader(Path(line.session)) as reader:
        while time.monotonic() < until:
            line.read()
            if panel is not None:
                panel.refresh(time.monotonic())
            found = [e for e in reader.entries() if isinstance(e.payload, kind)]
            if found:
                return found
    raise AssertionError(f"no {kind.__name__} was stored")


def test_a_steady_reading_of_a_meter_with_a_port_goes_into_the_session(stand, tmp_path):
    line, child, bench = stand
    place = Place(
        Look(LIGHT), line.say, lambda *_: None, line.board, Ledger(), lambda: None, lambda _: None
    )  # fmt: skip
    panel = ColdPanel(place)
    until = time.monotonic() + 60.0
    while not line.board.probed and time.monotonic() < until:
        line.read()
    assert line.board.probed, "the recorder told of no reading of the meter in the hand"
    line.say(EntryAdded(PointsListed((COIL,))))
    panel.take(stored(line, PointsListed, until))
    panel.circuit.setCurrentText("out of circuit")
    panel.free.setChecked(True)
    touch(bench, {"resistance": 6.1})
    (only,) = [e.payload for e in stored(line, Taken, until, panel)]
    line.say(WantsToClose(power_off=False))
    while child.poll() is None and time.monotonic() < until:
        try:
            line.read()
        except OSError:
            break
    assert only.value == pytest.approx(6.1, rel=0.05)
    assert only.point == COIL
    assert only.instrument in {i.name for i in load_bench(bench).instrument}
    assert only.typed == ""
    panel.deleteLater()
