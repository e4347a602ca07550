"""How the window starts: pipe, display, first frame, then everything else.

Exit codes for the recorder, which tells them to the technician in one sentence:
0 closed in order · 3 no display · 4 Qt can't be loaded · 134 (abort, by Qt) a display that does not answer.
"""

import gc
import os
import signal
import sys
import threading
import time
import traceback
from collections.abc import Callable
from types import TracebackType
from typing import TYPE_CHECKING

from benchlog.model.display import display_missing

if TYPE_CHECKING:
    from PySide6.QtWidgets import QApplication

    from benchlog_ui.desk import Desk

NO_DISPLAY = 3
NO_QT = 4

_SWITCH_S = 0.0005
_EARLY_MS = 25
_REPEAT_S = 5.0
"""The same fault is told again after so long; a slot may raise at every frame."""


def private_stdout() -> int:
    """Keep the pipe to the recorder for the protocol alone: whatever prints goes to standard error."""
    kept = os.dup(1)
    os.dup2(2, 1)
    sys.stdout = sys.stderr
    return kept


def run() -> int:
    """The window process, from start to end. Returns its exit code."""
    gc.disable()  # a start makes classes and throws nothing away; `_collect_again` ends it
    write_fd = private_stdout()
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    sys.setswitchinterval(_SWITCH_S)
    if display_missing(dict(os.environ), sys.platform):
        sys.stderr.write("There is no display here (neither DISPLAY nor WAYLAND_DISPLAY is set).\n")
        return NO_DISPLAY
    try:
        from PySide6 import QtWidgets
    except ImportError as error:
        sys.stderr.write(f"Qt can't be loaded here: {error}. Install the missing system library.\n")
        return NO_QT
    QtWidgets.QApplication.setStyle("Fusion")
    return Start(QtWidgets.QApplication(sys.argv[:1]), 0, write_fd).run()


class Start:
    """Brings the window up in an order that lets the cut-off work from the first frame."""

    def __init__(self, application: "QApplication", read_fd: int, write_fd: int) -> None:
        """Make the light part of the window."""
        from benchlog_ui.link import Link
        from benchlog_ui.look import palette
        from benchlog_ui.trip import CutOffKey
        from benchlog_ui.window import Window, system_colours

        self.application = application
        self.link: Link = Link(read_fd, write_fd)
        self.desk: Desk | None = None
        self._trouble = ("", 0.0)
        self._imported = threading.Event()
        self._import_fault: Exception | None = None
        colours = system_colours()
        application.setPalette(palette(colours))
        application.setApplicationName("Benchlog")
        self.key: CutOffKey = CutOffKey(application)
        self.window: Window = Window(colours, self.cut_off)
        self.key.pressed.connect(self.cut_off)
        self.key.shortcut_on(self.window)
        self.window.painted.connect(self._first_frame)
        application.styleHints().colorSchemeChanged.connect(
            lambda _: self.window.set_colours(system_colours())
        )

    def run(self) -> int:
        """Show the window and stay until it is closed."""
        sys.excepthook = self.caught
        self._show_as_left()
        _later(self._stay_within_reach)
        code = self.application.exec()
        self._keep_as_left()
        self.application.removeEventFilter(self.key)
        self.link.close()
        return code

    def _show_as_left(self) -> None:
        """Size and type as they were left; maximised the first time."""
        from PySide6.QtCore import QSettings

        kept = QSettings("benchlog", "window")
        geometry = kept.value("geometry")
        self.window.set_text_size(_number(kept.value("text")))
        self.window.resize(1366, 768)
        if geometry is not None and self.window.restoreGeometry(geometry):
            self.window.show()
        else:
            self.window.showMaximized()

    def _stay_within_reach(self) -> None:
        from benchlog_ui.screens import keep_within

        keep_within(self.window)

    def _keep_as_left(self) -> None:
        from PySide6.QtCore import QSettings

        kept = QSettings("benchlog", "window")
        kept.setValue("geometry", self.window.saveGeometry())
        kept.setValue("text", self.window.text_size)
        if self.desk is not None:
            kept.setValue("tone", self.desk.speaker.tone)

    def cut_off(self) -> None:
        """Send the cut-off, also while the rest is still being loaded."""
        if self.desk is not None:
            self.desk.cut_off()
            return
        from benchlog.model.event import Key
        from benchlog.model.protocol import Pressed

        self.link.send(Pressed(Key.CUT_OFF))

    def _first_frame(self) -> None:
        _later(self._furnish)

    def _furnish(self) -> None:
        """After the first frame: tell it, then import what is heavy while the window goes on living."""
        from PySide6.QtCore import QTimer

        self.link.start()
        from benchlog.model.protocol import Painted

        self.link.send(Painted())
        importing = threading.Thread(target=self._import, name="imports", daemon=True)
        importing.start()
        self._early = QTimer(self.window)
        self._early.setInterval(_EARLY_MS)
        self._early.timeout.connect(self._look)
        self._early.start()

    def _import(self) -> None:
        """On a thread: the event loop, and with it the cut-off and the heartbeat, is not held up."""
        try:
            import benchlog_ui.desk  # noqa: F401
        except Exception as error:  # noqa: BLE001 - raised again in the main thread, where it is told
            self._import_fault = error
        self._imported.set()

    def _look(self) -> None:
        self.link.answer_pings(time.monotonic() - self.key.input_s)
        if not self._imported.is_set():
            return
        self._early.stop()
        if self._import_fault is not None:
            _collect_again()
            raise self._import_fault
        from PySide6.QtCore import QSettings

        from benchlog_ui.desk import Desk

        self.desk = Desk(self.window, self.link, self.key)
        self.desk.speaker.tone = QSettings("benchlog", "window").value("tone") in (True, "true")
        self.desk.start()
        _collect_again()

    def caught(self, kind: type[BaseException], error: BaseException, trace: TracebackType | None) -> None:
        """A bug in the window: to the recorder's crash log, to standard error, and on the screen."""
        from benchlog.model.protocol import Trouble

        text = "".join(traceback.format_exception(kind, error, trace))
        now = time.monotonic()
        if text != self._trouble[0] or now - self._trouble[1] > _REPEAT_S:
            self._trouble = (text, now)
            sys.stderr.write(text)
            self.link.send(Trouble(text))
        self.window.show_trouble(f"{kind.__name__}: {error}")


def _collect_again() -> None:
    """Collect garbage from now on; what is there already stays to the end and is not looked through again."""
    if not gc.isenabled():
        gc.freeze()
        gc.enable()


def _number(kept: object) -> float:
    """A factor from the settings; 1 where there is none or it is none."""
    try:
        return float(str(kept))
    except ValueError:
        return 1.0


def _later(act: Callable[[], None]) -> None:
    from PySide6.QtCore import QTimer

    QTimer.singleShot(0, act)
