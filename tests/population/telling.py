"""At which step a fault is told, by what is known of the unit and by meter, with the rules as they stand.

    python tests/population/telling.py --out DIR [--units 100] [--turns 20] [--minutes 25]

Class AB units on linear supplies, rating and plate drawn by the seed, on a programmed source. Twice: the
limits applied to settled readings of many units (`telling_settled`; what needs the course in time is left
out), and whole bring-ups in virtual time, the technician always going on, of the first of the same units.
Each turn of those takes one unit of every cell (fault × knowledge × meter set × population), so that a run
cut short is balanced. Both are kept in ``DIR`` and not made again.

*Cut off*: the source is taken away. *At least wait*: that, or a step left at wait for its current, its
rails, its output, or because nothing was drawn (a wait accuses nobody: the technician decides). A reference
unit is one other specimen of the model (`another`), read with a bench meter; the maker's figure is that of
the model's nominal values. Shifted population: see `shifted`.
"""

import argparse
import dataclasses
import itertools
import json
import random
import sys
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import msgspec
import virtual
from curves import plan_fractions, stair
from reporting import save, table
from shifted import SPREAD, nominal_w, shift
from telling_settled import told as settled_told

from benchlog.model.event import Judged, StepDone
from benchlog.model.reference import Reference, ReferencePoint
from benchlog.model.step import StepVerdict
from benchlog.model.unit import Unit
from benchlog_drivers.simulated.faults import Fault
from benchlog_drivers.simulated.make import Made, make_bench, source_impedance
from benchlog_drivers.simulated.options import SimulateOptions, make_options
from benchlog_drivers.simulated.population_model import another
from benchlog_drivers.simulated.unit import SimulatedUnit

FIRST_SEED = {"inside": 7_300_000, "shifted": 7_400_000}
FAULTS = (
    Fault.NONE, Fault.RAIL_SHORT, Fault.SHORTED_DEVICE, Fault.SHORTED_RECTIFIER, Fault.LEAKY_RESERVOIR,
    Fault.OPEN_RAIL_FUSE, Fault.SHORTED_TURNS, Fault.HIGH_BIAS, Fault.BIAS_RUNAWAY,
)  # fmt: skip
KNOWN = ("nameplate", "maker's idle figure", "reference unit")
METERS: dict[str, dict[str, Any]] = {
    "bench": {"meters": "bench"},
    "handheld": {"meters": "handheld"},
    "clamp, 1 turn": {"meters": "clamp", "turns": 1},
    "clamp, 5 turns": {"meters": "clamp", "turns": 5},
}
TELLING = ("above-acceptance", "no-current", "rails", "output-dc")
"""Rules of *wait* that say something is wrong; the others say that it is not known yet."""
BAND = 1.25


def options_of(cell: tuple[str, ...], turn: int) -> SimulateOptions:
    """The unit and bench of a cell's run; the same unit in all cells of a population's turn."""
    population, fault, _, meters = cell
    seed = FIRST_SEED[population] + turn
    dice = random.Random(f"telling {seed}")
    core, mains_v = dice.choice(("toroidal", "frame")), dice.choice((120.0, 230.0))
    return make_options(fault=fault, core=core, mains_v=mains_v, seed=seed, plate=None, **METERS[meters])


def made(options: SimulateOptions) -> Made:
    """The bench of a run; a shifted population's unit is another one."""
    bench = make_bench(options)
    if options.seed < FIRST_SEED["shifted"]:
        return bench
    params = shift(bench.params)
    physics = SimulatedUnit(params, options.fault, options.fault_at_s, None, source_impedance(options))
    physics.set_source(0.0, False)
    bench.bench.unit = physics
    return dataclasses.replace(bench, params=params, physics=physics)


