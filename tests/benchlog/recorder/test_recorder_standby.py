"""The standby process by itself, over TCP and over an inherited serial port."""

import base64
import json
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from recorder_fakes import SourceServer

from benchlog.bench.adaptor import StandbyOrder
from benchlog.model.clock import RealClock
from benchlog.recorder import control
from benchlog.recorder.standby import parse_order
from benchlog.recorder.standby_link import StandbyLink

pytestmark = pytest.mark.alone


def order(port: int, **changes: object) -> bytes:
    raw: dict[str, object] = {
        "off": base64.b64encode(b"OFF\n").decode(), "host": "127.0.0.1", "port": port, "fileno": -1,
        "silence_s": 0.4,
    }  # fmt: skip
    return json.dumps(raw | changes).encode() + b"\n"


def spawn(*keep: int) -> subprocess.Popen[bytes]:
    script = Path(control.__file__).with_name("standby.py")
    return subprocess.Popen(
        [sys.executable, "-I", "-S", str(script)],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, pass_fds=keep, bufsize=0,
    )  # fmt: skip


def finish(child: subprocess.Popen[bytes]) -> tuple[int, bytes]:
    out, _ = child.communicate(timeout=10.0)
    return child.returncode, out


@pytest.fixture
def server() -> Iterator[SourceServer]:
    server = SourceServer()
    yield server
    server.close()


def test_the_order_is_parsed() -> None:
    parsed = parse_order(order(5025))
    assert (parsed.off, parsed.host, parsed.port, parsed.fileno, parsed.silence_s) == (
        b"OFF\n", "127.0.0.1", 5025, -1, 0.4,
    )  # fmt: skip


@given(st.binary(max_size=200))
def test_any_other_first_line_is_refused(line: bytes) -> None:
    with pytest.raises((ValueError, KeyError, TypeError)):
        parse_order(line)


def test_the_standby_sends_off_when_the_pipe_closes(server: SourceServer) -> None:
    child = spawn()
    assert child.stdin is not None
    assert child.stdout is not None
    child.stdin.write(order(server.port))
    assert child.stdout.readline() == b"ready\n"
    closed_ns = time.monotonic_ns()
    child.stdin.close()
    assert server.off.wait(2.0)
    assert (server.off_ns[0] - closed_ns) / 1e9 < 0.5
    child.stdin = None
    code, out = finish(child)
    assert code == 3
    assert b"off-sent" in out


def test_the_standby_sends_off_when_the_pipe_is_silent(server: SourceServer) -> None:
    child = spawn()
    assert child.stdin is not None
    child.stdin.write(order(server.port))
    for _ in range(8):
        child.stdin.write(b".")
        time.sleep(0.1)
    assert not server.off.is_set()
    assert server.off.wait(2.0)
    child.kill()
    finish(child)


def test_the_standby_ends_quietly_when_told(server: SourceServer) -> None:
    child = spawn()
    assert child.stdin is not None
    child.stdin.write(order(server.port) + b"..")
    child.stdin.write(b"q")
    code, _ = finish(child)
    assert code == 0
    assert not server.off.is_set()


def test_the_standby_of_a_serial_source_writes_into_the_inherited_port() -> None:
    ours, theirs = os.openpty()
    child = spawn(theirs)
    assert child.stdin is not None
    child.stdin.write(order(0, host="", fileno=theirs))
    child.stdin.close()
    child.stdin = None
    os.set_blocking(ours, True)
    assert os.read(ours, 100).strip() == b"OFF"
    child.kill()
    finish(child)
    os.close(ours)
    os.close(theirs)


def test_a_standby_that_cannot_reach_the_source_says_so_and_exits_with_4() -> None:
    dead = SourceServer()
    dead.close()
    child = spawn()
    assert child.stdin is not None
    assert child.stdout is not None
    child.stdin.write(order(dead.port))
    assert child.stdout.readline() == b"unreachable\n"
    child.stdin.close()
    child.stdin = None
    code, _ = finish(child)
    assert code == 4


def test_a_standby_that_died_is_started_again(server: SourceServer) -> None:
    words: list[str] = []
    link = StandbyLink(RealClock(), on_word=words.append)
    assert link.start(StandbyOrder(b"OFF\n", host="127.0.0.1", port=server.port)) == "ready"
    first = link.pid
    assert first is not None
    os.kill(first, 9)
    for _ in range(300):
        link.beat()
        if link.pid not in (None, first) and link.state == "ready":
            break
        time.sleep(0.01)
    assert link.pid not in (None, first)
    assert words == ["gone"]
    assert not server.off.is_set()
    link.stop()
    assert not server.off.is_set()
