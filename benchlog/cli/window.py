"""``benchlog open`` (and ``benchlog`` by itself): the window, on a new session or one that is there."""

import argparse
from datetime import datetime
from pathlib import Path

from benchlog.bench.file import Bench, load_bench
from benchlog.cli.conduct import WINDOW, open_store
from benchlog.cli.inside import take_out
from benchlog.cli.output import say
from benchlog.model.clock import RealClock
from benchlog.model.errors import Exit
from benchlog.model.job import Job
from benchlog.recorder.contract import Options
from benchlog.recorder.recorder import Recorder
from benchlog.report.pages import is_document
from benchlog.session.place import new_session_path, sessions_folder
from benchlog.session.reader import SessionReader
from benchlog.session.writer import SessionWriter
from benchlog_drivers.registry import make as make_adaptor


def add_options(parser: argparse.ArgumentParser, name: str) -> None:
    """Options of ``open``."""
    parser.add_argument(
        "session",
        type=Path,
        nargs="?",
        metavar="SESSION",
        help="session file, or document (PDF); without one, a new job",
    )
    parser.add_argument(
        "--bench", type=Path, metavar="FILE", help="instruments that are read while the window is open"
    )


def run(args: argparse.Namespace) -> int:
    """Show the window until it is closed; entries go into the session."""
    bench = load_bench(args.bench) if args.bench else Bench(name="no instruments", instrument=())
    scale = bench.simulated.time_scale if bench.simulated else 1.0
    session = args.session or new_session_path(sessions_folder(), datetime.now().astimezone())
    if is_document(session):
        session = take_out(session)
        say(f"The session inside was put at {session}; entries go there, not into the document.")
    clock, store, job = _open(session, scale)
    options = Options(window=WINDOW, show=say)
    result = Recorder(store, bench, make_adaptor, clock, job=job, options=options).run()
    if result.window not in ("shown", "none"):
        say(f"benchlog: {result.window}")
        return int(Exit.ENVIRONMENT)
    return int(Exit.DONE)


def _open(session: Path, scale: float) -> tuple[RealClock, SessionWriter, Job]:
    """A clock, the session's writer and its job; the session is begun where it is not there."""
    job = Job(number=session.stem)
    if session.exists():
        with SessionReader(session, untrusted=True) as reader:
            job = reader.job()
    else:
        say(f"Session: {session}")
    clock, store = open_store(session, job, scale, "window")
    return clock, store, job
