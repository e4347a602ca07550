"""The report of a campaign: ``population.md`` and ``population.json``.

python tests/population/population_report.py DIR [--out tests/population/report]
"""

import argparse
import json
import sys
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import population_pictures as pictures
import population_tables as tables
from campaign import lines_of
from population_cells import PARTS
from population_tables import DMM_OR_FIVE, Line, is_cut, of_group
from reporting import save, table

SHORTS = ("rail-short", "shorted-device", "shorted-rectifier")
EARLIER = (
    ("shorted-rectifier", "50/91/99/100", "78/100", "85/100", "86/100"),
    ("rail-short", "0/32/82/96/99/100", "4/81/98/100", "40/93/99/100", "81/100"),
    ("shorted-device", "0/0/0/0/15/44/79/97/100", "0/0/0/3/28/73/92/99/100", "0/0/1/18/58/89/99/100",
     "0/3/31/65/94/99/100"),
    ("shorted-device, outputs read", "0/0/18/73/98/100", "0/4/73/96/100", "0/51/92/100", "23/87/99/100"),
    ("open-rail-fuse, rails read", "0/74/98/100", "10/85/100", "57/94/100", "74/98/100"),
)  # fmt: skip
"""What an earlier population of one circuit family gave with the rules as they were at first (ours)."""


def read(folders: Sequence[Path]) -> dict[str, list[Line]]:
    """The lines of every part, each run once, a part's kinds from the last directory that has them."""
    return {part: _newest(part, folders) for part in (*PARTS, "screen")}


def _newest(part: str, folders: Sequence[Path]) -> list[Line]:
    by_kind: dict[str, list[Line]] = {}
    for folder in folders:
        runs = {(one["cell"], one["seed"]): one for one in lines_of(folder / f"{part}.jsonl")}
        found: dict[str, list[Line]] = {}
        for one in runs.values():
            found.setdefault(_kind(one), []).append(one)
        by_kind |= found
    return [one for these in by_kind.values() for one in these]


def _kind(line: Line) -> str:
    return str(line["kind"] if "kind" in line else tables.GROUPS[line["cell"]]["kind"])


def sections(lines: dict[str, list[Line]]) -> list[str]:
    """The report, section by section."""
    return [*_good(lines), *_screen(lines), *_faults(lines), *_runaways(lines), *_others(lines)]


def _screen(lines: dict[str, list[Line]]) -> list[str]:
    looks = lines["screen"]
    return [
        "## Good units, a quick look at more of them",
        "Settled idle at every step of the plan on a programmed source, read by all meters at once with "
        "errors drawn; no watch runs (screen.py).",
        tables.screen_table(looks),
        "Each one with a step at or above its stop limit:",
        tables.screen_list(looks),
    ]


def _good(lines: dict[str, list[Line]]) -> list[str]:
    good, plates = lines["good"], lines["plates"]
    rise = sum(one["rule"] in tables.RISE for one in good)
    parts = [
        "## Good units",
        tables.good_table(good, "kind"),
        tables.good_table(good, "meter"),
        tables.good_table(good, "source"),
        "Each one cut off or alarmed:",
        tables.listed([one for one in good if is_cut(one)]),
        "Each one that ended undecided:",
        tables.listed([one for one in good if one["outcome"] not in ("completed", "cut-off", "alarmed")]),
        f"The two rise rules together on good units, warm-up drift modelled: "
        f"{tables.share(rise, len(good))}.",
        "### What a clamp can't judge",
        tables.clamp_table(good),
    ]
    for factor in ("0.75", "1.25"):
        these = of_group(plates, what=f"plate × {factor}")
        parts += [f"### Plates × {factor}", tables.good_table(these, "kind"), "Each one cut off or alarmed:",
                  tables.listed([one for one in these if is_cut(one)])]  # fmt: skip
    return parts


