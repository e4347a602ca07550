"""``benchlog rehearse``: simulated bench, bring-up and document in one."""

import argparse
from datetime import datetime
from pathlib import Path

from benchlog.bench.file import load_bench
from benchlog.cli.assumed import assumed
from benchlog.cli.bringup import finish
from benchlog.cli.conduct import Sitting, conduct
from benchlog.cli.options import add_json_option, add_run_options, add_unit_options, unit_from
from benchlog.cli.plan import plan_for
from benchlog.cli.simulate import add_bench_options, options_from
from benchlog.model.errors import EnvironmentFault
from benchlog.model.job import Job
from benchlog.model.unit import Unit
from benchlog_drivers.simulated.options import WAVEFORM_KINDS
from benchlog_drivers.simulated.process import spawn

DEFAULT_SCALE = 20.0


def add_options(parser: argparse.ArgumentParser, name: str) -> None:
    """Options of ``rehearse``."""
    add_unit_options(parser)
    add_run_options(parser)
    add_bench_options(parser)
    parser.add_argument(
        "--when-not-judged",
        choices=("go-on", "end"),
        default="go-on",
        help="what the simulated technician does at a step that is left to him (default: go-on)",
    )
    parser.add_argument("--no-window", action="store_true", help="text only, even where there is a display")
    parser.add_argument(
        "--out", type=Path, default=Path("out"), metavar="DIR", help="for session and document"
    )
    add_json_option(parser)


def run(args: argparse.Namespace) -> int:
    """Rehearse, and tell how it went."""
    scale = 1.0 if args.meters in WAVEFORM_KINDS else DEFAULT_SCALE
    options = options_from(args, **({} if args.time_scale else {"time_scale": scale}))
    session = free_name(args.out)
    with spawn(options) as simulated:
        bench = load_bench(simulated.bench_path)
        unit = unit_from(args, simulated.ready.unit)
        sitting = Sitting(
            bench=bench,
            unit=unit,
            plan=plan_for(bench, unit, args),
            session=session,
            document=session.with_suffix(".pdf"),
            window=not args.no_window,
            answer=args.when_not_judged,
            job=_job(session, unit),
            assumed=tuple(assumed(unit, args, "of the simulated unit")),
        )
        report = conduct(sitting, args)
    return finish(report, args)


def _job(session: Path, unit: Unit) -> Job:
    return Job(
        number=session.stem,
        complaint="none: a rehearsal, no unit is connected",
        unit=unit,
        received=datetime.now().astimezone(),
        simulated=True,
        invented=True,
    )


def free_name(folder: Path) -> Path:
    """A session name in ``folder`` that is not taken; makes the folder, or raises `EnvironmentFault`."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise EnvironmentFault(
            f"The folder {folder} can't be made: {error.strerror}. Choose another with --out."
        ) from error
    stamp = f"rehearsal-{datetime.now():%Y%m%d-%H%M%S}"
    names = (folder / f"{stamp}{'' if n == 1 else f'-{n}'}.benchlog" for n in range(1, 1000))
    return next(name for name in names if not name.exists())
