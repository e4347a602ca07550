"""The way in for other programs of the same user: entries for a session that this recorder holds.

A loopback TCP line. A caller sends one line of JSON, ``{"token": …, "message": …}``, the message as in
`benchlog.model.protocol`, and gets one back. The token is random and lies in a file that only the user can
read, in the user's state folder. Nothing is unpickled; lines have a greatest length, callers little time.
"""

import hashlib
import hmac
import os
import secrets
import socket
import threading
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import msgspec
import platformdirs

from benchlog.model.errors import BenchlogError, SessionFault
from benchlog.model.event import Key
from benchlog.model.history import Payload
from benchlog.model.protocol import EntryAdded, Pressed
from benchlog.recorder.threads import OnFailure, Thread

MOST_LINE = 4_000_000
CALLER_S = 5.0
"""Real seconds that one caller may take."""


class Address(msgspec.Struct, frozen=True):
    """Where a recorder takes entries, and the word that it asks for."""

    port: int
    token: str
    pid: int


class Call(msgspec.Struct, frozen=True):
    """One line of a caller."""

    token: str
    message: EntryAdded | Pressed


class Answer(msgspec.Struct, frozen=True):
    """What the recorder answers."""

    ok: bool
    seq: int | None = None
    text: str = ""


def address_path(session: Path) -> Path:
    """The file in the user's state folder that says where the session's recorder listens."""
    name = hashlib.sha256(str(session.resolve()).encode()).hexdigest()[:24]
    return Path(platformdirs.user_state_dir("benchlog", appauthor=False)) / "recorders" / f"{name}.json"


class Control:
    """Listens for callers, one at a time. Entries are acknowledged when they are on the disk."""

    def __init__(
        self,
        session: Path,
        enter: Callable[[Payload], int],
        press: Callable[[Pressed], None],
        on_failure: OnFailure,
    ) -> None:
        """``enter`` returns the entry's number once it is stored; both may raise `BenchlogError`."""
        self._path = address_path(session)
        self._enter = enter
        self._press = press
        self._token = secrets.token_urlsafe(32)
        self._server: socket.socket | None = None
        self._thread = Thread("control", self._work, on_failure)
        self.port = 0

    def start(self) -> None:
        """Listen. Raises `SessionFault` when the machine has no loopback or the file can't be written."""
        try:
            self._server = socket.create_server(("127.0.0.1", 0), backlog=8)
            self._server.settimeout(0.2)
            self.port = self._server.getsockname()[1]
            self._publish(Address(self.port, self._token, os.getpid()))
        except OSError as error:
            self.stop()
            raise SessionFault(f"Other programs can't add entries now: {error}.") from error
        self._thread.start()

    def stop(self) -> None:
        """Listen no more and take the file away."""
        self._thread.stopping.set()
        if self._server is not None:
            self._thread.stop()
            self._server.close()
            self._server = None
        with suppress(OSError):
            self._path.unlink()

    def _publish(self, address: Address) -> None:
        self._path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        with suppress(FileNotFoundError):
            self._path.unlink()
        handle = os.open(self._path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(handle, "wb") as file:
            file.write(msgspec.json.encode(address))

    def _work(self, stopping: threading.Event) -> None:
        assert self._server is not None
        while not stopping.is_set():
            try:
                caller, _ = self._server.accept()
            except TimeoutError:
                continue
            except OSError:
                return
            with caller, suppress(OSError):
                caller.settimeout(CALLER_S)
                caller.sendall(msgspec.json.encode(self._serve(_line(caller))) + b"\n")

    def _serve(self, line: bytes) -> Answer:
        try:
            call = msgspec.json.decode(line, type=Call)
        except msgspec.DecodeError as error:
            return Answer(False, text=f"This is no entry: {error}.")
        if not hmac.compare_digest(call.token.encode(), self._token.encode()):
            return Answer(False, text="This caller does not know the recorder's word.")
        try:
            if isinstance(call.message, Pressed):
                self._press(call.message)
                return Answer(True)
            return Answer(True, seq=self._enter(call.message.payload))
        except BenchlogError as error:
            return Answer(False, text=str(error))


def send_entry(session: Path, payload: Payload) -> int:
    """Hand an entry to the recorder that holds a session; returns its number once it is on the disk.

    Raises `SessionFault` when no recorder answers or it refuses.
    """
    answer = _call(session, EntryAdded(payload))
    if answer.seq is None:
        raise SessionFault(
            f"The recorder of {session} took the entry but gave no number. Look at its history."
        )
    return answer.seq


def send_key(session: Path, key: Key, reason: str = "") -> None:
    """Press a key of a run that a recorder holds. `SessionFault` when none answers or it refuses."""
    _call(session, Pressed(key, reason))


def _call(session: Path, message: EntryAdded | Pressed) -> Answer:
    address = _find(session)
    try:
        with socket.create_connection(("127.0.0.1", address.port), CALLER_S) as line:
            line.sendall(msgspec.json.encode(Call(address.token, message)) + b"\n")
            answer = msgspec.json.decode(_line(line), type=Answer)
    except (OSError, msgspec.DecodeError) as error:
        raise SessionFault(
            f"The recorder of {session} does not answer ({error}). Enter it in its window, "
            "or try again when it has ended."
        ) from error
    if not answer.ok:
        raise SessionFault(f"The recorder of {session} did not take it: {answer.text}")
    return answer


def _find(session: Path) -> Address:
    path = address_path(session)
    try:
        return msgspec.json.decode(path.read_bytes(), type=Address)
    except (OSError, msgspec.DecodeError) as error:
        raise SessionFault(
            f"{session} is being recorded, and its recorder can't be reached. Enter it in its window, "
            "or try again when it has ended."
        ) from error


def _line(line: socket.socket) -> bytes:
    text = b""
    while not text.endswith(b"\n") and len(text) < MOST_LINE:
        some = line.recv(65536)
        if not some:
            break
        text += some
    return text
