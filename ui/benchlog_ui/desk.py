"""What makes the window live: messages in, frames out, keys to the recorder. Made after the first frame."""

import math
import time

from PySide6.QtCore import QObject, QTimer
from PySide6.QtGui import QKeySequence, QShortcut
from PySide6.QtWidgets import QApplication

from benchlog.model.event import Key
from benchlog.model.history import Noted
from benchlog.model.protocol import Closed, EntryAdded, FromWindow, Pong, Pressed, Trouble, WantsToClose
from benchlog.model.step import StepVerdict
from benchlog_ui import sight
from benchlog_ui.board import Board
from benchlog_ui.climbpage import BringUpPage
from benchlog_ui.keys import Deed
from benchlog_ui.link import Link
from benchlog_ui.question import Answer
from benchlog_ui.traces import Traces
from benchlog_ui.trip import CutOffKey
from benchlog_ui.window import Window

FRAME_MS = 33
_SLOW_FRAMES = 15
"""Descriptions for screen readers are renewed once in so many frames."""


class Desk(QObject):
    """One run on the screen."""

    def __init__(self, window: Window, link: Link, key: CutOffKey) -> None:
        """Furnish the window; nothing moves before `start`."""
        super().__init__(window)
        self.window = window
        self.link = link
        self.board = Board()
        self.traces = Traces()
        self._key = key
        self._pressed_s = -math.inf
        self._unconfirmed_since: float | None = None
        self._frames = 0
        self.page = BringUpPage(window.look, self.traces)
        window.pages.addWidget(self.page)
        window.follow(self.page.restyle)
        window.wants_to_close.connect(self.ask_to_close)
        window.technician_did_it.connect(self.done_by_hand)
        self._add_deeds()
        self._timer = QTimer(self)
        self._timer.setInterval(FRAME_MS)
        self._timer.timeout.connect(self.frame)

    def _add_deeds(self) -> None:
        deeds = (
            Deed("F2", "note", "Write a note", self.write_note),
            Deed("F6", "moved", "The voltage has moved, or looks right", self.say_moved),
            Deed("F7", self.page.span_words(), "How much of the past the curves show", self.next_span),
            Deed("F8", "go on…", "Go on to the next step, with a reason", self.ask_to_go_on),
            Deed("F9", "end run", "End the run in order and take the source away", self.ask_to_end),
            Deed("F10", "again…", "Begin again after a cut-off", self.ask_to_begin_again),
        )
        for deed in deeds:
            self.window.keys.add(self.window, deed)
        for keys, step in (("Ctrl++", 1), ("Ctrl+=", 1), ("Ctrl+-", -1)):
            shortcut = QShortcut(QKeySequence(keys), self.window)
            shortcut.activated.connect(lambda s=step: self.window.larger_text(s))

    def start(self) -> None:
        """Begin to draw."""
        self._timer.start()
        self.frame()

    def stop(self) -> None:
        """Draw no more frames by itself."""
        self._timer.stop()

    def send(self, message: FromWindow) -> None:
        """Send a message to the recorder."""
        self.link.send(message)

    def cut_off(self) -> None:
        """The bar or the key was pressed."""
        self._pressed_s = time.monotonic()
        self.send(Pressed(Key.CUT_OFF))

    def frame(self) -> None:
        """Take what came, answer the heartbeat, draw."""
        self.frame_at(time.monotonic())

    def frame_at(self, real_s: float) -> None:
        """A frame as it stands at a real monotonic time."""
        self._take(real_s)
        self._show(real_s)
        grown = self.traces.drain(self.board)
        if self.page.isVisible():
            self.page.refresh(self.board, real_s, self._frames, grown)
        self._frames += 1
        if self._frames % _SLOW_FRAMES == 0:
            self.page.course.setAccessibleName(f"Course: {self.page.course.summary(self.board)}")

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
        if board.closing and "end" in board.changed:
            self.send(Closed())
        board.changed.clear()

    def _recorder_ended(self) -> None:
        if self.board.closing:
            self.leave()
        else:
            self.board.gone = True

    def _show(self, real_s: float) -> None:
        window, board = self.window, self.board
        line = sight.instruction(board)
        window.instruction.tell(line.text, line.reason, line.shape, line.ink, line.urgent)
        bar = sight.bar(board, real_s - self._pressed_s)
        window.trip.tell(bar.head, bar.state, bar.shape, bar.latched)
        window.bands.show_bands(sight.bands(board, window.isActiveWindow()))
        self._show_alarm(real_s)
        self._allow()

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

    def _allow(self) -> None:
        board, keys = self.board, self.window.keys
        running = board.hello is not None and bool(board.hello.steps) and board.ended is None
        waiting = board.judged is not None and board.judged.verdict is not StepVerdict.CUT_OFF
        keys.allow("F6", running)
        keys.allow("F8", running and waiting)
        keys.allow("F9", running)
        keys.allow("F10", board.latched)

    def write_note(self) -> None:
        """Put the keyboard into the note field."""
        self.window.keys.note.setFocus()

    def store_note(self, text: str) -> None:
        """Send a note to the history."""
        self.send(EntryAdded(Noted(text, stage="bring-up")))

    def say_moved(self) -> None:
        """The technician says that the voltage has moved, or looks right."""
        self.send(Pressed(Key.MOVED))

    def next_span(self) -> None:
        """Show another length of the past."""
        self.window.keys.rename("F7", self.page.next_span())

    def ask_to_go_on(self) -> None:
        """Go on; where the program does not say *go up*, a reason is asked for first."""
        judged = self.board.judged
        if judged is not None and judged.verdict is StepVerdict.GO_UP:
            self.send(Pressed(Key.GO_ON))
            return
        why = f" The program says: {judged.reason}" if judged is not None and judged.reason else ""
        self.window.question.ask(
            f"Go on to the next step on your word.{why}",
            (
                Answer("Go on", lambda reason: self.send(Pressed(Key.GO_ON, reason)), needs_text=True),
                Answer("Stay here", _nothing),
            ),
            field="reason, recorded with the step",
        )

    def ask_to_end(self) -> None:
        """Ask before the run is ended in order."""
        self.window.question.ask(
            "End the run and take the source away in order?",
            (
                Answer("End the run", lambda reason: self.send(Pressed(Key.STOP, reason))),
                Answer("Go on with the run", _nothing),
            ),
            field="reason, if there is one",
        )

    def ask_to_begin_again(self) -> None:
        """After a cut-off: near zero and the fuse come first."""
        seen = (
            "The inlet was seen near zero." if self.board.near_zero else "The inlet was not seen near zero."
        )
        self.window.question.ask(
            f"Begin again at or below 20 %. {seen} Is the fuse still good? Look or measure, unplugged.",
            (
                Answer("Fuse is good", lambda reason: self._begin_again(reason, True)),
                Answer("Fuse has blown", lambda reason: self._begin_again(reason, False)),
                Answer("Not now", _nothing),
            ),
            field="what was found and done",
        )

    def _begin_again(self, reason: str, intact: bool) -> None:
        self.send(Pressed(Key.REARM, reason, fuse_intact=intact))

    def done_by_hand(self) -> None:
        """The technician's word that the source is away."""
        if self.board.gone:
            self.leave()
        else:
            self.send(Pressed(Key.NEAR_ZERO, "dial at zero, unit unplugged"))

    def ask_to_close(self) -> None:
        """Closing asks while power is on; otherwise the recorder is told and answers."""
        if self.board.gone or self.board.hello is None:
            self.leave()
        elif not self.board.power_on:
            self.send(WantsToClose(power_off=False))
        else:
            self._ask_with_power_on()

    def _ask_with_power_on(self) -> None:
        hello = self.board.hello
        by_hand = hello is not None and not hello.programmed
        how = "Take the source away first" if by_hand else "Switch the source off, then close"
        self.window.question.ask(
            "Power is on. Closing the window does not switch the source off by itself.",
            (
                Answer(how, lambda _: self.send(WantsToClose(power_off=True))),
                Answer("Keep the window", _nothing),
            ),
        )

    def leave(self) -> None:
        """Close the window and end."""
        self._timer.stop()
        self.window.may_close = True
        self.window.close()
        QApplication.exit(0)


def _nothing(_: str) -> None:
    """An answer that does nothing."""
