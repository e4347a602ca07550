"""The way in for other programs of the same user."""

import json
import socket
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from benchlog.model.errors import SessionFault
from benchlog.model.event import Key, KeyPressed
from benchlog.model.history import Noted, Payload, RunTold
from benchlog.recorder import control
from benchlog.recorder.control import Control, address_path, send_entry


@pytest.fixture
def session(tmp_path: Path) -> Path:
    return tmp_path / "unit.benchlog"


@pytest.fixture
def way_in(session: Path) -> Iterator[tuple[Control, list[object]]]:
    entered: list[object] = []

    def enter(payload: Payload) -> int:
        if isinstance(payload, RunTold):
            raise SessionFault("Only what a technician enters.")
        entered.append(payload)
        return len(entered)

    way_in = Control(session, enter, entered.append, lambda *_: None)
    way_in.start()
    yield way_in, entered
    way_in.stop()


def ask(way_in: Control, line: bytes) -> dict[str, object]:
    with socket.create_connection(("127.0.0.1", way_in.port), 2.0) as caller:
        caller.sendall(line)
        caller.shutdown(socket.SHUT_WR)
        text = caller.makefile("rb").readline()
    return json.loads(text)  # type: ignore[no-any-return]


def test_an_entry_goes_in_and_its_number_comes_back(
    session: Path, way_in: tuple[Control, list[object]]
) -> None:
    assert send_entry(session, Noted("one")) == 1
    assert send_entry(session, Noted("two")) == 2
    assert way_in[1] == [Noted("one"), Noted("two")]


def test_a_refusal_comes_back_as_a_fault(session: Path, way_in: tuple[Control, list[object]]) -> None:
    with pytest.raises(SessionFault, match="Only what a technician enters"):
        send_entry(session, RunTold(KeyPressed(Key.REARM)))


@pytest.mark.parametrize(
    "line",
    [
        b"",
        b"\n",
        b"nonsense\n",
        b'{"token": "guess", "message": {"type": "entry", "payload": {"type": "note", "text": "x"}}}\n',
        b'{"token": 3}\n',
        b'{"token": "x", "message": {"type": "pong", "n": 1, "input_age_s": 0}}\n',
        b"\x80\x04\x95" + b"x" * 2000 + b"\n",
    ],
)
def test_strangers_are_refused(way_in: tuple[Control, list[object]], line: bytes) -> None:
    assert ask(way_in[0], line)["ok"] is False
    assert way_in[1] == []


def test_a_line_without_end_is_cut_short(
    way_in: tuple[Control, list[object]], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(control, "MOST_LINE", 10_000)
    assert ask(way_in[0], b"x" * 50_000)["ok"] is False


def test_a_caller_that_says_nothing_holds_up_nobody_for_long(
    session: Path, way_in: tuple[Control, list[object]], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(control, "CALLER_S", 0.3)
    with socket.create_connection(("127.0.0.1", way_in[0].port), 2.0):
        time.sleep(0.05)
        monkeypatch.setattr(control, "CALLER_S", 5.0)
        assert send_entry(session, Noted("after")) == 1


@pytest.mark.skipif(sys.platform == "win32", reason="POSIX rights")
def test_only_the_user_can_read_the_word(session: Path, way_in: tuple[Control, list[object]]) -> None:
    path = address_path(session)
    assert path.stat().st_mode & 0o777 == 0o600
    way_in[0].stop()
    assert not path.exists()


def test_without_a_recorder_the_message_says_what_to_do(session: Path) -> None:
    with pytest.raises(SessionFault, match="can't be reached"):
        send_entry(session, Noted("x"))
