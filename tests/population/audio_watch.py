"""The limit watch fed by half cycles of an audio interface, beside bench meter and handheld, in virtual time.

    python tests/population/audio_watch.py --good 40 --faults 20 --onsets 40

Prints how many good units were cut off, at which voltage rail-shorts and shorted rectifiers were told, and
how long it took from the onset of a fault in a standing unit to the order *off*, with each meter on the same
unit. Good units leave each step once settled, and are read ten times a second while nothing changes.
The switch-on's I²t comes from the half cycles as the recorder makes it of a stream.
"""

import argparse
import itertools
import math
import statistics
import sys
import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import msgspec
import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

import virtual

from benchlog.bringup.planfile import PlanFile, PlanStep
from benchlog.bringup.watch import BringUp
from benchlog.measure.arrivals import Arrivals
from benchlog.measure.halfcycles import HalfCycle
from benchlog.model.clock import US
from benchlog.model.event import Ended, InrushMeasured, SetSource, SwitchOff
from benchlog.model.role import Role
from benchlog.model.unit import Amplifier
from benchlog_drivers.simulated.faults import Fault
from benchlog_drivers.simulated.make import make_bench
from benchlog_drivers.simulated.meters import Finished
from benchlog_drivers.simulated.options import SimulateOptions, make_options

LATER_S = 5.0
"""A short that draws less than the stop limit where it begins is told at a later step, whatever the meter."""
BLOCK_S = 0.015
"""A half cycle is known once the block that ends it has come; with the latency of every reading 20 ms.
Through a sound server 99 % of the blocks came within 18 ms of their samples."""
THIN_S, ALIKE = 0.1, 240
"""Two seconds of half cycles alike, then one in so many seconds until something changes."""
_STEPS = (0.05, 0.1, 0.15, 0.2, 0.3, 0.4, 0.5, 0.65, 0.8, 0.9)
SHORT_PLAN = PlanFile(
    (*(PlanStep(f, dwell_s=2.0) for f in _STEPS), PlanStep(1.0, dwell_s=2.0, longest_s=20.0))
)
"""The usual steps, left as soon as the current has settled: half cycles take long to compute."""


@dataclass(frozen=True, slots=True)
class Told:
    """How one run went."""

    cut: bool
    rule: str
    at_fraction: float | None
    off_s: float | None
    power_s: float | None
    i2t_a2s: float
    ended_s: float


class Course(virtual._Course):
    """A run whose half cycles make inrushes too, and come a block late."""

    def __init__(self, options: SimulateOptions, file: PlanFile | None = None, for_s: float = 1e9) -> None:
        self.thinly = file is not None
        made = make_bench(options)
        setup, _ = virtual.make_run_setup(made, options, file=file)
        super().__init__(made, setup, options, keep=False)
        self.for_s = for_s
        self.ears = next((meter for meter in self.bench.meters if meter.sheet.name == "ears"), None)
        self.half_s = self.ears.sheet.period_s if self.ears is not None else 0.0
        self.thin, self.alike, self.last_a = False, 0, -1.0
        self.arrivals_seen = Arrivals(1e6, options.mains_v)
        self.largest_a2s = 0.0

    def _over(self) -> bool:
        power_s = self.bench.witness.first_power_s
        return bool(super()._over()) or (power_s is not None and self.now_us / US > power_s + self.for_s)

    def _source(self, said: SetSource | SwitchOff, at_s: float) -> None:
        super()._source(said, at_s)
        self._pace(False, at_s)

    def _pace(self, thin: bool, at_s: float) -> None:
        """Every half cycle, or (where good units are counted) one in a tenth of a second while all stands."""
        if self.ears is None or thin == self.thin:
            return
        self.thin, self.alike = thin, 0
        period_s = THIN_S if thin else self.half_s
        ended_s = math.floor(at_s / self.half_s + 1e-6) * self.half_s
        self.ears.sheet = msgspec.structs.replace(self.ears.sheet, period_s=period_s)
        self.ears._phase_s = ended_s - self.ears._done * period_s

    def _look(self, one: Finished) -> None:
        amperes = next(x.value or 0.0 for x in one.indications if x.role is Role.SOURCE_CURRENT)
        stands = abs(amperes - self.last_a) <= 0.01 * amperes + 0.002
        self.alike, self.last_a = self.alike + 1 if stands else 0, amperes
        if self.thinly and self.alike > ALIKE:
            self._pace(True, one.end_s)
        elif not stands:
            self._pace(False, one.end_s)

    def _collect(self, finished: Iterable[Finished]) -> None:
        known = len(self.arrivals)
        some = list(finished)
        super()._collect(some)
        for at in range(known, len(self.arrivals)):
            t_us, event = self.arrivals[at]
            if getattr(event.reading.channel, "instrument", "") == "ears":  # type: ignore[union-attr]
                self.arrivals[at] = (t_us + round(BLOCK_S * US), event)
        for one in some:
            if one.instrument == "ears":
                self._look(one)
                self._half_cycle(one)
        self.arrivals.sort(key=lambda pair: pair[0])

    def _half_cycle(self, one: Finished) -> None:
        values = {x.role: x.value for x in one.indications}
        i, v = values[Role.SOURCE_CURRENT], values[Role.INLET_VOLTAGE]
        if i is None or v is None:
            return
        start, end = one.start_s * 1e6, one.end_s * 1e6
        half = HalfCycle(
            start, end, i, v, 0.0, one.peak_a, i * i * (one.end_s - one.start_s), True, False, False, 0.0, 0.0
        )
        early = self.arrivals_seen.take(half)
        if self.arrivals_seen._on is not None and end > self.arrivals_seen._on + 3e6:
            self.arrivals_seen.clear()
        if early is not None:
            self.largest_a2s = max(self.largest_a2s, early.i2t_a2s)
            event = InrushMeasured(early.peak_a, early.i2t_a2s, early.peak_u_a)
            self.arrivals.append((round((one.end_s + BLOCK_S) * US) + 5001, event))


