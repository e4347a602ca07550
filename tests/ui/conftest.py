"""The window's tests run without a screen."""

import contextlib
import os
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from PySide6.QtCore import QTimer

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
sys.path.append(str(Path(__file__).parent))

from benchlog.model.protocol import FromWindow, ToWindow, decode_from_window, encode
from benchlog_ui.start import Start


@dataclass
class Bench:
    """A window in this process with both ends of its pipes in hand."""

    start: Start
    to_window: int
    from_window: int
    pump: Callable[[Callable[[], bool], float], bool]

    def tell(self, *messages: ToWindow) -> None:
        """Say something as the recorder would."""
        for message in messages:
            os.write(self.to_window, encode(message))

    def heard(self) -> list[FromWindow]:
        """What the window said so far (and since the last call)."""
        until = time.monotonic() + 10.0
        while not self.start.link.idle and time.monotonic() < until:
            time.sleep(0.002)
        os.set_blocking(self.from_window, False)
        data = b""
        while True:
            try:
                block = os.read(self.from_window, 65536)
            except BlockingIOError:
                break
            if not block:
                break
            data += block
        return [decode_from_window(line) for line in data.splitlines()]


@pytest.fixture(autouse=True)
def _silent(request, monkeypatch):
    """No device is opened by tests; what it would play has tests of its own."""
    if "sound" not in request.node.nodeid:
        monkeypatch.setattr("benchlog_ui.sound.Speaker.open", lambda speaker: None)


@pytest.fixture(autouse=True)
def _folders_of_its_own(tmp_path_factory, monkeypatch):
    """The pages look for finished jobs: never among those of the user."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path_factory.getbasetemp() / "data"))


@pytest.fixture(autouse=True)
def _loops_that_run(qapp):
    """An application that a window told to end would end every later loop at once: begin and end it anew."""
    QTimer.singleShot(0, qapp.quit)
    qapp.exec()


@pytest.fixture
def bench(qapp, qtbot) -> Iterator[Bench]:
    from PySide6.QtWidgets import QApplication

    QApplication.setStyle("Fusion")
    in_read, in_write = os.pipe()
    out_read, out_write = os.pipe()
    start = Start(qapp, in_read, out_write)
    start.window.resize(1366, 768)
    start.window.show()

    def pump(ready: Callable[[], bool], seconds: float = 3.0) -> bool:
        until = time.monotonic() + seconds
        while time.monotonic() < until:
            qapp.processEvents()
            if ready():
                return True
            time.sleep(0.002)
        return False

    assert pump(lambda: start.desk is not None, 20.0)
    start.window.activateWindow()
    yield Bench(start, in_write, out_read, pump)
    if start.desk is not None:
        start.desk.stop()
    start.window.may_close = True
    start.window.close()
    qapp.removeEventFilter(start.key)
    start.window.deleteLater()
    qapp.processEvents()
    start.link.close()
    for fd in (in_write, out_write, out_read):
        with contextlib.suppress(OSError):
            os.close(fd)
