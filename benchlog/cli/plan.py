"""``benchlog plan``: the steps of a unit, their limits, and which of them the meters can judge."""

import argparse
from pathlib import Path

import msgspec

from benchlog.bench.file import Bench, load_bench
from benchlog.bringup.plan import Plan, make_plan
from benchlog.bringup.planfile import load_plan
from benchlog.cli.options import add_json_option, add_run_options, add_unit_options, unit_from
from benchlog.cli.output import columns, print_json, print_lines
from benchlog.cli.reference import load_references
from benchlog.cli.setup import HAND_SET, periods, sheets, source_of
from benchlog.cli.simulate import add_bench_options, options_from
from benchlog.model.errors import Exit
from benchlog.model.unit import Unit
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
    judgeable: bool
    remedy: str


class PlanReport(msgspec.Struct, frozen=True):
    """The plan as it is printed; the keys are a contract."""

    unit: Unit
    mains_v: float
    steps: tuple[PlannedStep, ...]
    warnings: tuple[str, ...]
    refused: str


def add_options(parser: argparse.ArgumentParser, name: str) -> None:
    """Options of ``plan``."""
    parser.add_argument(
        "--bench", type=Path, metavar="FILE", help="bench file (default: the simulated bench)"
    )
    add_unit_options(parser)
    add_run_options(parser)
    add_bench_options(parser)
    add_json_option(parser)


def run(args: argparse.Namespace) -> int:
    """Print the plan; exit 5 where it must not be run."""
    bench, known = _bench(args)
    unit = unit_from(args, known)
    plan = plan_for(bench, unit, args)
    if args.json:
        print_json(_report(plan, unit))
    else:
        print_lines(_text(plan))
    return int(Exit.REFUSED if plan.refused else Exit.DONE)


def _bench(args: argparse.Namespace) -> tuple[Bench, Unit | None]:
    """The bench file's bench and unit, or those of the simulated bench (no port is opened)."""
    if args.bench is not None:
        bench = with_traits(load_bench(args.bench))
        return bench, bench.unit
    options = options_from(args)
    return bench_file(options), make_bench(options).unit


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


def _report(plan: Plan, unit: Unit) -> PlanReport:
    steps = tuple(
        PlannedStep(
            s.fraction,
            s.set_v,
            s.acceptance.value,
            s.acceptance.source,
            s.stop.value,
            s.stop.source,
            s.judgeable,
            s.remedy,
        )
        for s in plan.steps
    )
    return PlanReport(unit, unit.mains_v, steps, plan.warnings, plan.refused)


def _text(plan: Plan) -> list[str]:
    rows = [
        (
            f"{s.fraction:.0%}",
            f"{s.set_v:.4g} V",
            f"{s.acceptance.value:.3g} A",
            f"{s.stop.value:.3g} A",
            "yes" if s.judgeable else "no",
            s.acceptance.source,
        )
        for s in plan.steps
    ]
    lines = columns(rows, ("of nominal", "set", "accept to", "stop at", "judged", "accept by"))
    lines += [f"note: {text}" for text in plan.warnings]
    return lines + ([f"refused: {plan.refused}"] if plan.refused else [])
