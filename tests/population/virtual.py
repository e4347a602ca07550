"""Bring-ups in virtual time, in one process: simulated bench, limit watch, hand and technician.

    run_cell(options, soak_s=0.0, …) -> Run          one run
    python tests/population/virtual.py               the table of the first six faults

No clock is read: the next instant is the earliest of the next finished aperture, the watch's next deadline,
and the technician's next key. Readings reach the watch `LATENCY_S` after their aperture ends; what it says
reaches source and hand at once.
"""

import argparse
import dataclasses
import functools
import itertools
import math
import multiprocessing
import sys
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field

from benchlog.bringup.plan import make_plan, set_up
from benchlog.bringup.planfile import PlanFile
from benchlog.bringup.watch import BringUp
from benchlog.model.clock import US
from benchlog.model.event import (
    Ended,
    Instruct,
    ReadingTaken,
    Said,
    SetSource,
    SourceAnswered,
    SwitchOff,
    Told,
)
from benchlog.model.instrument import MeterSheet
from benchlog.model.pattern import FaultPattern
from benchlog.model.reading import Channel, Measured, Setting, Unusable
from benchlog.model.reference import Reference
from benchlog.model.role import Role
from benchlog.model.run import RunSetup
from benchlog.model.step import DecidedBy, Outcome, StepRecord, StepVerdict
from benchlog.model.unit import Unit
from benchlog_drivers.simulated.faults import Fault
from benchlog_drivers.simulated.make import Made, bench_file, make_bench
from benchlog_drivers.simulated.meters import Finished, Indication
from benchlog_drivers.simulated.options import SimulateOptions, SourceKind, make_options
from benchlog_drivers.simulated.sheets import MeterKind
from benchlog_drivers.simulated.technician import Technician

LATENCY_S = 0.005
"""From the end of an aperture until the watch is told (ours; loopback with a fast instrument)."""
ANSWER_S = 0.002
"""A programmed source's answer."""
AFTER_END_S = 8.0
"""How long a hand-set bench is followed after the end, for the hand to switch off."""
LONGEST_S = 7200.0
READ = frozenset(
    {
        Role.SOURCE_CURRENT,
        Role.INLET_VOLTAGE,
        Role.SOURCE_POWER,
        Role.OUTPUT_DC,
        Role.RAIL_PLUS,
        Role.RAIL_MINUS,
        Role.HEATSINK,
    }
)


@dataclass(frozen=True, slots=True)
class Run:
    """How one run went."""

    options: SimulateOptions
    unit: Unit
    ended: Ended | None
    """None where it was still going on after `LONGEST_S`."""
    records: tuple[StepRecord, ...]
    said: tuple[tuple[int, Said], ...] = field(repr=False)
    told: tuple[tuple[int, Told], ...] = field(repr=False)
    setup: RunSetup = field(repr=False)
    destroyed_s: float | None
    """When a part was destroyed, session seconds."""
    hottest_ratio: float
    """Largest bias by heat, of the cold bias."""
    ended_s: float
    claim: str | None
    not_judged: tuple[str, ...]
    fault_patterns: tuple[FaultPattern, ...]
    warnings: tuple[str, ...]

    @property
    def cut_off(self) -> bool:
        """Whether the source was cut off, or the technician told to."""
        return self.ended is not None and self.ended.outcome in (Outcome.CUT_OFF, Outcome.ALARMED)

    @property
    def judged_share(self) -> float:
        """Share of the steps visited that the program judged to go up."""
        visited = [r for r in self.records if r.visited]
        up = [r for r in visited if r.verdict is StepVerdict.GO_UP and r.decided_by is DecidedBy.PROGRAM]
        return len(up) / len(visited) if visited else 0.0


def sheets_of(made: Made, options: SimulateOptions) -> dict[Role, MeterSheet]:
    """Sheet by role, as the bench file has them."""
    bench = bench_file(options)
    return {role: entry.sheet for entry in bench.instrument for role in entry.roles}


def periods_of(made: Made) -> dict[Role, float]:
    """Seconds between readings by role."""
    return {c.role: sheet.period_s for sheet in made.sheets for c in sheet.channels if c.role in READ}


