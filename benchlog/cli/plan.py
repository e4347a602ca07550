"""``benchlog plan``: the steps of a unit, their limits, what the meters can judge, and what is open."""

import argparse
from datetime import date
from pathlib import Path

import msgspec

from benchlog.bench.check import check_bench
from benchlog.bench.file import Bench, load_bench
from benchlog.bringup.plan import Plan, make_plan
from benchlog.bringup.planfile import load_plan
from benchlog.cli.assumed import assumed, describes_unit
from benchlog.cli.before import HEAD, Asked, about_unit, asked_before, entries_of
from benchlog.cli.options import add_json_option, add_run_options, add_unit_options, unit_from
from benchlog.cli.output import columns, print_json, print_lines
from benchlog.cli.reference import load_references
from benchlog.cli.setup import HAND_SET, periods, sheets, source_of
from benchlog.cli.simulate import add_bench_options, options_from
from benchlog.model.errors import Exit
from benchlog.model.step import Step
from benchlog.model.unit import Unit
from benchlog.session.reader import SessionReader
from benchlog_drivers.simulated.make import bench_file, make_bench
from benchlog_drivers.traits import with_traits


class PlannedStep(msgspec.Struct, frozen=True):
    """One step as it is printed; the keys are a contract."""

    fraction: float
    set_v: float
    acceptance_a: float
    acceptance_source: str
    stop_a: float
    stop_source: str
    judgeable: bool | None
    """None where no bench file says with which meters."""
    remedy: str


class PlanReport(msgspec.Struct, frozen=True):
    """The plan as it is printed; the keys are a contract."""

    unit: Unit
    mains_v: float
    steps: tuple[PlannedStep, ...]
    warnings: tuple[str, ...]
    refused: str
    assumed: tuple[str, ...] = ()
    """What it was reckoned with, and whose word that is."""
    open: tuple[str, ...] = ()
    """What ``bringup`` asks before power."""


class Known(msgspec.Struct, frozen=True):
    """What a plan is made with."""

    bench: Bench
    unit: Unit
    whose: str
    """Whose word the unit is, where no option says otherwise."""
    meters: bool
    """Whether it is known with which meters."""


def add_options(parser: argparse.ArgumentParser, name: str) -> None:
    """Options of ``plan``."""
    parser.add_argument(
        "session",
        type=Path,
        nargs="?",
        metavar="SESSION",
        help="the job: its unit, and what stands open in it",
    )
    parser.add_argument(
        "--bench",
        type=Path,
        metavar="FILE",
        help="bench file: which steps its meters can judge (without: the meters of the simulated bench)",
    )
    add_unit_options(parser)
    add_run_options(parser)
    add_bench_options(parser)
    add_json_option(parser)


def run(args: argparse.Namespace) -> int:
    """Print the plan and what is open before power; exit 5 where it must not be run."""
    known = _known(args)
    plan = plan_for(known.bench, known.unit, args)
    asked = _asked(known, plan, args)
    told = tuple(check_bench(known.bench, None, date.today())) if args.bench is not None else ()
    plan = msgspec.structs.replace(plan, warnings=tuple(dict.fromkeys((*plan.warnings, *told))))
    taken = assumed(known.unit, args, known.whose)
    if args.json:
        print_json(_report(plan, known, taken, asked))
    else:
        print_lines(
            [*taken, *plan_as_text(plan, known.meters), *_notes(plan, asked, known.meters), *_open(asked)]
            + ([f"refused: {plan.refused}"] if plan.refused else [])
        )
    return int(Exit.REFUSED if plan.refused else Exit.DONE)


def _known(args: argparse.Namespace) -> Known:
    """The bench file's bench, or the simulated one (no port is opened); the job's unit, or the bench's."""
    if args.bench is not None:
        bench = with_traits(load_bench(args.bench))
        base, whose, meters = bench.unit, "of the bench file" if bench.unit is not None else "", True
    else:
        options = options_from(args)
        bench, base = bench_file(options), make_bench(options).unit
        whose = "not given, so of the simulated unit"
        meters = args.meters is not None or args.turns is not None
    job = job_unit(args.session)
    if job is not None:
        base, whose = job, "of the job"
    return Known(bench, unit_from(args, base), whose, meters)


def job_unit(session: Path | None) -> Unit | None:
    """The unit as a session's job has it; None without one."""
    if session is None:
        return None
    with SessionReader(session, untrusted=True) as reader:
        return reader.job().unit


def _asked(known: Known, plan: Plan, args: argparse.Namespace) -> Asked:
    """What ``bringup`` would ask; nothing where neither a job nor a bench is named."""
    if args.session is None and args.bench is None:
        return Asked()
    entries = entries_of(args.session) if args.session is not None else ()
    about: tuple[str, ...] = ()
    if args.session is not None and args.bench is not None:
        about = about_unit(args.session, job_unit(args.session), known.bench.unit, describes_unit(args))
    return asked_before(known.bench, known.unit, plan, entries, about)


def plan_for(bench: Bench, unit: Unit, args: argparse.Namespace) -> Plan:
    """The plan of a unit on a bench, by the options of a run."""
    return make_plan(
        unit,
        sheets(bench),
        periods(bench).keys(),
        hand_set=source_of(bench).adaptor == HAND_SET,
        lamp_w=args.lamp or bench.lamp_w,
        reference=load_references(args.reference),
        file=load_plan(args.plan) if args.plan else None,
    )


def _report(plan: Plan, known: Known, taken: list[str], asked: Asked) -> PlanReport:
    steps = tuple(
        PlannedStep(
            s.fraction,
            s.set_v,
            s.acceptance.value,
            s.acceptance.source,
            s.stop.value,
            s.stop.source,
            s.judgeable if known.meters else None,
            s.remedy,
        )
        for s in plan.steps
    )
    unit = known.unit
    return PlanReport(unit, unit.mains_v, steps, plan.warnings, plan.refused, tuple(taken), asked.lines)


def plan_as_text(plan: Plan, meters: bool = True) -> list[str]:
    """The steps as a table. ``meters``: whether it is known with which meters."""
    rows = [
        (
            f"{s.fraction:.0%}",
            f"{s.set_v:.4g} V",
            f"{s.acceptance.value:.3g} A",
            f"{s.stop.value:.3g} A",
            _judged(plan, s) if meters else "-",
            s.acceptance.source,
            s.stop.source.replace(f" ({s.acceptance.source})", ""),
        )
        for s in plan.steps
    ]
    return columns(rows, ("of nominal", "set", "accept to", "stop at", "judged", "accept by", "stop by"))


def _judged(plan: Plan, step: Step) -> str:
    """Whether the meters can judge a step; not where they can't even watch it."""
    if step.fraction in plan.unwatched:
        return "can't watch"
    return "yes" if step.judgeable else "no"


def _notes(plan: Plan, asked: Asked, meters: bool) -> list[str]:
    lines = [f"note: {text}" for text in plan.warnings if text not in asked.lines]
    if not meters:
        lines.append(
            "note: No bench file is named: reckoned with the meters of the simulated bench. Which steps your "
            "meters can judge, and what is open before power, is told with --bench FILE."
        )
    return lines


def _open(asked: Asked) -> list[str]:
    return [HEAD, *(f"  - {line}" for line in asked.lines)] if asked.lines else []
