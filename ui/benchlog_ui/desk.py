"""What makes the window live: messages in, frames out, keys to the recorder. Made after the first frame."""

import importlib
import math
import threading
import time
from pathlib import Path

from PySide6.QtCore import QObject, QTimer
from PySide6.QtGui import QKeySequence, QShortcut
from PySide6.QtWidgets import QApplication

from benchlog.model.clock import US
from benchlog.model.event import Key
from benchlog.model.history import Entry, RunBegun, Taken
from benchlog.model.protocol import Closed, FromWindow, Pong, Pressed, Trouble, WantsToClose
from benchlog.model.role import Role
from benchlog_ui import sight
from benchlog_ui.board import Board
from benchlog_ui.deeds import Deeds
from benchlog_ui.drops import Drops
from benchlog_ui.link import Link
from benchlog_ui.past import put_back, recall
from benchlog_ui.requests import Requests
from benchlog_ui.shelf import Captured, Curve, Found, Lines, Shelf, Shut, Unread
from benchlog_ui.shell import Shell
from benchlog_ui.sound import Speaker
from benchlog_ui.stages import Stage
from benchlog_ui.traces import Traces
from benchlog_ui.trip import CutOffKey
from benchlog_ui.window import Window

FRAME_MS = 33
TONE_KEY = "Ctrl+F7"
_SLOW_FRAMES = 15
"""Descriptions for screen readers are renewed once in so many frames."""