def make_run_setup(
    made: Made,
    options: SimulateOptions,
    soak_s: float = 0.0,
    reference: Reference | None = None,
    file: PlanFile | None = None,
) -> tuple[RunSetup, tuple[str, ...]]:
    """The set-up of a run on a simulated bench, and what its plan says before power."""
    sheets, periods = sheets_of(made, options), periods_of(made)
    hand_set = options.source is SourceKind.HAND_SET
    plan = make_plan(
        made.unit, sheets, periods, hand_set=hand_set, lamp_w=options.lamp_w, reference=reference, file=file
    )
    setup = set_up(
        plan,
        made.unit,
        sheets,
        periods,
        hand_set=hand_set,
        lamp_w=options.lamp_w,
        soak_s=soak_s,
        reference=reference,
    )
    return setup, plan.warnings


class _Course:
    """One run under way."""

    def __init__(self, made: Made, setup: RunSetup, options: SimulateOptions, keep: bool) -> None:
        self.made = made
        self.keep = keep
        self.bench = made.bench
        self.watch = BringUp(setup)
        longest_s = max(step.dwell_max_s for step in setup.steps)
        self.technician = Technician(options.technician, options.seed, setup.ask, longest_s)
        self.turns = {sheet.name: sheet.turns for sheet in made.sheets}
        self.said: list[tuple[int, Said]] = []
        self.told: list[tuple[int, Told]] = []
        self.ended_s: float | None = None
        self.answers: list[tuple[int, SourceAnswered]] = []
        self.arrivals: list[tuple[int, Told]] = []
        self.now_us = 0

    def run(self) -> None:
        self._hear(self.watch.begin(0))
        while not self._over():
            self._step()

    def _over(self) -> bool:
        now_s = self.now_us / US
        if self.ended_s is None:
            return now_s > LONGEST_S
        return self.bench.hand is None or now_s > self.ended_s + AFTER_END_S

    def _step(self) -> None:
        bench_us = round(min(meter.end_s for meter in self.bench.meters) * US)
        waiting = [bench_us, *(t for t, _ in self.arrivals[:1]), *(t for t, _ in self.answers[:1])]
        deadline, key_us = self.watch.next_deadline(), self.technician.due_us()
        waiting += [t for t in (deadline, key_us) if t is not None]
        at_us = max(min(waiting), self.now_us)
        self.now_us = at_us
        if bench_us <= at_us:
            self._collect(self.bench.advance_to(bench_us / US))
        for queue in (self.answers, self.arrivals):
            while queue and queue[0][0] <= at_us:
                self._tell(queue.pop(0)[1])  # type: ignore[attr-defined]
        if key_us is not None and key_us <= at_us and (key := self.technician.act(at_us)) is not None:
            self._tell(key)
        self._hear(self.watch.advance(self.now_us))

    def _collect(self, finished: Iterable[Finished]) -> None:
        for one in finished:
            for indication in one.indications:
                if indication.role in READ and one.instrument in self.turns:
                    event = ReadingTaken(_reading(one, indication, self.turns[one.instrument]))
                    self.arrivals.append((round((one.end_s + LATENCY_S) * US), event))

    def _tell(self, event: Told) -> None:
        self.now_us += 1
        if self.keep:
            self.told.append((self.now_us, event))
        self._hear(self.watch.feed(event, self.now_us))

    def _hear(self, answer: tuple[tuple[int, Said], ...]) -> None:
        self.said += answer
        for t_us, said in answer:
            at_s = t_us / US
            self.technician.hear(said, t_us)
            if isinstance(said, SetSource | SwitchOff):
                self._source(said, at_s)
            elif isinstance(said, Instruct) and self.bench.hand is not None:
                self.bench.hand.instruct(said.text, said.target_v, said.urgent, at_s)
            elif isinstance(said, Ended):
                self.ended_s = at_s

    def _source(self, said: SetSource | SwitchOff, at_s: float) -> None:
        source = self.bench.source
        if source is None:
            return
        if isinstance(said, SwitchOff):
            source.switch(False, at_s)
            source.set_voltage(0.0, at_s)
            return
        source.set_voltage(said.set_v, at_s)
        source.switch(True, at_s)
        answer = SourceAnswered(said.set_v, output_on=True)
        self.answers.append((round((at_s + ANSWER_S) * US), answer))