def one_run(options: SimulateOptions, file: PlanFile | None = None, for_s: float = 1e9) -> Told:
    """One run on a simulated bench, not longer than ``for_s`` from when power was first applied."""
    course = Course(options, file, for_s)
    course.run()
    watch: BringUp = course.watch
    off = next((t / US for t, said in course.said if isinstance(said, SwitchOff)), None)
    ended = watch.ended
    rule = "" if ended is None else ended.reason
    return Told(
        cut=isinstance(ended, Ended) and ended.outcome.value in ("cut-off", "alarmed"),
        rule=rule,
        at_fraction=None if ended is None else ended.cut_off_at_fraction,
        off_s=off,
        power_s=course.bench.witness.first_power_s,
        i2t_a2s=course.largest_a2s,
        ended_s=course.now_us / US,
    )


KINDS = (Amplifier.CLASS_AB, Amplifier.CLASS_AB, Amplifier.CLASS_A, Amplifier.VALVE)


def good(count: int, meters: str = "audio", base: int = 0) -> int:
    """Good units; prints those that were cut off, and how many there were."""
    cut = 0
    for seed, kind in zip(range(base + 1, base + count + 1), itertools.cycle(KINDS), strict=False):
        mains_v, source = (120.0, 230.0)[seed // 4 % 2], ("programmed", "hand-set")[seed // 8 % 2]
        words = {"amplifier": kind.value, "mains_v": mains_v, "source": source, "seed": seed, "plate": None}
        found = one_run(make_options(meters=meters, **words), SHORT_PLAN)
        cut += found.cut
        if found.cut:
            sys.stdout.write(f"good unit cut off: {words}: {found.rule}\n")
        sys.stdout.write(f"{seed} ended at {found.ended_s:.0f} s, largest I²t {found.i2t_a2s:.2g} A²s\n")
        sys.stdout.flush()
    sys.stdout.write(f"good units, {meters}: {cut} of {count} cut off\n")
    return cut


def told_at(fault: Fault, count: int) -> int:
    """A fault that is there from the start: at which voltage each meter tells it; how often audio later."""
    later, rows = 0, []
    for seed in range(1, count + 1):
        found = {
            meters: one_run(
                make_options(fault=fault.value, meters=meters, seed=seed, plate=None, mains_v=120.0)
            ).at_fraction
            or 9.0
            for meters in ("audio", "bench")
        }
        audio, bench = found["audio"], found["bench"]
        if audio > bench * 1.02 + 0.002:
            later += 1
            sys.stdout.write(f"{fault.value}, seed {seed}: at {audio:.3f} by audio, {bench:.3f} by bench\n")
        rows.append((audio, bench))
    middle = [statistics.median(column) for column in zip(*rows, strict=True)]
    sys.stdout.write(
        f"{fault.value}: told at {middle[0]:.3f} (audio), {middle[1]:.3f} (bench) of nominal, median of "
        f"{count}; audio later in {later}\n"
    )
    sys.stdout.flush()
    return later


def onset(count: int) -> dict[str, list[float]]:
    """A rail-short while the unit stands at a step: seconds from its onset to the order off, by meter."""
    found: dict[str, list[float]] = {"audio": [], "bench": [], "handheld": []}
    random = np.random.default_rng(77)
    for seed in range(1, count + 1):
        at_s = float(random.uniform(3.5, 12.0))
        for meters, times in found.items():
            options = make_options(fault="rail-short", fault_at_s=at_s, meters=meters, seed=seed)
            one = one_run(options, None, at_s + LATER_S)
            if one.off_s is not None and one.power_s is not None and one.cut:
                times.append(one.off_s - one.power_s - at_s)
    for meters, times in found.items():
        if times:
            sys.stdout.write(
                f"onset to off, {meters}: median {1e3 * statistics.median(times):.0f} ms, p99 "
                f"{1e3 * float(np.quantile(times, 0.99)):.0f} ms, longest {1e3 * max(times):.0f} ms, of "
                f"{len(times)}; not within {LATER_S:g} s {count - len(times)}\n"
            )
    return found


def main(arguments: Sequence[str] | None = None) -> int:
    """Run what was asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    for name in ("good", "faults", "onsets"):
        parser.add_argument(f"--{name}", type=int, default=0)
    parser.add_argument("--base", type=int, default=0, help="the first good unit's seed is one more")
    args = parser.parse_args(arguments)
    begin = time.monotonic()
    if args.onsets:
        onset(args.onsets)
    if args.faults:
        for fault in (Fault.RAIL_SHORT, Fault.SHORTED_RECTIFIER):
            told_at(fault, args.faults)
    if args.good:
        good(args.good, base=args.base)
    sys.stdout.write(f"{time.monotonic() - begin:.0f} s\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