class Models:
    """What is known of the models by seed: worked out once, since many runs share it."""

    def __init__(self) -> None:
        self._kept: dict[int, tuple[float, Reference]] = {}

    def of(self, options: SimulateOptions) -> tuple[float, Reference]:
        """Maker's idle watts, and a finished unit of the model."""
        if options.seed not in self._kept:
            self._kept = {options.seed: self._make(options), **dict(list(self._kept.items())[:3])}
        return self._kept[options.seed]

    def _make(self, options: SimulateOptions) -> tuple[float, Reference]:
        bench = made(options)
        spread = SPREAD if options.seed >= FIRST_SEED["shifted"] else 1.0
        fractions = plan_fractions(bench.unit)
        curve = stair(another(bench.params, 1, spread), bench.unit, options.seed + 1, fractions)
        read = [(p.fraction, p.current_a["bench"], p.power_w) for p in curve if p.current_a["bench"] > 0.0]
        points = tuple(ReferencePoint(v, a, BAND * a, w) for v, a, w in read)
        return nominal_w(bench.params), Reference("another unit", options.mains_v, points, invented=True)


def run(cell: tuple[str, ...], turn: int, models: Models) -> dict[str, Any]:
    """One run of a cell, as it is kept."""
    options = options_of(cell, turn)
    known = cell[2]
    reference, retell = None, None
    if known != "nameplate":
        idle_w, reference = models.of(options)
        if known == "maker's idle figure":
            reference = None

            def retell(unit: Unit) -> Unit:
                return msgspec.structs.replace(unit, idle_w=idle_w)

    found = virtual.run_cell(options, reference=reference, retell=retell, keep=False)
    told, rule = _told(found)
    cut = found.ended.cut_off_step_fraction if found.ended is not None and found.cut_off else None
    blind = sum(r.verdict is StepVerdict.CANNOT_JUDGE for r in found.records)
    return {
        "cell": list(cell), "turn": turn, "seed": options.seed, "told": told, "rule": rule, "cut": cut,
        "steps": len(found.records), "blind": blind, "destroyed": found.destroyed_s is not None,
    }  # fmt: skip


def _told(found: virtual.Run) -> tuple[float | None, str | None]:
    """The fraction of the first step at which something was said to be wrong, and by which rule."""
    rule: dict[int, str] = {}
    for _, said in found.said:
        if isinstance(said, Judged):
            rule[said.step] = said.rule
            if said.verdict is StepVerdict.CUT_OFF:
                return found.setup.steps[said.step].fraction, said.rule
        elif isinstance(said, StepDone) and rule.get(said.step) in TELLING:
            return said.record.fraction, rule[said.step]
    return None, None


def cells() -> list[tuple[str, ...]]:
    """Population × fault × knowledge × meter set."""
    faults = [fault.value for fault in FAULTS]
    return list(itertools.product(FIRST_SEED, faults, KNOWN, METERS))


def collect(path: Path, turns: int, minutes: float) -> list[dict[str, Any]]:
    """All runs kept so far, and those that time leaves to make."""
    lines = path.read_text(encoding="utf-8").splitlines() if path.exists() else []
    kept = [json.loads(line) for line in lines]
    have = {(tuple(r["cell"]), r["turn"]) for r in kept}
    models, until_s = Models(), time.monotonic() + 60.0 * minutes
    with path.open("a", encoding="utf-8") as file:
        for turn, cell in itertools.product(range(turns), cells()):
            if (cell, turn) in have:
                continue
            if time.monotonic() > until_s:
                break
            kept.append(run(cell, turn, models))
            file.write(json.dumps(kept[-1]) + "\n")
            file.flush()
    return [r for r in kept if r["turn"] < turns]