class Desk(QObject):
    """One sitting on the screen."""

    def __init__(self, window: Window, link: Link, key: CutOffKey) -> None:
        """Furnish the window; nothing moves before `start`."""
        super().__init__(window)
        self.window = window
        self.link = link
        self.board = Board()
        self.traces = Traces()
        self.shelf: Shelf | None = None
        self._key = key
        self._pressed_s = -math.inf
        self._unconfirmed_since: float | None = None
        self._urgent = False
        self._frames = 0
        self.speaker = Speaker()
        window.ring = self.ring
        window.furnish(self.store_note)
        self.requests = Requests(window, self.board, self.send)
        self.shell = Shell(window, self.board, self.traces, self.send, self.requests)
        self.drops = Drops(window, self.shell, self.requests, self.send)
        self.deeds = Deeds(window, self.board, self.shell, self.send)
        QShortcut(QKeySequence(TONE_KEY), window).activated.connect(self.next_tone)
        window.wants_to_close.connect(self.asked_to_close)
        window.technician_did_it.connect(self.done_by_hand)
        self._timer = QTimer(self)
        self._timer.setInterval(FRAME_MS)
        self._timer.timeout.connect(self.frame)

    def start(self) -> None:
        """Begin to draw."""
        self._timer.start()
        self.frame()

    def stop(self) -> None:
        """Draw no more frames by itself, and let go of the file."""
        self._timer.stop()
        self.speaker.close()
        if self.shelf is not None:
            self.shelf.shut()
            self.shelf.join(2.0)

    def ring(self) -> None:
        """The sound of the alarm; the screen never depends on it."""
        QApplication.beep()
        self.speaker.alarm()

    def next_tone(self) -> None:
        """Let the tone follow current ÷ stop limit, or end it."""
        self.speaker.tone = not self.speaker.tone
        follows = "The tone follows current ÷ stop limit."
        self.window.tell(self.speaker.why_not or (follows if self.speaker.tone else "The tone is off."))

    def send(self, message: FromWindow) -> None:
        """Send a message to the recorder."""
        self.link.send(message)

    def store_note(self, text: str) -> None:
        """A note was entered."""
        self.deeds.store_note(text)

    def cut_off(self) -> None:
        """The bar or the key was pressed."""
        self._pressed_s = time.monotonic()
        self.send(Pressed(Key.CUT_OFF))

    def frame(self) -> None:
        """Take what came, answer the heartbeat, draw."""
        self.frame_at(time.monotonic())

    def frame_at(self, real_s: float) -> None:
        """A frame as it stands at a real monotonic time. What matters most comes first."""
        self._take(real_s)
        self._show(real_s)
        self._take_from_file()
        self.drops.refresh()
        grown = self.traces.drain(self.board)
        self.shell.refresh(real_s, self._frames, grown, self._key.seen)
        self._frames += 1
        if self._frames == _SLOW_FRAMES:
            threading.Thread(target=_import_pages, name="imports", daemon=True).start()
            threading.Thread(target=self.speaker.open, name="sound", daemon=True).start()
        if self._frames % _SLOW_FRAMES == 0:
            course = self.shell.bring_up.course
            course.setAccessibleName(f"Course: {course.summary(self.board)}")

    # ---- messages ----------------------------------------------------------------------------------

    def _take(self, real_s: float) -> None:
        board = self.board
        while self.link.inbox:
            message, heard_s = self.link.inbox.popleft()
            board.take(message, heard_s)
        if self.link.ended.is_set() and not self.link.inbox and not board.gone:
            self._recorder_ended()
        for number in board.pings:
            self.send(Pong(number, real_s - self._key.input_s))
        board.pings.clear()
        while self.link.refused:
            self.send(Trouble(f"A line of the recorder could not be read. {self.link.refused.popleft()}"))
        if "hello" in board.changed:
            self._greet()
        while board.answers:
            self.requests.answered(board.answers.pop(0))
        if board.closing and "end" in board.changed:
            self._close_file()
        if self.shelf is not None and board.changed & {"said", "end"}:
            self.shelf.look()
        board.changed.clear()

    def _greet(self) -> None:
        """Another sitting, or the first: its session, its job, and the page that it begins with."""
        hello = self.board.hello
        if hello is None:
            return
        path = Path(hello.session_path) if hello.session_path else None
        other = path != self.shell.session
        if other and self.board.sittings > 1:
            self.traces.curves.clear()
            self.shell.begin_session(path)
        self.shell.session = path
        self.shell.show_job(hello.job)
        self._open_file()
        if hello.steps:
            self.shell.go(Stage.BRING_UP.value)
        elif other or self.board.sittings == 1:
            self.shell.go(Stage.INTAKE.value)

    def _open_file(self) -> None:
        """Read the session from where its history is known; a file that is still being shut comes later."""
        hello, path = self.board.hello, self.shell.session
        if hello is None or path is None or self.board.closing:
            return
        if self.shelf is not None and self.shelf.path != path:
            self.shelf.shut()
        elif self.shelf is None:
            after = self.shell.entries[-1].seq if self.shell.entries else 0
            self.shelf = Shelf(path, hello.time_scale, after, hello.mains_v)

    def _recorder_ended(self) -> None:
        if self.board.closing:
            self.leave()
        else:
            self.board.gone = True

    def _close_file(self) -> None:
        if self.shelf is None:
            self.send(Closed())
        else:
            self.shelf.shut()

    # ---- the file ----------------------------------------------------------------------------------

    def _take_from_file(self) -> None:
        while self.shelf is not None and self.shelf.found:
            self._found(self.shelf.found.popleft())

    def _found(self, found: Found) -> None:
        match found:
            case Lines():
                if not found.first and any(isinstance(e.payload, Taken) for e in found.entries):
                    self.speaker.taken()
                self.shell.take(found.entries)
                self._recall(found.entries, found.first)
            case Curve():
                self.traces.begin_with(found.channel, found.t_s, found.v, found.gap_s)
                setup = self.board.setup
                if found.channel == Role.INLET_VOLTAGE and setup is not None:
                    from benchlog.bringup.bounds import Bounds, limits_of

                    bounds = Bounds(limits_of(setup), setup.steps)
                    self.traces.limits_of_old(bounds, setup.unit.mains_v)
            case Captured():
                self.shell.bring_up.show_switched(found.switched)
            case Unread():
                self.window.show_trouble(found.reason)
            case Shut():
                self.shelf = None
                if self.board.closing:
                    self.send(Closed())
                else:
                    self._open_file()

    def _recall(self, entries: tuple[Entry, ...], first: bool) -> None:
        hello = self.board.hello
        if first and hello is not None:
            recalled = recall(self.shell.entries, running=bool(hello.steps))
            if recalled is not None:
                if not recalled.old and recalled.begun_us < hello.now_us - US and self.board.sittings == 1:
                    self.window.tell("This window was started again. The run went on meanwhile.")
                put_back(self.board, recalled)
            return
        for entry in entries:
            if isinstance(entry.payload, RunBegun):
                self.board.setup = entry.payload.setup

    # ---- what is always there ----------------------------------------------------------------------

    def _show(self, real_s: float) -> None:
        window, board = self.window, self.board
        line = sight.instruction(board, real_s)
        if board.quiet and self.shell.at != Stage.BRING_UP.value:
            line = sight.stage_line(self.shell.line())
        elif board.power_on and self.shell.at != Stage.BRING_UP.value:
            line = sight.with_readings(line, board)
        window.instruction.tell(line.text, line.reason, line.shape, line.ink, line.urgent)
        if line.urgent and not self._urgent:
            self.ring()
        self._urgent = line.urgent
        bar = sight.bar(board, real_s - self._pressed_s)
        window.trip.tell(bar.head, bar.state, bar.shape, bar.latched)
        window.bands.show_bands(sight.bands(board, QApplication.activeWindow() is not None))
        self.speaker.follow(sight.share_of_stop(board))
        self._show_alarm(real_s)
        self.deeds.allow()

    def _show_alarm(self, real_s: float) -> None:
        board = self.board
        if not board.alarm:
            self._unconfirmed_since = None
        elif self._unconfirmed_since is None:
            self._unconfirmed_since = real_s
        since = real_s - self._unconfirmed_since if self._unconfirmed_since is not None else 0.0
        words = sight.alarm(board, real_s, since)
        if words is None:
            self.window.alarm.stand_down()
        else:
            self.window.raise_alarm(words.head, words.orders, words.facts, words.button)

    # ---- leaving -----------------------------------------------------------------------------------

    def done_by_hand(self) -> None:
        """The technician's word that the source is away."""
        if self.board.gone:
            self.leave()
        else:
            self.send(Pressed(Key.NEAR_ZERO, "dial at zero, unit unplugged"))

    def asked_to_close(self) -> None:
        """Closing asks while power is on; otherwise the recorder is told and answers."""
        if self.board.gone or self.board.hello is None:
            self.leave()
        elif not self.board.power_on:
            self.send(WantsToClose(power_off=False))
        else:
            self.deeds.ask_to_close()

    def leave(self) -> None:
        """Close the window and end."""
        self.stop()
        self.window.may_close = True
        self.window.close()
        QApplication.exit(0)


_LATER = (
    "benchlog.bringup.bounds",
    "benchlog.measure.waveform",
    "benchlog_ui.before",
    "benchlog_ui.benchpage",
    "benchlog_ui.chronicle",
    "benchlog_ui.helppage",
    "benchlog_ui.intake",
    "benchlog_ui.jobspage",
)


def _import_pages() -> None:
    """What the other pages need, before they are first opened."""
    for name in _LATER:
        importlib.import_module(name)
