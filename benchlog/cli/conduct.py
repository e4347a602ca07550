"""One bring-up from bench to document: what ``bringup`` and ``rehearse`` have in common."""

import argparse
import os
import stat
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TextIO

from benchlog.bench.check import check_bench
from benchlog.bench.file import Bench
from benchlog.bringup.plan import Plan
from benchlog.bringup.watch import BringUp
from benchlog.cli.before import answer, asked_before, entries_of, note_of, terminal
from benchlog.cli.entries import workshop
from benchlog.cli.narrator import Narrator
from benchlog.cli.output import say
from benchlog.cli.plan import plan_as_text
from benchlog.cli.result import RunReport, report_of
from benchlog.cli.setup import run_setup
from benchlog.model.clock import RealClock
from benchlog.model.errors import EnvironmentFault, UsageError
from benchlog.model.history import RunBegun
from benchlog.model.job import Job
from benchlog.model.unit import Unit
from benchlog.recorder.contract import NotJudged, Options
from benchlog.recorder.recorder import Recorder
from benchlog.recorder.window import window_command
from benchlog.session.lock import Holder
from benchlog.session.writer import SessionWriter
from benchlog_drivers.registry import make as make_adaptor

WINDOW = window_command()


@dataclass(frozen=True, slots=True)
class Sitting:
    """What one bring-up is conducted with."""

    bench: Bench
    unit: Unit
    plan: Plan
    session: Path
    document: Path | None
    window: bool
    answer: NotJudged | None
    job: Job
    assumed: tuple[str, ...] = ()
    """What the plan is reckoned with, as lines."""
    about_job: tuple[str, ...] = ()
    """What has to be asked of the job and its unit."""


def conduct(sitting: Sitting, args: argparse.Namespace) -> RunReport:
    """Record the run, close the session, make the document; returns how it went.

    Raises `PlanRefused` before power where plan or bench would harm, and any environment fault.
    """
    _look_at_keys(sitting, args)
    setup = run_setup(sitting.bench, sitting.unit, sitting.plan, args)
    warnings = (*sitting.plan.warnings, *check_bench(sitting.bench, setup, date.today()))
    entries = entries_of(sitting.session)
    asked = asked_before(sitting.bench, sitting.unit, sitting.plan, entries, sitting.about_job)
    for line in (*sitting.assumed, *plan_as_text(sitting.plan)):
        say(line)
    for warning in warnings:
        if warning not in asked.lines:
            say(f"note: {warning}")
    reason = answer(asked, args, sitting.answer is not None, terminal())
    if reason:
        warnings = (*warnings, f"Answered before power: {reason}")
    scale = sitting.bench.simulated.time_scale if sitting.bench.simulated else 1.0
    if scale != 1.0:
        say(f"Simulated bench: {scale:g} seconds pass there in one of ours.")
    clock, store = open_store(sitting.session, sitting.job, scale, "bring-up")
    if reason:
        by = "simulated technician" if sitting.answer is not None else workshop().technician
        store.add_entry(note_of(asked, reason, by), clock.now(), clock.wall())
    options = Options(
        window=WINDOW if sitting.window else None,
        listener=Narrator(terminal() is not None).hear,
        show=say,
        terminal=terminal(),
        answer_not_judged=sitting.answer,
        make_document=(lambda session: make_document_apart(session, sitting.document))
        if sitting.document is not None
        else None,
    )
    recorder = Recorder(
        store,
        sitting.bench,
        make_adaptor,
        clock,
        engine=BringUp(setup),
        begun=RunBegun(setup=setup, warnings=warnings),
        job=sitting.job,
        options=options,
    )
    done = recorder.run()
    return report_of(sitting.session, done.document, (*warnings, *done.warnings))


def _look_at_keys(sitting: Sitting, args: argparse.Namespace) -> None:
    """Say that piped keys are not taken. `UsageError` where steps wait for a key that nobody can press."""
    if terminal() is not None:
        return
    if args.ask and not sitting.window and sitting.answer is None:
        raise UsageError("--ask waits for a key at each step: it needs a terminal, or --window.")
    if is_piped(sys.stdin):
        say("note: Keys are taken from a terminal or the window only; what is piped in is ignored.")


def is_piped(stream: TextIO | None) -> bool:
    """Whether a stream is a pipe or a file, from which keys might have been meant to come."""
    try:
        mode = os.fstat(stream.fileno()).st_mode if stream is not None else 0
    except (OSError, ValueError):
        return False
    return stat.S_ISFIFO(mode) or stat.S_ISREG(mode)


def open_store(session: Path, job: Job, scale: float, what: str) -> tuple[RealClock, SessionWriter]:
    """A session's writer and a clock on its axis; the session is begun with ``job`` where it is not there."""
    holder = Holder(os.getpid(), what=what)
    if session.exists():
        store = SessionWriter.append_to(session, RealClock().wall(), scale=scale, holder=holder)
        return RealClock(scale, start_us=store.start_us), store
    clock = RealClock(scale)
    store = SessionWriter.create(session, job, clock.wall(), t_us=clock.now(), scale=scale, holder=holder)
    return clock, store


def make_document_apart(session: Path, out: Path | None) -> Path | None:
    """The document of a closed session, made in a process of its own; `EnvironmentFault` if it fails."""
    if out is None:
        return None
    words: Sequence[str] = (sys.executable, "-m", "benchlog", "document", str(session), "-o", str(out))
    done = subprocess.run(words, stdin=subprocess.DEVNULL, capture_output=True, text=True, check=False)
    if done.returncode:
        raise EnvironmentFault(f"The session is complete, its document is not: {done.stderr.strip()}")
    return out