def settle(path: Path, units: int) -> list[dict[str, Any]]:
    """The limits applied to settled readings: lines as `run` keeps them, many more of them."""
    lines = path.read_text(encoding="utf-8").splitlines() if path.exists() else []
    kept = [json.loads(line) for line in lines]
    have = {(one[0]["cell"][0], one[0]["cell"][1], one[0]["turn"]) for one in kept}
    models = Models()
    with path.open("a", encoding="utf-8") as file:
        for turn, population, fault in itertools.product(range(units), FIRST_SEED, FAULTS[:-1]):
            if (population, fault.value, turn) not in have:
                options = options_of((population, fault.value, "", "bench"), turn)
                found = settled_told(made(options), options, *models.of(options))
                kept.append([
                    {"cell": (population, fault.value, f.pop("known"), f.pop("meters")), "turn": turn, **f}
                    for f in found
                ])  # fmt: skip
                file.write(json.dumps(kept[-1]) + "\n")
                file.flush()
    return [{**one, "cell": list(one["cell"])} for line in kept for one in line if one["turn"] < units]


def step_of(told: Sequence[float | None], share: float) -> float | None:
    """The step by which the share of units is told; None where it is not reached."""
    found = sorted(t for t in told if t is not None)
    needed = int(-(-share * len(told) // 1))
    return found[needed - 1] if 0 < needed <= len(found) else None


def _of(told: Sequence[float | None]) -> dict[str, Any]:
    return {
        "by step, 50 % of units": step_of(told, 0.5),
        "by step, 95 % of units": step_of(told, 0.95),
        "units": sum(t is not None for t in told),
    }


def _step(fraction: float | None) -> str:
    return "–" if fraction is None else f"{100 * fraction:.0f}"


def summarised(kept: Sequence[dict[str, Any]]) -> Iterator[tuple[tuple[str, ...], dict[str, Any]]]:
    """Figures of each cell."""
    by_cell: dict[tuple[str, ...], list[dict[str, Any]]] = {}
    for one in kept:
        by_cell.setdefault(tuple(one["cell"]), []).append(one)
    for cell in cells():
        runs = by_cell.get(cell, [])
        if runs:
            told = [r["told"] for r in runs]
            yield (
                cell,
                {
                    "units": len(runs),
                    "told by step, 50 % of units": step_of(told, 0.5),
                    "told by step, 95 % of units": step_of(told, 0.95),
                    "told at all": sum(t is not None for t in told),
                    "cut off": sum(r["cut"] is not None for r in runs),
                    "cut off by step, 50 %": step_of([r["cut"] for r in runs], 0.5),
                    "cut off by step, 95 %": step_of([r["cut"] for r in runs], 0.95),
                    "steps not judged a unit": sum(r["blind"] for r in runs) / len(runs),
                    "destroyed": sum(r.get("destroyed", False) for r in runs),
                },
            )


PUBLISHED = """Found before, on another simulated population and by statistics that flag a unit, without \
the rules of a bring-up (step by which 50 % / 95 % of units are flagged; – not reached):

| what is known | rail-short | leaky reservoir | open rail fuse | shorted turns | bias | false alarms |
|---|---|---|---|---|---|---|
| nameplate | 10/40 | – | – | – | – | 0.4 % (4 %) |
| maker's idle watts | 10/10 | 60/– | 30/50 | 40/100 | 50/– | 0.3 % (16 %) |
| a reference unit of the model | 10/10 | 20/– | 10/20 | 10/20 | 20/30 | 1.1 % (2 %) |"""


def report(settled: Sequence[dict[str, Any]], kept: Sequence[dict[str, Any]], out: Path) -> None:
    """The tables: faults by knowledge and meter, false alarms, and whether both ways agree."""
    text = (__doc__ or "").split("\n\n")
    seeds = "; ".join(f"{name} from {first} on" for name, first in FIRST_SEED.items())
    parts = [
        " ".join(text[2].split()),
        " ".join(text[3].split()),
        f"Seeds: {seeds}; the same unit stands in every cell of its population's turn. Entries: step in % of "
        "mains by which 50 % / 95 % of the units are told (– not reached), and how many of how many in all. "
        "*All meters* puts the four sets together.",
        "# Limits applied to settled readings",
        *_tables(settled),
        *(["# Whole bring-ups", *_tables(kept)] if kept else []),
        *(["# Do both ways agree?", _agreement(settled, kept)] if kept else []),
        "# Beside it",
        PUBLISHED,
    ]
    data = {
        "first seeds": FIRST_SEED,
        "settled readings": [{"cell": list(c), **f} for c, f in summarised(settled)],
        "bring-ups": [{"cell": list(c), **f} for c, f in summarised(kept)],
    }
    save(out, "telling", "At which step a fault is told", parts, data)


def _tables(kept: Sequence[dict[str, Any]]) -> list[str]:
    parts = []
    there = [p for p in FIRST_SEED if any(r["cell"][0] == p for r in kept)]
    for population, what in itertools.product(there, ("cut off", "at least wait")):
        parts += [f"## Faults {what}, population {population}", _faults(kept, population, what)]
    rules = Counter(r["rule"] for r in kept if r["cell"][1] == "none" and r["rule"])
    parts += ["## False alarms (good units)", _alarms(kept)]
    return [*parts, f"Rules behind the false alarms: {dict(rules) or 'none'}."]


def _agreement(settled: Sequence[dict[str, Any]], kept: Sequence[dict[str, Any]]) -> str:
    by_run = {(tuple(r["cell"]), r["turn"]): r for r in settled}
    found: Counter[str] = Counter()
    for r in kept:
        other = by_run.get((tuple(r["cell"]), r["turn"]))
        if other is not None:
            mine, theirs = (x["cut"] if x["cut"] is not None else 9.0 for x in (r, other))
            found["same step" if mine == theirs else "bring-up earlier" if mine < theirs else "later"] += 1
    total = sum(found.values())
    told = ", ".join(f"{name} {n}" for name, n in found.most_common())
    return f"Of {total} bring-ups whose settled readings were judged too, by the step of the cut-off: {told}."


def _faults(kept: Sequence[dict[str, Any]], population: str, what: str) -> str:
    key = {"cut off": "cut", "at least wait": "told"}[what]
    rows = []
    for fault, known in itertools.product(FAULTS[1:], KNOWN):
        row: list[object] = [fault.value, known]
        for meters in ("", *METERS):
            told = [
                r[key] for r in kept
                if r["cell"][:3] == [population, fault.value, known] and meters in ("", r["cell"][3])
            ]  # fmt: skip
            f = _of(told)
            half, most = _step(f["by step, 50 % of units"]), _step(f["by step, 95 % of units"])
            row.append(f"{half}/{most}, {f['units']} of {len(told)}" if told else "–")
        rows += [row] if set(row[2:]) != {"–"} else []
    return table(("fault", "what is known", "all meters", *METERS), rows)


def _alarms(kept: Sequence[dict[str, Any]]) -> str:
    rows = []
    for population, known in itertools.product(FIRST_SEED, KNOWN):
        row: list[object] = [population, known]
        for meters in ("", *METERS):
            runs = [
                r for r in kept
                if r["cell"][:3] == [population, "none", known] and meters in ("", r["cell"][3])
            ]  # fmt: skip
            cut, told = (sum(r[key] is not None for r in runs) for key in ("cut", "told"))
            row.append(f"{cut} cut off, {told} at least wait, of {len(runs)}" if runs else "–")
        blind = [r for r in kept if r["cell"][:3] == [population, "none", known]]
        share = sum(r["blind"] for r in blind) / max(len(blind), 1)
        rows.append([*row, f"{share:.1f}"])
    return table(("population", "what is known", "all meters", *METERS, "steps not judged a unit"), rows)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run what is missing, then report."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--units", type=int, default=60, help="units whose settled readings are judged")
    parser.add_argument("--turns", type=int, default=20, help="bring-ups of every cell")
    parser.add_argument("--minutes", type=float, default=25.0, help="time for the bring-ups")
    args = parser.parse_args(arguments)
    args.out.mkdir(parents=True, exist_ok=True)
    virtual.make_bench = made
    settled = settle(args.out / "telling-settled.jsonl", args.units)
    report(settled, collect(args.out / "telling.jsonl", args.turns, args.minutes), args.out)
    return 0


if __name__ == "__main__":
    sys.exit(main())
