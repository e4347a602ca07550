"""What the technician can do to a run, by key or mouse, and what is asked before it is done."""

from collections.abc import Callable

from PySide6.QtGui import QKeySequence, QShortcut

from benchlog.model.event import Key
from benchlog.model.history import Noted
from benchlog.model.protocol import EntryAdded, FromWindow, Pressed, WantsToClose
from benchlog.model.step import StepVerdict
from benchlog_ui.board import Board
from benchlog_ui.keys import Deed
from benchlog_ui.lines import row_of
from benchlog_ui.question import Answer
from benchlog_ui.shell import Shell
from benchlog_ui.stages import Stage
from benchlog_ui.window import Window

TAKE_BACK_KEY = "Ctrl+F2"


class Deeds:
    """The keys above the cut-off bar. The cut-off itself is not one of them: it can always be done."""

    def __init__(
        self, window: Window, board: Board, shell: Shell, send: Callable[[FromWindow], None]
    ) -> None:
        """Add the keys to the window."""
        self._window = window
        self._board = board
        self._shell = shell
        self._send = send
        page = shell.bring_up
        deeds = (
            Deed("F2", "note", "Write a note", window.keys.note.setFocus),
            Deed("F6", "moved", "The voltage has moved, or looks right", self.say_moved),
            Deed("F7", page.span_words(), "How much of the past the curves show", self.next_span),
            Deed("F8", "go on…", "Go on to the next step; with a reason where it is yours", self.go_on),
            Deed("F9", "end run", "End the run in order and take the source away", self.end),
            Deed("F10", "again…", "Begin again after a cut-off", self.begin_again),
            Deed("Ctrl+B", "begin…", "Begin a bring-up: what comes before power first", shell.begin),
        )
        for deed in deeds:
            window.keys.add(window, deed)
        shell.list_keys([(deed.key, deed.long) for deed in deeds])
        QShortcut(QKeySequence("Ctrl+F6"), window).activated.connect(page.turn_over)
        QShortcut(QKeySequence(TAKE_BACK_KEY), window).activated.connect(self.take_back)
        QShortcut(QKeySequence("Ctrl+Q"), window).activated.connect(window.close)
        for keys, step in (("Ctrl++", 1), ("Ctrl+=", 1), ("Ctrl+-", -1)):
            shortcut = QShortcut(QKeySequence(keys), window)
            shortcut.activated.connect(lambda s=step: window.larger_text(s))

    def allow(self) -> None:
        """Enable what can be done now."""
        board, keys = self._board, self._window.keys
        running = board.running
        verdict = board.judged.verdict if board.judged is not None else None
        keys.allow("F6", running)
        keys.allow("F8", running and verdict is not None and verdict is not StepVerdict.CUT_OFF)
        keys.allow("F9", running)
        keys.allow("F10", board.latched)
        keys.allow("Ctrl+B", not running and not board.power_on)

    def store_note(self, text: str) -> None:
        """Send a note to the history."""
        at = self._shell.at
        stage = at if at in [s.value for s in Stage] else Stage.BRING_UP.value
        self._send(EntryAdded(Noted(text, stage=stage)))

    def take_back(self) -> None:
        """What was entered by hand last does not count any more: why is asked for; it stays where it is."""
        from benchlog.cold.corrections import MAY_BE_VOID, correction, in_force

        entries = self._shell.entries
        entry = next((e for e in reversed(in_force(entries)) if isinstance(e.payload, MAY_BE_VOID)), None)
        row = row_of(entry) if entry is not None else None
        if entry is None or row is None:
            self._window.tell("There is nothing to take back: nothing was entered by hand yet.")
            return

        def gone(why: str) -> None:
            self._send(EntryAdded(correction(entries, entry.seq, why, "", void=True)))

        self._window.question.ask(
            f"Take back: {row.kind}, {row.what}? It stays in the history and does not count.",
            (Answer("Take it back", gone, needs_text=True), Answer("Leave it", _nothing)),
            field="why it does not count, recorded",
        )

    def say_moved(self) -> None:
        """The technician says that the voltage has moved, or looks right."""
        self._send(Pressed(Key.MOVED))

    def next_span(self) -> None:
        """Show another length of the past."""
        self._window.keys.rename("F7", self._shell.bring_up.next_span())

    def go_on(self) -> None:
        """Go on; where the program does not say *go up*, a reason is asked for first."""
        judged = self._board.judged
        if judged is not None and judged.verdict is StepVerdict.GO_UP:
            self._send(Pressed(Key.GO_ON))
            return
        why = f" The program says: {judged.reason}." if judged is not None and judged.reason else ""
        self._window.question.ask(
            f"Go on to the next step on your word.{why}",
            (
                Answer("Go on", lambda reason: self._send(Pressed(Key.GO_ON, reason)), needs_text=True),
                Answer("Stay here", _nothing),
            ),
            field="reason, recorded with the step",
        )

    def end(self) -> None:
        """Ask before the run is ended in order."""
        self._window.question.ask(
            "End the run and take the source away in order?",
            (
                Answer("End the run", lambda reason: self._send(Pressed(Key.STOP, reason))),
                Answer("Go on with the run", _nothing),
            ),
            field="reason, if there is one",
        )

    def begin_again(self) -> None:
        """After a cut-off: near zero and the fuse come first."""
        near = self._board.near_zero
        seen = "The inlet was seen near zero." if near else "The inlet was not seen near zero."
        self._window.question.ask(
            f"Begin again at or below 20 %. {seen} Is the fuse still good? Look or measure, unplugged.",
            (
                Answer("Fuse is good", lambda reason: self._rearm(reason, True)),
                Answer("Fuse has blown", lambda reason: self._rearm(reason, False)),
                Answer("Not now", _nothing),
            ),
            field="what was found and done",
        )

    def _rearm(self, reason: str, intact: bool) -> None:
        self._send(Pressed(Key.REARM, reason, fuse_intact=intact))

    def ask_to_close(self) -> None:
        """Power is on and the window is to be closed."""
        hello = self._board.hello
        by_hand = hello is not None and not hello.programmed
        how = "End the run: I take the source away" if by_hand else "Switch the source off, then close"
        self._window.question.ask(
            "Power is on. Closing the window does not switch the source off by itself.",
            (
                Answer(how, lambda _: self._send(WantsToClose(power_off=True))),
                Answer("Keep the window", _nothing),
            ),
        )


def _nothing(_: str) -> None:
    """An answer that does nothing."""
