"""Do the 95 % intervals of idle currents hold the truth? Simulated units, every meter set on the same unit.

    python tests/population/coverage.py --units 1000 --out DIR

Each unit is taken to two voltages on a stiff source. Every meter set reads it at the same time, each with
the errors that the simulated bench draws for the unit's seed (fixed before anything is looked at). Once a
meter's current has settled as in a bring-up, the mean of its last second ± U of the full budget is held
against the true r.m.s. current, DC included, of the same second. Beside it: the linear bound that verdicts
use.
"""

import argparse
import sys
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from statistics import median

import msgspec
from reporting import kind_of, percent, save, table, wilson

from benchlog.bench.sheet import current_meter
from benchlog.bringup.drift import Drift
from benchlog.bringup.inrush import VALVE_WINDOW_US, WINDOW_US
from benchlog.measure.slow import idle_budget
from benchlog.measure.uncertainty import Budget, linear_u
from benchlog.model.clock import US
from benchlog.model.instrument import Accuracy
from benchlog.model.quantity import Quantity
from benchlog.model.role import Role
from benchlog.model.unit import Amplifier, Supply
from benchlog_drivers.simulated.bench import SimulatedBench
from benchlog_drivers.simulated.make import source_impedance
from benchlog_drivers.simulated.meters import Finished, SimulatedMeter
from benchlog_drivers.simulated.options import make_options
from benchlog_drivers.simulated.population import draw_unit
from benchlog_drivers.simulated.sheets import ChannelSheet, InstrumentSheet, MeterKind, instruments
from benchlog_drivers.simulated.source import ProgrammedSource, programmed_rating
from benchlog_drivers.simulated.unit import SimulatedUnit

