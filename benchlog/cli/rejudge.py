"""``benchlog rejudge``: a recorded run judged again from what the limit watch was told."""

import argparse
from collections.abc import Iterable, Sequence
from pathlib import Path

from msgspec.structs import replace

from benchlog.bringup.watch import BringUp
from benchlog.cli.judgecsv import add_meter_options, csv_events, csv_setup, end_us
from benchlog.cli.options import add_json_option, add_run_options, add_unit_options
from benchlog.cli.output import print_json, print_lines
from benchlog.cli.result import EXIT_OF, RunReport, events_of
from benchlog.cli.show import steps_as_text
from benchlog.exchange.slowcsv import read_slow
from benchlog.model.clock import US
from benchlog.model.errors import SessionDamaged, UsageError
from benchlog.model.event import Ended, Judged, Key, KeyPressed, Marked, Said, StepDone, Told
from benchlog.model.history import RunBegun, RunSaid
from benchlog.model.run import RunSetup
from benchlog.model.step import Outcome
from benchlog.session.reader import Run, SessionReader

TICK_MS = 20.0


def add_options(parser: argparse.ArgumentParser, name: str) -> None:
    """Options of ``rejudge``."""
    parser.add_argument(
        "file", type=Path, metavar="FILE", help="session with a run, or CSV: t_s, v_v, i_a[, p_w]"
    )
    parser.add_argument("--tick-ms", type=float, default=TICK_MS, metavar="MS", help="how often time is fed")
    add_unit_options(parser)
    add_run_options(parser)
    add_meter_options(parser)
    add_json_option(parser)


def run(args: argparse.Namespace) -> int:
    """Judge it again and print every event; exit as the run's outcome."""
    if not 0.1 <= args.tick_ms <= 60_000.0:
        raise UsageError(f"--tick-ms {args.tick_ms:g} is out of bounds; give 0.1 to 60000.")
    report = _of_csv(args) if args.file.suffix.lower() in (".csv", ".txt") else _of_session(args)
    if args.json:
        print_json(report)
    else:
        lines = [f"{e.t_s:10.3f} s  {e.event}: {e.reason}" for e in report.events]
        end = f"{report.outcome.value}: {report.reason}"
        print_lines([*lines, *steps_as_text(report.steps), *report.warnings, end])
    return EXIT_OF[report.outcome]


def _demand_own_setup(args: argparse.Namespace) -> None:
    """`UsageError` where options ask for another unit, plan or meter than the record's own."""
    parser = argparse.ArgumentParser()
    add_options(parser, "rejudge")
    usual = vars(parser.parse_args([str(args.file)]))
    serves = {"file", "tick_ms", "json", "command"}
    given = [f"--{n.replace('_', '-')}" for n, v in vars(args).items() if n not in serves and v != usual[n]]
    if given:
        raise UsageError(
            f"A recorded run is judged again with its own unit, plan and meters; {', '.join(given)} can't "
            "change them. Leave it away, or export the readings and judge the CSV file."
        )


def _of_session(args: argparse.Namespace) -> RunReport:
    """A recorded run with its own set-up; a warning says where it is judged otherwise than it was."""
    _demand_own_setup(args)
    with SessionReader(args.file, untrusted=True) as reader:
        recorded = _last_run(reader, args.file)
        begun = recorded.begun.payload
        assert isinstance(begun, RunBegun)
        since = reader.told(recorded.begun.t_us, reader.span_us[1])
        told = [(t_us, event) for t_us, event in since if not _rearms(event)]
        simulated = reader.simulated
        then = _said_then(reader, recorded)
    watch, said = judge(begun.setup, told, recorded.begun.t_us, recorded.span_us[1], args.tick_ms)
    warnings = differing(then, said)
    return _report(begun.setup, watch, said, recorded.begun.t_us, simulated, args.file, warnings)


def _of_csv(args: argparse.Namespace) -> RunReport:
    """Readings of a hand-set source from a file."""
    record = read_slow(args.file)
    setup = csv_setup(record, args)
    watch, said = judge(setup, csv_events(record), 0, end_us(record), args.tick_ms)
    return _report(setup, watch, said, 0, False, args.file, ())


