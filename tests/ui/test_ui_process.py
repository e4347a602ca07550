"""The window as a process of its own, as the recorder starts it."""

import os
import select
import signal
import subprocess
import sys
import time

import pytest

from benchlog.model.display import display_missing
from benchlog.model.protocol import (
    Closed,
    Closing,
    Painted,
    Ping,
    Pong,
    PowerState,
    decode_from_window,
    encode,
)
from benchlog_ui.scenes import SCENES
from benchlog_ui.start import NO_DISPLAY, NO_QT
from benchlog_ui.story import Story

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="waits on pipes with select")


class Child:
    """The window process and what it says."""

    def __init__(self, environment: dict[str, str], code: str = "") -> None:
        words = ["-c", code] if code else ["-m", "benchlog_ui"]
        self.process = subprocess.Popen(
            [sys.executable, *words],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            env=environment,
        )
        self._rest = b""

    def say(self, *messages) -> None:
        self.process.stdin.write(b"".join(encode(m) for m in messages))
        self.process.stdin.flush()

    def wait_for(self, kind, seconds=30.0):
        """The next message of a kind; other messages are passed over."""
        until = time.monotonic() + seconds
        while time.monotonic() < until:
            *lines, self._rest = self._rest.split(b"\n")
            for number, line in enumerate(lines):
                message = decode_from_window(line)
                if isinstance(message, kind):
                    self._rest = b"\n".join([*lines[number + 1 :], self._rest])
                    return message
            fd = self.process.stdout.fileno()
            if select.select([fd], [], [], 0.1)[0]:
                self._rest += os.read(fd, 65536)
        raise AssertionError(f"no {kind.__name__} within {seconds} s")

    def end(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait(10)
        for stream in (self.process.stdin, self.process.stdout, self.process.stderr):
            stream.close()


@pytest.fixture
def child(tmp_path):
    children = []

    def start(code: str = "", **changes: str | None) -> Child:
        environment = {**os.environ, "QT_QPA_PLATFORM": "offscreen", "XDG_CONFIG_HOME": str(tmp_path)}
        for name, value in changes.items():
            environment.pop(name, None)
            if value is not None:
                environment[name] = value
        children.append(Child(environment, code))
        return children[-1]

    yield start
    for one in children:
        one.end()


def test_it_paints_answers_and_closes_in_order(child):
    window = child()
    assert window.wait_for(Painted) == Painted()
    window.say(*Story(SCENES[1]).messages())
    window.say(Ping(7))
    assert window.wait_for(Pong).n == 7
    window.process.send_signal(signal.SIGINT)
    window.say(Ping(8))
    assert window.wait_for(Pong).n == 8
    window.say(Closing())
    assert window.wait_for(Closed) == Closed()
    window.process.stdin.close()
    assert window.process.wait(10) == 0


def test_it_stays_when_the_recorder_is_gone(child):
    window = child()
    window.wait_for(Painted)
    window.say(*list(Story(SCENES[0]).messages()), PowerState(True, False, False), Ping(1))
    window.wait_for(Pong)
    window.process.stdin.close()
    with pytest.raises(subprocess.TimeoutExpired):
        window.process.wait(1.5)


def test_garbage_from_the_recorder_is_told_and_survived(child):
    from benchlog.model.protocol import Trouble

    window = child()
    window.wait_for(Painted)
    window.process.stdin.write(b'{"type":"no-such"}\n\xff\xfe\n')
    window.say(Ping(3))
    told = window.wait_for(Trouble)
    assert "could not be read" in told.text
    window.say(Ping(4))
    assert window.wait_for(Pong).n in (3, 4)


def test_what_is_printed_by_accident_never_reaches_the_protocol(child):
    code = (
        "import benchlog_ui.start as s, sys, os\n"
        "fd = s.private_stdout()\n"
        "print('stray'); os.system('echo stray too'); sys.stdout.flush()\n"
        "os.write(fd, b'kept')\n"
    )
    window = child(code)
    out, err = window.process.communicate(timeout=20)
    assert out == b"kept"
    assert b"stray" in err


def test_no_display_is_told_apart_by_its_exit_code(child):
    window = child(QT_QPA_PLATFORM=None, DISPLAY=None, WAYLAND_DISPLAY=None)
    _, err = window.process.communicate(timeout=20)
    assert window.process.returncode == NO_DISPLAY == 3
    assert err.decode().count("\n") == 1
    assert "no display" in err.decode()


def test_qt_that_does_not_load_is_told_apart_by_its_exit_code(child):
    code = (
        "import sys\n"
        "class Missing:\n"
        "    def find_spec(self, name, path=None, target=None):\n"
        "        if name.startswith('PySide6'):\n"
        "            raise ImportError('libEGL.so.1: cannot open shared object file')\n"
        "sys.meta_path.insert(0, Missing())\n"
        "from benchlog_ui.start import run\n"
        "sys.exit(run())\n"
    )
    window = child(code)
    _, err = window.process.communicate(timeout=20)
    assert window.process.returncode == NO_QT == 4
    assert err.decode().count("\n") == 1
    assert "libEGL" in err.decode()


def test_where_a_display_is_not_asked_for():
    assert display_missing({}, "linux")
    assert not display_missing({"DISPLAY": ":0"}, "linux")
    assert not display_missing({"WAYLAND_DISPLAY": "wayland-0"}, "linux")
    assert not display_missing({"QT_QPA_PLATFORM": "offscreen"}, "linux")
    assert not display_missing({}, "win32")
    assert not display_missing({}, "darwin")


def test_nothing_heavy_is_imported_before_the_first_frame():
    code = (
        "import sys\n"
        "import benchlog_ui.start, benchlog_ui.window, benchlog_ui.trip\n"
        "print(sorted({m.split('.')[0] for m in sys.modules} & {'numpy', 'pyqtgraph', 'msgspec'}))\n"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert ran.stdout.strip() == "[]"


def test_the_recorder_imports_nothing_heavy_before_it_starts_the_window():
    code = (
        "import sys\n"
        "import benchlog.cli.main, benchlog.cli.window, benchlog.recorder.window\n"
        "print(sorted({m.split('.')[0] for m in sys.modules} & {'numpy', 'PySide6', 'pyvisa', 'serial'}))\n"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert ran.stdout.strip() == "[]"
