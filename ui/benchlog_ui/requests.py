"""What the window asks the recorder for: a bring-up, another bench, another job, a rehearsal."""

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import msgspec

from benchlog.model.history import Noted
from benchlog.model.protocol import (
    Answered,
    BenchAsked,
    EntryAdded,
    FromWindow,
    JobAsked,
    ReferenceAsked,
    RehearsalAsked,
    RolesGiven,
    RunAsked,
)
from benchlog.model.role import Role
from benchlog.model.unit import Unit
from benchlog_ui.board import Board
from benchlog_ui.question import Answer
from benchlog_ui.window import Window

if TYPE_CHECKING:
    from benchlog_ui.before import BeforePage
    from benchlog_ui.planedit import Edit

_POWER = "Power is on: end the run first (F9)."


class Requests:
    """Asks, and shows what came of it. Nothing here waits."""

    def __init__(self, window: Window, board: Board, send: Callable[[FromWindow], None]) -> None:
        """Nothing is asked yet."""
        self._window = window
        self._board = board
        self._send = send
        self._run: RunAsked | None = None

    def begin(self, unit: Unit | None, page: "BeforePage", standing: Sequence[str] = ()) -> None:
        """The bring-up as the page shows it; what was not seen to, or stands open, is asked for first."""
        from benchlog_ui.planedit import plan_file, plan_text

        fault = page.begin.fault()
        if unit is None or page.plan is None or fault:
            self._window.tell(fault or page.words.text().partition("\n")[0])
            return
        steps = page.plan.steps
        asked = RunAsked(
            unit=unit,
            lamp_w=page.begin.lamp_w,
            soak_min=page.begin.soak_min,
            ask=page.begin.ask.isChecked(),
            plan=plan_text(plan_file(steps, page.edits)),
            references=page.begin.reference.names,
        )
        left = page.unanswered()
        if not left and not standing:
            self._ask_run(asked)
            return
        lines = [f"Open before power: {line}." for line in standing]
        lines += [f"Not seen to: {', '.join(left)}."] if left else []
        self._window.question.ask(
            "\n".join([*lines, "Begin on your word?"]) if standing else f"{lines[0]} Begin on your word?",
            (
                Answer("Begin on my word", lambda why: self._on_word(asked, lines, why), needs_text=True),
                Answer("See to it first", _nothing),
            ),
            field="why it may be left, recorded",
        )

    def _on_word(self, asked: RunAsked, lines: list[str], why: str) -> None:
        self._send(EntryAdded(Noted(f"{' '.join(lines)} Begun all the same: {why}", stage="before-power")))
        self._ask_run(asked)

    def _ask_run(self, asked: RunAsked) -> None:
        self._run = asked
        self._send(asked)

    def change(self, page: "BeforePage", row: int, edit: "Edit") -> None:
        """Another limit at a step: the reason comes first, and both are recorded."""
        from benchlog_ui.planedit import Edit, edit_words

        plan = page.plan
        if plan is None:
            return
        step = plan.steps[row]
        before = page.edits.get(row)
        merged = Edit(
            edit.acceptance_a if edit.acceptance_a is not None else before.acceptance_a if before else None,
            edit.stop_a if edit.stop_a is not None else before.stop_a if before else None,
            before.reason if before else "",
        )

        def take(reason: str) -> None:
            page.edits[row] = replace(merged, reason=reason)
            self._send(EntryAdded(Noted(edit_words(step, page.edits[row]), stage="before-power")))

        def back(_: str) -> None:
            page.edits.pop(row, None)

        answers = [Answer("Change it", take, needs_text=True)]
        answers += [Answer("As the rules have it", back)] if before else []
        self._window.question.ask(
            edit_words(step, merged).removesuffix(" ") + " Why?",
            (*answers, Answer("Leave it", _nothing)),
            field="reason, recorded with the plan",
        )

    def answered(self, answer: Answered) -> None:
        """What came of it: a question that has to be answered first, or a sentence."""
        run = self._run
        if not answer.question or run is None:
            self._window.tell(answer.text)
            return
        self._window.question.ask(
            f"Open before power: {answer.text}",
            (
                Answer("Begin on my word", lambda said: self._checked(run, answer, said), needs_text=True),
                Answer("Not now", _nothing),
            ),
            field="what was looked at, or why all the same: recorded",
        )

    def _checked(self, run: RunAsked, asked: Answered, said: str) -> None:
        text = f"Asked before power: {asked.text} Answered: {said}"
        self._send(EntryAdded(Noted(" ".join(text.splitlines()), stage="before-power")))
        self._ask_run(msgspec.structs.replace(run, checked=said))

    def ask_reference(self, names: tuple[str, ...]) -> None:
        """What these reference units drew; the answer comes by the board."""
        if names:
            self._send(ReferenceAsked(names))

    # ---- another bench, another job ------------------------------------------------------------------

    def use_bench(self, path: str) -> None:
        """Read the instruments of a bench file; empty for none."""
        self._ask(BenchAsked(path))

    def open_job(self, path: str) -> None:
        """Go on with another session; empty for a new job."""
        self._ask(JobAsked(path))

    def rehearse(self, words: dict[str, str]) -> None:
        """A simulated bench with a job of its own."""
        self._ask(RehearsalAsked(words))

    def give_roles(self, roles: dict[str, tuple[Role, ...]]) -> None:
        """Other parts for instruments."""
        self._ask(RolesGiven(roles))

    def _ask(self, request: FromWindow) -> None:
        if self._board.power_on:
            self._window.tell(_POWER)
        else:
            self._send(request)


def _nothing(_: str) -> None:
    """An answer that does nothing."""