def _last_run(reader: SessionReader, path: Path) -> Run:
    runs = reader.runs()
    if not runs:
        raise UsageError(f"{path} holds no bring-up. 'benchlog show {path}' tells what it holds.")
    if not isinstance(runs[-1].begun.payload, RunBegun):
        raise SessionDamaged(f"The beginning of the run in {path} is withheld; it can't be judged again.")
    return runs[-1]


def judge(
    setup: RunSetup, told: Iterable[tuple[int, Told]], begun_us: int, until_us: int, tick_ms: float
) -> tuple[BringUp, list[tuple[int, Said]]]:
    """Feed a new limit watch what another was told, with time fed each ``tick_ms``; what it said."""
    watch = BringUp(setup)
    said = list(watch.begin(begun_us))
    step_us = max(1, round(tick_ms * 1000.0))
    tick_us = begun_us + step_us
    for now_us, event in told:
        while tick_us < now_us:
            said += watch.advance(tick_us)
            tick_us += step_us
        said += watch.feed(event, now_us)
    while watch.ended is None and tick_us <= until_us + US:
        said += watch.advance(tick_us)
        tick_us += step_us
    return watch, said


def _said_then(reader: SessionReader, recorded: Run) -> list[tuple[int, Said]]:
    """What the limit watch said when the run was recorded."""
    entries = reader.entries(after=recorded.begun.seq)
    said = [(e.t_us, e.payload.said) for e in entries if isinstance(e.payload, RunSaid)]
    return [(t_us, word) for t_us, word in said if not (isinstance(word, Marked) and word.what == "rearmed")]


def _rearms(event: Told) -> bool:
    """The key that began the run again after a cut-off: the run that it began has its own beginning."""
    return isinstance(event, KeyPressed) and event.key is Key.REARM


def differing(then: Sequence[tuple[int, Said]], now: Sequence[tuple[int, Said]]) -> tuple[str, ...]:
    """Where what is said now is not what was said then: one warning for the first difference, else none."""
    for before, again in zip(then, now, strict=False):
        if before != again and not _same_but_for_figures(before, again):
            old, new = (events_of((one,), 0)[0] for one in (before, again))
            return (
                f"Judged otherwise than recorded, from {before[0] / US:.1f} s on. "
                f"Recorded: {old.event}, {old.reason}. Now: {new.event}, {new.reason}. "
                "A later version of the program may have other limits.",
            )
    return () if len(then) == len(now) else (f"{len(then)} things were said then, {len(now)} now.",)


def _same_but_for_figures(before: tuple[int, Said], again: tuple[int, Said]) -> bool:
    """Whether the same was judged: in other words, or with a record older than its full budget of U."""
    (then_us, then), (now_us, now) = before, again
    if isinstance(then, Judged) and isinstance(now, Judged):
        return then_us == now_us and then == replace(now, reason=then.reason)
    if not (isinstance(then, StepDone) and isinstance(now, StepDone)):
        return False
    record = replace(now.record, decision_reason=then.record.decision_reason)
    if then.record.idle_bound_a is None:
        factor = then.record.power_factor
        record = replace(record, idle_u_a=then.record.idle_u_a, idle_bound_a=None, power_factor=factor)
    return then_us == now_us and then == StepDone(now.step, record)


def _report(
    setup: RunSetup,
    watch: BringUp,
    said: list[tuple[int, Said]],
    begun_us: int,
    simulated: bool,
    path: Path,
    warnings: tuple[str, ...],
) -> RunReport:
    ended = watch.ended or Ended(Outcome.UNDECIDED, "The record ends before the run did.")
    return RunReport(
        outcome=ended.outcome,
        reason=ended.reason,
        cut_off_at_fraction=ended.cut_off_at_fraction,
        cut_off_step_fraction=ended.cut_off_step_fraction,
        simulated=simulated,
        time_scale=setup.time_scale,
        unit=setup.unit,
        mains_v=setup.unit.mains_v,
        steps=tuple(watch.records),
        claims=(watch.no_short_claim,) if watch.no_short_claim else (),
        not_judged=tuple(watch.not_judged),
        not_tested=tuple(watch.not_tested),
        fault_patterns=tuple(watch.fault_patterns),
        events=events_of(said, begun_us),
        warnings=warnings,
        session=str(path),
        document="",
    )