FIRST_SEED = 5_100_000
"""Seeds from here on were never used for tuning."""
SETS = {
    "bench": (MeterKind.BENCH, 1),
    "handheld": (MeterKind.HANDHELD, 1),
    "clamp, 1 turn": (MeterKind.CLAMP, 1),
    "clamp, 5 turns": (MeterKind.CLAMP, 5),
    "packed BCD": (MeterKind.PACKED_BCD, 1),
    "segment display": (MeterKind.SEGMENTS, 1),
    "power meter": (MeterKind.POWER_METER, 1),
    "AC-coupled": (MeterKind.AC_COUPLED, 1),
    "average-responding": (MeterKind.AVERAGE, 1),
}
APART = ("average-responding",)
"""Sets of which no interval is claimed: what the budget would say is shown apart."""
WAIT_S, WAIT_VALVE_S = 60.0, 150.0
EXACT = InstrumentSheet(
    "exact", "no error", "", (ChannelSheet(Role.SOURCE_CURRENT, Accuracy(Quantity.AC_CURRENT, 0, 0, 1e-9)),),
    period_s=0.1, aperture_s=0.1,
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Found:
    """One settled current of one meter set."""

    meters: str
    fraction: float
    true_a: float
    mean_a: float
    budget: Budget
    linear_u_a: float

    @property
    def covered(self) -> bool:
        return abs(self.mean_a - self.true_a) <= self.budget.expanded

    @property
    def bounded(self) -> bool:
        return abs(self.mean_a - self.true_a) <= self.linear_u_a


@dataclass(slots=True)
class _Follower:
    """One meter set at one voltage until its current has settled."""

    sheet: InstrumentSheet
    drift: Drift
    settled: tuple[float, float] | None = None
    """Mean and instant of its last reading, in A and s."""
    window: tuple = field(default_factory=tuple)

    def take(self, start_s: float, end_s: float, amperes: float) -> None:
        self.drift.settle(round(start_s * US), round(end_s * US), amperes)
        if self.drift.settled_us is not None and self.settled is None:
            self.settled = self.drift.level_a, end_s
            self.window = self.drift.window


def named(sheet: InstrumentSheet, name: str) -> InstrumentSheet:
    """The source-current channel of an instrument alone, under the name of its set."""
    current = tuple(c for c in sheet.channels if c.role is Role.SOURCE_CURRENT)
    return msgspec.structs.replace(sheet, name=name, channels=current)


def sheets() -> dict[str, InstrumentSheet]:
    """The ammeter of each set."""
    return {name: named(instruments(*kind)[0], name) for name, kind in SETS.items()}


def settle(bench: SimulatedBench, valve: bool, ammeters: dict[str, InstrumentSheet]) -> Iterator[tuple]:
    """At the voltage just set, follow every meter until all have settled or time is up."""
    window_us = VALVE_WINDOW_US if valve else WINDOW_US
    from_us = round(bench.now_s * US) + window_us
    followers = {}
    for name, sheet in ammeters.items():
        stated = current_meter(sheet.meter_sheet())
        drift = Drift(stated.count_a / stated.turns, 0.3)
        drift.begin(round(bench.now_s * US), from_us)
        followers[name] = _Follower(sheet, drift)
    exact: list[tuple[float, float]] = []
    until_s = bench.now_s + (WAIT_VALVE_S if valve else WAIT_S)
    while bench.now_s < until_s and not all(f.settled for f in followers.values()):
        for one in bench.advance(1.0):
            _hand_out(one, followers, exact)
    for name, follower in followers.items():
        yield name, follower, exact


def _hand_out(one: Finished, followers: dict[str, _Follower], exact: list[tuple[float, float]]) -> None:
    value = one.indications[0].value
    if one.instrument == "exact":
        exact.append((one.end_s, value))
    elif value is not None:
        follower = followers[one.instrument]
        follower.take(one.start_s, one.end_s, value / follower.sheet.turns)


def judged(name: str, follower: _Follower, exact: list[tuple[float, float]], fraction: float) -> Found:
    """A settled current against the truth of the same second."""
    sheet = follower.sheet.meter_sheet()
    accuracy = sheet.find(Quantity.AC_CURRENT)
    mean_a, end_s = follower.settled
    t_s, x = follower.window
    begin_s = end_s - 1.0 - follower.sheet.aperture_s
    true = [a for t, a in exact if begin_s < t - 0.05 <= end_s]
    budget = idle_budget(t_s, x, mean_a, accuracy, sheet.turns, accuracy.crest_extra)
    m = current_meter(sheet)
    bound = linear_u(max(mean_a, m.least_a / m.turns), m.a, m.counts, m.count_a, m.turns)
    return Found(name, fraction, sum(true) / len(true), mean_a, budget, bound)


def voltages(supply: Supply, seed: int) -> tuple[float, float]:
    """The two fractions of mains at which a unit is looked at."""
    return (0.9, 1.0) if supply is Supply.SWITCH_MODE else ((0.2, 0.3, 0.4, 0.5)[seed % 4], 1.0)


def run_unit(seed: int, ammeters: dict[str, InstrumentSheet]) -> tuple[list[Found], Counter]:
    """All settled currents of one unit, and how many did not settle, by set."""
    options = make_options(**kind_of(seed))
    params, _ = draw_unit(options.amplifier, options.supply, options.core, options.mains_v, seed)
    physics = SimulatedUnit(params, source=source_impedance(options))
    meters = tuple(SimulatedMeter(sheet, seed) for sheet in (*ammeters.values(), EXACT))
    source = ProgrammedSource(programmed_rating(options.mains_v))
    bench = SimulatedBench(physics, meters, source)
    found, unsettled = [], Counter()
    for fraction in voltages(options.supply, seed):
        source.set_voltage(fraction * options.mains_v, bench.now_s)
        source.switch(True, bench.now_s)
        for name, follower, exact in settle(bench, options.amplifier is Amplifier.VALVE, ammeters):
            if follower.settled is None:
                unsettled[name] += 1
            else:
                found.append(judged(name, follower, exact, fraction))
    return found, unsettled


def shares(found: Sequence[Found]) -> dict[str, float]:
    """Mean share of each component in the variance of the budget."""
    total: Counter = Counter()
    for one in found:
        for part in one.budget.components:
            total[part.name] += (part.u / one.budget.u) ** 2 / len(found)
    return dict(total)


def summary(found: Sequence[Found], unsettled: int, units: int) -> dict[str, object]:
    """Figures of one meter set."""
    n, covered = len(found), sum(f.covered for f in found)
    parts = shares(found)
    low, high = wilson(covered / n * units, units)
    return {
        "intervals": n,
        "not settled": unsettled,
        "covered": covered,
        "coverage": covered / n,
        "coverage 95 % interval": (low, high),
        "at the lower voltage": _share([f for f in found if f.fraction < 1.0]),
        "at full mains": _share([f for f in found if f.fraction >= 1.0]),
        "linear bound covers": sum(f.bounded for f in found) / n,
        "median U in A": median(f.budget.expanded for f in found),
        "median U ÷ current": median(f.budget.expanded / max(f.mean_a, 1e-6) for f in found),
        "shares of the variance": parts,
        "too wide": max(parts, key=lambda name: parts[name]) if covered / n > 0.97 else None,
    }


def _share(found: Sequence[Found]) -> float | None:
    return sum(f.covered for f in found) / len(found) if found else None


def report(results: dict[str, dict], units: int, first_seed: int, out: Path) -> None:
    rows = [
        (
            name,
            r["intervals"],
            percent(r["coverage"] * units, units),
            f"{100 * (r['at the lower voltage'] or 0):.1f} / {100 * (r['at full mains'] or 0):.1f} %",
            f"{100 * r['linear bound covers']:.1f} %",
            f"{1000 * r['median U in A']:.1f} mA",
            ", ".join(f"{k} {100 * v:.0f} %" for k, v in r["shares of the variance"].items() if v > 0.005),
            r["too wide"] or "",
            r["not settled"],
        )
        for name, r in results.items()
    ]
    head = (
        "meter set", "intervals", "truth inside U", "lower / full volts", "inside linear bound", "median U",
        "shares of the variance", "too wide", "not settled",
    )  # fmt: skip
    main = [row for row in rows if row[0] not in APART]
    apart = [row for row in rows if row[0] in APART]
    parts = [
        f"{units} units, seeds {first_seed} to {first_seed + units - 1}, none of them used for tuning. Each "
        "at two voltages, read by every meter set at the same time; meter errors as the simulated bench "
        "draws them for the seed. An interval is the mean of the last second of a settled current ± U of the "
        "full budget (k for 95 %); the truth is the true r.m.s. of the same second. Two intervals of one "
        "unit share the meter's errors: the 95 % interval of a coverage counts units, not intervals.",
        table(head, main),
        "Apart: no U is stated for an average-responding meter on a peaky current; this is what the budget "
        "of its sheet would say, were it trusted.",
        table(head, apart),
    ]
    data = {"units": units, "first seed": first_seed, "sets": results}
    save(out, "coverage", "Coverage of the full uncertainty budget of idle currents", parts, data)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run, print the table, write the report."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--units", type=int, default=1000)
    parser.add_argument("--first-seed", type=int, default=FIRST_SEED)
    parser.add_argument("--out", type=Path, required=True)
    args = parser.parse_args(arguments)
    ammeters = sheets()
    found: dict[str, list[Found]] = {name: [] for name in SETS}
    unsettled: Counter = Counter()
    for seed in range(args.first_seed, args.first_seed + args.units):
        some, left = run_unit(seed, ammeters)
        unsettled += left
        for one in some:
            found[one.meters].append(one)
    results = {name: summary(some, unsettled[name], args.units) for name, some in found.items()}
    report(results, args.units, args.first_seed, args.out)
    return 0


if __name__ == "__main__":
    sys.exit(main())
