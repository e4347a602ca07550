"""Where words from outside the watch arrive: keys, window, other programs, the source's worker, failures."""

import logging
import threading

from benchlog.bench.adaptor import StandbyOrder
from benchlog.model.clock import Clock
from benchlog.model.errors import SessionFault, UsageError
from benchlog.model.event import Key, KeyPressed
from benchlog.model.history import (
    Approved,
    Corrected,
    JobEnded,
    JobEntered,
    Noted,
    PartChanged,
    Payload,
    PointsListed,
    Taken,
)
from benchlog.model.protocol import (
    Answered,
    EntryAdded,
    FromWindow,
    Inquiry,
    Painted,
    Pong,
    Pressed,
    RawAsked,
    Request,
    Trouble,
    WantsToClose,
)
from benchlog.model.work import (
    Adjusted,
    Estimated,
    FinalChecked,
    FirstLook,
    Photographed,
    SafetyMeasured,
)
from benchlog.recorder.attention import Attention
from benchlog.recorder.contract import Desk
from benchlog.recorder.crew import Crew
from benchlog.recorder.dispatch import Dispatch
from benchlog.recorder.realtime import real_s
from benchlog.recorder.source import SourceNews
from benchlog.recorder.standby_link import StandbyLink
from benchlog.recorder.watch import Watch
from benchlog.recorder.window import WindowLink
from benchlog.recorder.writer import Writer
from benchlog.session.crashlog import write_crash_log

ENTRIES = (
    JobEntered, Noted, Taken, PointsListed, PartChanged, Approved, JobEnded, Corrected, FirstLook,
    Photographed, Estimated, Adjusted, FinalChecked, SafetyMeasured,
)  # fmt: skip
"""What a technician may enter; the rest of the history only the recorder writes."""
ENTER_S = 5.0
"""Real seconds that another program's entry may take to the disk."""
HARMLESS = ("window", "herald", "control")
"""Threads whose failure does not end a run."""
ONE_RUN = "This window was opened for one bring-up. 'benchlog open' opens one for whole jobs."
BUSY = "Not while a bring-up runs or the source is on. End the run first (F9)."

_log = logging.getLogger(__name__)