def _faults(lines: dict[str, list[Line]]) -> list[str]:
    faults = lines["faults"]
    parts = [
        "## What stepping up can tell",
        "Class AB on a linear supply. Cumulative share in % cut off by measured inlet volts of "
        "5/10/15/20/30/40/50/65/100 % of nominal, by the plate's VA.",
        "Current alone; hand-held meter, or clamp with 5 turns; both sources:",
        tables.shorts_table(faults, SHORTS, DMM_OR_FIVE),
        "Rails and output DC read (bench meter); an open rail fuse counts where its step was left at wait:",
        tables.shorts_table(faults, SHORTS, ("bench",)),
        tables.shorts_table(faults, ("open-rail-fuse",), ("bench",), tables.told_rails),
        "One turn through the clamp:",
        tables.shorts_table(faults, SHORTS, ("clamp, 1 turn",)),
        "Beside them what an earlier population of one circuit family had given:",
        table(("fault", *(name for name, *_ in tables.CLASSES)), EARLIER),
    ]
    for words, meters in (("Hand-held, or clamp with 5 turns", DMM_OR_FIVE), ("Bench meter", ("bench",)),
                          ("Clamp with 1 turn", ("clamp, 1 turn",))):  # fmt: skip
        parts += [f"### All faults, class AB, linear. {words}", tables.faults_table(faults, meters)]
    for kind in tables.values_of(faults, "kind"):
        if kind != "class AB, linear":
            parts += [f"### {kind}, hand-held", tables.faults_table(faults, ("handheld",), kind)]
    never = [one for one in [*faults, *lines["hands"], *lines["known"]] if _short(one)]
    claims = sum(one["claim"] is not None for one in never)
    asked = [one for one in never if "claim_early" in one]
    return [
        *parts,
        "“No short … seen” printed for a unit with a rail-short or a shorted rectifier: "
        f"{tables.share(claims, len(never))}; had the technician stopped after any step: "
        f"{tables.share(sum(one['claim_early'] is not None for one in asked), len(asked))}.",
        tables.listed([one for one in asked if one["claim_early"] is not None]),
        "### A reference unit, or the maker's idle watts, known",
        tables.known_table(lines["known"]),
    ]


def _short(line: Line) -> bool:
    what = tables.GROUPS[line["cell"]]["what"]
    return what.startswith(("rail-short", "shorted-rectifier"))


def _runaways(lines: dict[str, list[Line]]) -> list[str]:
    runaways = lines["runaway"]
    lost = [one for one in runaways if tables.missed(one)]
    return ["## Bias runaways", tables.runaway_table(runaways), "Each one lost:", tables.listed(lost)]


def _others(lines: dict[str, list[Line]]) -> list[str]:
    hands = lines["hands"]
    good = [one for one in hands if tables.GROUPS[one["cell"]]["what"].find("short") < 0]
    return ["## Hands and mains", tables.hands_table(hands), "Each good one cut off or alarmed:",
            tables.listed([one for one in good if is_cut(one)])]  # fmt: skip


def draw(lines: dict[str, list[Line]], out: Path) -> str:
    """A picture of the shorts of all plate classes; its line for the report."""
    curves = {}
    for fault in SHORTS:
        for words, meters in (("current alone", DMM_OR_FIVE), ("outputs read", ("bench",))):
            these = of_group(lines["faults"], what=fault, kind="class AB, linear", meter=meters)
            if these and (fault == "shorted-device" or words == "current alone"):
                curves[f"{fault}, {words}"] = (tables.STEPS, tables.cumulative(these, tables.cut_at))
    pictures.draw_cuts(curves, out / "population.png")
    return "![cut off by measured volts](population.png)"


def figures(lines: dict[str, list[Line]]) -> dict[str, Any]:
    """The same in numbers: outcomes and acting rules by what, kind and meter."""
    found: dict[str, Any] = {}
    for part in PARTS:
        for one in lines[part]:
            group = tables.GROUPS[one["cell"]]
            cell = found.setdefault(
                " / ".join(group[word] for word in ("part", "what", "kind", "meter")),
                {"runs": 0, "outcomes": Counter(), "rules": Counter(), "lost": 0},
            )
            cell["runs"] += 1
            cell["outcomes"][one["outcome"]] += 1
            cell["rules"][one["rule"] or "none"] += 1
            cell["lost"] += one["destroyed_s"] is not None
    return found


def main(arguments: Sequence[str] | None = None) -> int:
    """Write the report."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path, nargs="+")
    parser.add_argument("--out", type=Path, default=Path(__file__).parent / "report")
    args = parser.parse_args(arguments)
    metas = [json.loads((folder / "meta.json").read_text()) for folder in args.folder]
    every = read(args.folder)
    failed = [one for these in every.values() for one in these if one.get("outcome") == "failed"]
    lines = {part: [one for one in these if one not in failed] for part, these in every.items()}
    runs = sum(len(lines[part]) for part in PARTS)
    seeds = " and ".join(str(seed) for meta in metas for seed in (meta["base_seed"], *meta.get("also", ())))
    opening = (
        f"Base seeds {seeds}, drawn after the last change of a limit for the kinds each serves; rules and "
        f"models of commit {' and '.join(meta['commit'] for meta in metas)}; {runs} whole bring-ups, "
        f"{len(failed)} failed. Shares stand with n and 95 % bounds (Clopper and Pearson; one-sided for none "
        "or all). Made by campaign.py and population_report.py; the same base seed gives the same runs."
    )
    data = {"campaigns": metas, "runs": runs, "failed": failed, "cells": figures(lines)}
    parts = [opening, *sections(lines), draw(lines, args.out)]
    save(args.out, "population", "Rules on a population", parts, data)
    return 0


if __name__ == "__main__":
    sys.exit(main())
