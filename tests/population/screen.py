"""Settled idle of many good units against the limits: a quick look beside the campaign's whole bring-ups.

    python tests/population/screen.py --out DIR [--units 500] [--base N] [--kind NAME …]

Each unit stands on a programmed source at every step of its plan, and all four meter sets read it at once,
with the errors that the seed draws. Adds a line a unit to ``DIR/screen.jsonl`` and goes on where it was left.
No watch runs: inrush, rises and hands are the campaign's.
"""

import argparse
import itertools
import json
import random
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from campaign import lines_of, settle_meta
from curves import plan_fractions, sheets, stair
from population_cells import KINDS, MAINS, Cell, seed_of

from benchlog.bench.sheet import current_meter
from benchlog.limits import bringup as rules
from benchlog.model.unit import Amplifier, Core, Supply
from benchlog_drivers.simulated.population import draw_unit
from benchlog_drivers.simulated.source import programmed_rating


def cells_of(kind: str) -> list[Cell]:
    """The kind at both mains and with each of its cores."""
    return [
        Cell(f"screen / {kind} / {mains:g} V / {k}", {"kind": kind}, ({**unit, "mains_v": mains},))
        for mains, (k, unit) in itertools.product(MAINS, enumerate(KINDS[kind]))
    ]


def look(cell: Cell, i: int, seed: int) -> dict[str, Any]:
    """One unit: at each step its largest reading ÷ stop limit, and the verdict, by meter."""
    words = cell.words(i)
    amplifier, supply = Amplifier(words["amplifier"]), Supply(words["supply"])
    core = Core(words.get("core", "toroidal"))
    params, unit = draw_unit(amplifier, supply, core, words["mains_v"], seed)
    fractions = plan_fractions(unit)
    points = stair(params, unit, seed, fractions)
    rated_a = programmed_rating(unit.mains_v).current_a
    found = {}
    for name, sheet in sheets().items():
        limits = rules.step_limits(unit, current_meter(sheet.meter_sheet()), rated_a)
        found[name] = [
            (f, round(p.current_a[name] / rules.stop_a(limits, p.fraction), 3), _verdict(limits, p, name))
            for f, p in zip(fractions, points, strict=True)
        ]
    return {"cell": cell.name, "i": i, "seed": seed, "kind": cell.group["kind"], "core": core.value,
            "plate_va": round(unit.plate_va, 1), "va": round(params.transformer.va, 1),
            "meters": found}  # fmt: skip


def _verdict(limits: rules.StepLimits, point: Any, name: str) -> str:
    x = point.current_a[name]
    if rules.cannot_judge(limits, point.fraction):
        return "n"
    within = x + rules.go_up_u_a(limits, x) <= rules.acceptance_a(limits, point.fraction)
    return "g" if within else "w"


def main(arguments: Sequence[str] | None = None) -> int:
    """Look at so many units of each cell."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--units", type=int, default=500)
    parser.add_argument("--base", type=int)
    parser.add_argument("--kind", nargs="+", choices=list(KINDS), default=list(KINDS))
    args = parser.parse_args(arguments)
    args.out.mkdir(parents=True, exist_ok=True)
    base = settle_meta(args.out, args.base)["base_seed"]
    path = args.out / "screen.jsonl"
    done = {(one["cell"], one["i"]) for one in lines_of(path)}
    print(f"base seed {base}")
    todo = [(cell, i) for kind in args.kind for cell in cells_of(kind) for i in range(args.units)]
    random.Random(base).shuffle(todo)
    with path.open("a", buffering=1) as file:
        for cell, i in todo:
            if (cell.name, i) not in done:
                file.write(json.dumps(look(cell, i, seed_of(base, cell, i)), separators=(",", ":")) + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
