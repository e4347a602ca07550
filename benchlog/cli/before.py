"""What has to be answered before power: gathered, shown, asked, and recorded as a note of the session.

asked_before(…) -> Asked                 what stands open in the job, in the plan and on the bench
answer(asked, args, person) -> str       the reason to go on; `PlanRefused` where none was given
"""

import argparse
import difflib
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TextIO

from benchlog.bench.check import ask_before_power
from benchlog.bench.file import Bench
from benchlog.bringup.plan import Plan
from benchlog.cli.output import say
from benchlog.job.openpoints import STAGE, open_cut_off, open_earth, open_points
from benchlog.model.errors import PlanRefused
from benchlog.model.history import Entry, Noted
from benchlog.model.reason import reason_of
from benchlog.model.unit import Unit
from benchlog.report.heading import describe_plate
from benchlog.session.reader import SessionReader

HEAD = "Open before power:"
SIMULATED_REASON = "simulated technician: a rehearsal, no unit is connected"


@dataclass(frozen=True, slots=True)
class Asked:
    """Questions before power."""

    job: tuple[str, ...] = ()
    """What stands open in the job, and what the plan can't do: answered by ``--despite``."""
    bench: tuple[str, ...] = ()
    """Of the bench: answered by ``--checked`` or ``--despite``."""

    @property
    def lines(self) -> tuple[str, ...]:
        """All of them."""
        return (*self.job, *self.bench)


def asked_before(
    bench: Bench, unit: Unit, plan: Plan, entries: Sequence[Entry], about_job: Sequence[str] = ()
) -> Asked:
    """Everything to ask before this unit is powered on this bench. `PlanRefused` where power would harm."""
    job = (*about_job, *open_points(entries), *open_cut_off(entries), *open_earth(entries, unit), *plan.asked)
    return Asked(job, ask_before_power(bench, unit, date.today()))


def entries_of(session: Path) -> tuple[Entry, ...]:
    """The history of a session, without photographs; empty where there is none yet."""
    if not session.exists():
        return ()
    with SessionReader(session, untrusted=True) as reader:
        return reader.entries(photographs=False)


def about_unit(session: Path, known: Unit | None, bench: Unit | None, options: bool) -> tuple[str, ...]:
    """Whose unit is taken, where that may not be meant.

    ``known``: the job's; ``bench``: the bench file's; ``options``: whether the command's options describe it.
    """
    if options or bench is None:
        return ()
    if known is None:
        what = "is a new job" if not session.exists() else "says nothing of its unit"
        return (f"{session} {what}; the unit is the bench file's: {describe_plate(bench)}{_near(session)}",)
    if _same(known, bench):
        return ()
    return (
        f"the bench file speaks of another unit ({describe_plate(bench)}) than the job "
        f"({describe_plate(known)}); the job's is used",
    )


def _same(one: Unit, other: Unit) -> bool:
    return (one.plate, one.mains_v, one.amplifier, one.supply) == (
        other.plate,
        other.mains_v,
        other.amplifier,
        other.supply,
    )


def _near(session: Path) -> str:
    """A session beside it with nearly the same name, which may have been meant."""
    if session.exists():
        return ""
    there = [path.name for path in session.absolute().parent.glob("*.benchlog")]
    close = difflib.get_close_matches(session.name, there, n=1, cutoff=0.75)
    return f". Did you mean {close[0]}?" if close else ""


def show(asked: Asked) -> None:
    """The questions as lines, before anything else is done."""
    if asked.lines:
        say(HEAD)
        for line in asked.lines:
            say(f"  - {line}")


def answer(asked: Asked, args: argparse.Namespace, simulated: bool, person: TextIO | None = None) -> str:
    """Why to go on in spite of it: by option, by the simulated technician, or typed at a terminal.

    ``person``: where a technician types (a terminal); None where nobody can be asked. `PlanRefused` where
    there is no answer, `UsageError` for one that says nothing.
    """
    if not asked.lines:
        return ""
    show(asked)
    reason = _given(asked, args)
    if reason:
        return reason
    if simulated:
        say(f"The simulated technician goes on in spite of it ({len(asked.lines)} open).")
        return SIMULATED_REASON
    if person is None:
        raise PlanRefused(_refused(asked))
    say("Type why you go on in spite of it, then Enter: it is recorded. Enter alone: no power.")
    reason = reason_of(person.readline())
    if not reason:
        raise PlanRefused("Not begun: no power was put on, nothing was recorded.")
    return reason


def _given(asked: Asked, args: argparse.Namespace) -> str:
    """The answer by options, where they answer everything that is asked."""
    despite = reason_of(args.despite, "--despite")
    checked = reason_of(args.checked, "--checked")
    return despite or (checked if not asked.job else "")


def _refused(asked: Asked) -> str:
    options = "--despite REASON" if asked.job else "--checked REASON"
    return (
        f"Not begun, no power was put on: {len(asked.lines)} open, listed above. See to it, or go on in "
        f"spite of it with {options}; the reason is recorded."
    )


def note_of(asked: Asked, reason: str, by: str) -> Noted:
    """The answer as an entry of the history."""
    return Noted(f"{HEAD} {'; '.join(asked.lines)}. Gone on with: {reason}", by=by, stage=STAGE)


def terminal() -> TextIO | None:
    """Where a technician types; None where standard input is no terminal."""
    return sys.stdin if sys.stdin is not None and sys.stdin.isatty() else None