_channel = functools.cache(Channel)
_setting = functools.cache(Setting)


def _reading(one: Finished, indication: Indication, turns: int) -> Measured | Unusable:
    n = turns if indication.role is Role.SOURCE_CURRENT else 1
    channel = _channel(indication.role, indication.quantity, one.instrument)
    start_us, end_us = round(one.start_s * US), round(one.end_s * US)
    full = None if indication.range is None else indication.range / n
    setting = _setting(full, indication.count / n, end_us - start_us, n)
    if indication.value is None:
        assert indication.status is not None
        return Unusable(channel, indication.status, start_us, end_us, setting)
    return Measured(channel, indication.value / n, start_us, end_us, setting)


def run_cell(
    options: SimulateOptions,
    soak_s: float = 0.0,
    reference: Reference | None = None,
    file: PlanFile | None = None,
    retell: Callable[[Unit], Unit] | None = None,
    keep: bool = True,
) -> Run:
    """One run on a simulated bench, in virtual time. The same for the same options.

    ``retell``: what the technician takes the unit for, from what is marked on it. ``keep`` False: what was
    told to the watch is not kept.
    """
    made = make_bench(options)
    if retell is not None:
        made = dataclasses.replace(made, unit=retell(made.unit))
    setup, warnings = make_run_setup(made, options, soak_s, reference, file)
    course = _Course(made, setup, options, keep)
    course.run()
    watch = course.watch
    return Run(
        options=options,
        unit=made.unit,
        ended=watch.ended,
        records=tuple(watch.records),
        said=tuple(course.said),
        told=tuple(course.told),
        setup=setup,
        destroyed_s=made.bench.witness.destroyed_s,
        hottest_ratio=math.exp(made.physics.load.hottest),
        ended_s=course.now_us / US if course.ended_s is None else course.ended_s,
        claim=watch.no_short_claim,
        not_judged=tuple(watch.not_judged),
        fault_patterns=tuple(watch.fault_patterns),
        warnings=warnings,
    )


FIRST_FAULTS = (
    Fault.NONE,
    Fault.RAIL_SHORT,
    Fault.SHORTED_RECTIFIER,
    Fault.SHORTED_DEVICE,
    Fault.BIAS_RUNAWAY,
    Fault.OPEN_MAINS_FUSE,
)
PAIRS = ((MeterKind.BENCH, SourceKind.PROGRAMMED), (MeterKind.HANDHELD, SourceKind.HAND_SET))


def _line(run: Run) -> str:
    o, e = run.options, run.ended
    outcome = e.outcome.value if e else "still running"
    at = "     -" if e is None or e.cut_off_at_fraction is None else f"{e.cut_off_at_fraction:6.3f}"
    lost = "-" if run.destroyed_s is None else f"{run.destroyed_s:.0f} s"
    reason = e.reason if e else ""
    return (
        f"{o.fault.value:18} {o.mains_v:3.0f} V {o.meters.value:9} {o.source.value:11} seed {o.seed:3} "
        f"{outcome:10} at {at}  judged {run.judged_share:4.0%}  {run.ended_s:6.0f} s  destroyed {lost:>6}  "
        f"{reason}"
    )


def _of(words: dict[str, object]) -> str:
    return _line(run_cell(make_options(**words)))


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the table of the first faults; ``--seeds N`` units each."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=1)
    args = parser.parse_args(arguments)
    cells = [
        {"fault": fault, "mains_v": mains, "meters": meters, "source": source, "seed": seed}
        for fault, mains, (meters, source), seed in itertools.product(
            FIRST_FAULTS, (120.0, 230.0), PAIRS, range(1, args.seeds + 1)
        )
    ]
    with multiprocessing.Pool(args.jobs) as pool:
        for line in pool.imap(_of, cells):
            sys.stdout.write(f"{line}\n")
            sys.stdout.flush()
    return 0


if __name__ == "__main__":
    sys.exit(main())