class Switchboard:
    """Handles what arrives, on the thread on which it arrives."""

    crew: Crew
    watch: Watch
    dispatch: Dispatch
    writer: Writer
    window: WindowLink | None = None
    desk: Desk | None = None

    def __init__(self, clock: Clock, attention: Attention) -> None:
        """The parts that it connects are set before anything is started."""
        self._clock = clock
        self.attention = attention
        self.standby = StandbyLink(clock, on_word=self.standby_word)
        self.changed = threading.Event()
        """Set whenever the end of the run may have come nearer."""
        self.leaving = False
        """The technician wants to be done: window closed, second interrupt."""
        self.fatal: Exception | None = None
        """Why the recorder can't go on."""
        self.early: KeyPressed | None = None
        """A word to end, given before the run had begun: the first thing that it is told."""
        self.warnings: list[str] = []
        self.source_text = ""

    # ---- the technician ----------------------------------------------------------------------------

    def press(self, pressed: KeyPressed) -> None:
        """A key. A cut-off goes to the source before anybody is asked."""
        self.attention.touched(real_s(self._clock))
        if pressed.key is Key.CUT_OFF:
            self.crew.switch_off(True)
        if self.watch.begun:
            self.watch.tell(pressed)
        elif pressed.key in {Key.CUT_OFF, Key.STOP}:
            self.early = pressed
        self.changed.set()

    def hear(self, message: FromWindow) -> None:
        """A message of the window."""
        if isinstance(message, Pong):
            self.attention.answered(real_s(self._clock), message.input_age_s)
        elif isinstance(message, Painted):
            self.attention.window_started(real_s(self._clock))
        elif isinstance(message, Pressed):
            self.press(KeyPressed(message.key, message.reason, "window", message.fuse_intact))
        elif isinstance(message, EntryAdded):
            self._enter_from_window(message.payload)
        elif isinstance(message, Trouble):
            _keep_trouble(message.text)
        elif isinstance(message, WantsToClose):
            self._window_closes(message.power_off)
        elif isinstance(message, Request | Inquiry):
            self._asked(message)

    def _asked(self, message: Request | Inquiry) -> None:
        """Something that takes another sitting: this one ends in order where it may."""
        self.attention.touched(real_s(self._clock))
        answer: Answered | None
        if self.desk is None:
            answer = Answered(ONE_RUN, refused=True)
        elif not isinstance(message, RawAsked) and self.busy:
            answer = Answered(BUSY, refused=True)
        else:
            answer = self.desk.ask(message)
        if answer is not None:
            self.say(answer)
        elif not isinstance(message, Inquiry):
            self.leaving = True
            self.changed.set()

    @property
    def busy(self) -> bool:
        """Whether a run goes on, or its source is not known to be away."""
        if not self.watch.begun:
            return False
        engine = self.watch.engine
        return engine.ended is None or self.crew.power_on or not (self.crew.source or engine.power_gone)

    def say(self, answer: Answered) -> None:
        """Tell the window what came of what it asked for."""
        if self.window is not None:
            self.window.outbox.add(answer)

    def enter(self, payload: Payload) -> int:
        """An entry of another program; its number once it is on the disk."""
        if not isinstance(payload, ENTRIES):
            raise UsageError(
                "Only what a technician enters can be added; the rest is written by the recorder."
            )
        posted = self.writer.add_entry(payload, self._clock.now())
        if not posted.done.wait(ENTER_S):
            raise SessionFault("The disk does not answer; the entry waits for it. Look at the history later.")
        if posted.fault or posted.seq is None:
            raise SessionFault(f"The entry was not stored: {posted.fault}")
        return posted.seq

    def press_from_outside(self, pressed: Pressed) -> None:
        """A key sent by another program."""
        self.press(KeyPressed(pressed.key, pressed.reason, "command", pressed.fuse_intact))

    def _enter_from_window(self, payload: Payload) -> None:
        self.attention.touched(real_s(self._clock))
        if isinstance(payload, ENTRIES):
            self.writer.add_entry(payload, self._clock.now())
        else:
            _log.error("the window wanted to enter a %s", type(payload).__name__)

    def _window_closes(self, power_off: bool) -> None:
        running = self.watch.begun and self.watch.engine.ended is None
        if running and power_off:
            self.press(KeyPressed(Key.STOP, "The window was closed.", "window"))
        elif running and self.window is not None:
            self.dispatch.note("The window was closed; the run goes on as text.")
            self.window.say_closing()
        self.changed.set()

    # ---- the source and its standby ------------------------------------------------------------------

    def source_news(self, news: SourceNews) -> None:
        """What the source's worker has to say."""
        if news.kind == "sent":
            self.dispatch.sent(news.t_us)
        elif news.kind == "confirmed":
            self.source_text = ""
            self.dispatch.confirmed(news.t_us, news.text)
        elif news.kind == "standby":
            self._start_standby(news.standby)
        elif news.kind in {"warning", "unconfirmed"}:
            self.source_text = news.text
            self.warn(news.text)
        self.changed.set()

    def standby_word(self, word: str) -> None:
        """What the standby did by itself."""
        if word == "off-sent":
            self.warn("The standby switched the source off, because the recorder had been silent.")
            self.press(
                KeyPressed(Key.CUT_OFF, "The recorder was silent; the standby switched off.", "standby")
            )
        elif word == "gone":
            self.warn("The standby had ended or did not answer; it was started again.")

    def warn(self, text: str) -> None:
        """Tell the technician something once, and put it into the history."""
        if text not in self.warnings:
            self.warnings.append(text)
            self.dispatch.note(text)

    def _start_standby(self, order: StandbyOrder | None) -> None:
        if order is None:
            self.warn(
                "No standby: this source takes no second connection; nothing switches off for the recorder."
            )
            return
        state = self.standby.start(order)
        if state != "ready":
            self.warn(f"No standby: it can't reach the source ({state or 'it did not start'}).")

    # ---- failures ------------------------------------------------------------------------------------

    def failure(self, name: str, error: Exception) -> None:
        """A thread ended by a fault."""
        if name.startswith(HARMLESS):
            self.warn(f"A part of the recorder failed ({name}: {error}); the run goes on. See the log.")
            return
        self.broken(error)

    def broken(self, error: Exception) -> None:
        """Something that a run needs has failed: take the source away and end. Takes no lock of the watch."""
        self.fatal = self.fatal or error
        self.crew.switch_off(True)
        self.changed.set()

    def trouble(self, text: str) -> None:
        """A fault of an instrument that does not read: the contactor."""
        self.warn(text)


def _keep_trouble(text: str) -> None:
    """A bug in the window, into the crash log; a log that can't be written is no reason to end a run."""
    try:
        kept = str(write_crash_log(text))
    except OSError as error:
        kept = f"nowhere: {error.strerror}"
    _log.error("fault in the window (kept in %s): %s", kept, text)
