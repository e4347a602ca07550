"""``benchlog bringup``: a unit on the instruments of a bench file."""

import argparse
from pathlib import Path

import msgspec

from benchlog.bench.file import Bench, load_bench
from benchlog.cli.assumed import assumed, describes_unit
from benchlog.cli.before import about_unit
from benchlog.cli.conduct import Sitting, conduct
from benchlog.cli.options import (
    add_json_option,
    add_run_options,
    add_unit_options,
    check_session_name,
    unit_from,
)
from benchlog.cli.output import print_json, print_lines, say
from benchlog.cli.plan import plan_for
from benchlog.cli.result import EXIT_OF, RunReport
from benchlog.cli.show import steps_as_text
from benchlog.model.errors import PlanRefused
from benchlog.model.job import Job
from benchlog.recorder.contract import NotJudged
from benchlog.session.reader import SessionReader
from benchlog_drivers.traits import with_traits


def add_options(parser: argparse.ArgumentParser, name: str) -> None:
    """Options of ``bringup``."""
    parser.add_argument("--bench", type=Path, required=True, metavar="FILE", help="bench file")
    parser.add_argument(
        "--out", type=Path, required=True, metavar="FILE.benchlog", help="session to record into"
    )
    add_unit_options(parser)
    add_run_options(parser)
    parser.add_argument("--document", type=Path, metavar="OUT.pdf", help="make the document too")
    parser.add_argument("--window", action="store_true", help="show the window")
    parser.add_argument(
        "--when-not-judged",
        choices=("go-on", "end"),
        help="a simulated technician answers at steps left to him; simulated bench only",
    )
    add_json_option(parser)


def run(args: argparse.Namespace) -> int:
    """Bring it up, and tell how it went."""
    known = job_of(args.out)
    if not args.out.exists():
        say(f"{args.out} is a new job.")
    bench = with_traits(load_bench(args.bench))
    unit = unit_from(args, known.unit or bench.unit)
    simulated = known.simulated or bench.simulated is not None
    sitting = Sitting(
        bench=bench,
        unit=unit,
        plan=plan_for(bench, unit, args),
        session=args.out,
        document=args.document,
        window=args.window,
        answer=_answer(args, bench),
        job=msgspec.structs.replace(known, unit=unit, simulated=simulated),
        assumed=tuple(assumed(unit, args, _whose(known, bench))),
        about_job=about_unit(args.out, known.unit, bench.unit, describes_unit(args)),
    )
    return finish(conduct(sitting, args), args)


def _whose(known: Job, bench: Bench) -> str:
    """Whose word the unit is where no option says otherwise."""
    if known.unit is not None:
        return "of the job"
    return "of the bench file" if bench.unit is not None else ""


def job_of(session: Path) -> Job:
    """The job of a session that is there, or a new one. `UsageError` for a name that can't be meant."""
    check_session_name(session)
    if not session.exists():
        return Job(number=session.stem)
    with SessionReader(session, untrusted=True) as reader:
        return reader.job()


def finish(report: RunReport, args: argparse.Namespace) -> int:
    """Print how a run went, as JSON or text; returns the exit code."""
    if args.json:
        print_json(report)
    else:
        print_lines(
            [*steps_as_text(report.steps), f"{report.outcome.value}: {report.reason}", *_more(report)]
        )
    return EXIT_OF[report.outcome]


def _answer(args: argparse.Namespace, bench: Bench) -> NotJudged | None:
    """The simulated technician; `PlanRefused` beside real instruments, where only a person decides."""
    answer: NotJudged | None = args.when_not_judged
    if answer is not None and bench.simulated is None:
        raise PlanRefused("--when-not-judged answers for a technician. It works on a simulated bench only.")
    return answer


def _more(report: RunReport) -> list[str]:
    lines = list(report.claims)
    lines += [f"not judged: {line}" for line in report.not_judged]
    lines += [f"not tested: {line}" for line in report.not_tested]
    lines.append(f"session: {report.session}")
    return lines + ([f"document: {report.document}"] if report.document else [])
