"""The named cells over real transports: fault × mains × bench, and switch-mode; a campaign of its own.

    python tests/line/cells.py --out DIR [--scale 20]

Writes ``cells.json`` and ``cells.md``. Each cell is one ``benchlog rehearse`` in processes of its own
(command, recorder, standby, simulated bench), over loopback TCP and pseudo-terminals.
What each cell has to show is in `demands`; the voltages come from the tables of the bring-up rules
(simulated units, ours).
"""

import argparse
import json
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

sys.path.insert(0, str(Path(__file__).parent))

from line_commands import Done, command

FAULTS = ("none", "rail-short", "shorted-device", "shorted-rectifier", "bias-runaway", "open-mains-fuse")
SET_STEPS = (0.05, 0.10, 0.15, 0.20, 0.30, 0.40, 0.50, 0.65, 0.80, 0.90, 1.00)


class Cell(NamedTuple):
    """One cell."""

    fault: str
    mains: int
    meters: str
    source: str
    supply: str = "linear"

    @property
    def name(self) -> str:
        """Stable name."""
        return f"{self.supply}/{self.fault}/{self.mains}/{self.meters}"

    def words(self, scale: float, seed: int) -> list[str]:
        """Options of ``rehearse``."""
        return [
            *(
                "--fault",
                self.fault,
                "--mains",
                str(self.mains),
                "--meters",
                self.meters,
                "--source",
                self.source,
            ),
            *("--supply", self.supply, "--core", "toroidal", "--plate-va", "300", "--seed", str(seed)),
            *("--time-scale", str(scale), "--no-window", "--json"),
        ]


def cells() -> Iterator[Cell]:
    """All 26."""
    for fault in FAULTS:
        for mains in (120, 230):
            yield Cell(fault, mains, "bench", "programmed")
            yield Cell(fault, mains, "handheld", "hand-set")
    for mains in (120, 230):
        yield Cell("none", mains, "bench", "programmed", "switch-mode")


def demands(cell: Cell, report: dict[str, Any], code: int) -> list[str]:
    """What is wrong with a cell's course; empty where nothing is."""
    check = {
        "none": _none,
        "rail-short": _short(0.20),
        "shorted-rectifier": _short(0.20),
        "shorted-device": _short(0.20 if cell.meters == "bench" else 0.65),
        "bias-runaway": _runaway,
        "open-mains-fuse": _open_fuse,
    }[cell.fault]
    faults: list[str] = check(cell, report)
    expected = {"completed": 0, "cut-off": 3, "alarmed": 3, "undecided": 4}[report["outcome"]]
    if code != expected:
        faults.append(f"exit {code} with outcome {report['outcome']}")
    if not report["simulated"]:
        faults.append("not marked as simulated")
    return faults


def _none(cell: Cell, report: dict[str, Any]) -> list[str]:
    faults = [] if report["outcome"] == "completed" else [f"{report['outcome']}: {report['reason']}"]
    by_program = [s["decided_by"] == "program" and s["verdict"] == "go-up" for s in report["steps"]]
    if cell.meters == "bench" and sum(by_program) < 0.9 * len(by_program):
        faults.append(f"only {sum(by_program)} of {len(by_program)} steps judged to go up by the program")
    return faults


def _short(by_fraction: float):  # type: ignore[no-untyped-def]
    def check(cell: Cell, report: dict[str, Any]) -> list[str]:
        wanted = "cut-off" if cell.source == "programmed" else "alarmed"
        if report["outcome"] != wanted:
            return [f"{report['outcome']} instead of {wanted}: {report['reason']}"]
        at = report["cut_off_at_fraction"]
        if at is None or at > by_fraction + 0.05:
            return [f"taken away at {at} of nominal, later than {by_fraction}"]
        return [] if not report["claims"] else [f"claims {report['claims']}"]

    return check


def _runaway(cell: Cell, report: dict[str, Any]) -> list[str]:
    if report["outcome"] not in ("cut-off", "alarmed"):
        return [f"{report['outcome']}: {report['reason']}"]
    rose = "rose" in report["reason"] or "rising" in report["reason"]
    return [] if rose else [f"stopped by something else than its rise: {report['reason']}"]


def _open_fuse(cell: Cell, report: dict[str, Any]) -> list[str]:
    faults = [] if report["outcome"] == "undecided" else [f"{report['outcome']}: {report['reason']}"]
    said = [e["reason"] for e in report["events"] if "fuse, switch or cord" in e["reason"]]
    return faults if said else [*faults, "no word of fuse, switch or cord"]


def run_cell(cell: Cell, out: Path, scale: float, seed: int) -> dict[str, Any]:
    """Rehearse one cell and judge its course."""
    begun = time.monotonic()
    done: Done = command("rehearse", *cell.words(scale, seed), "--out", out, timeout_s=590.0)
    try:
        report = done.json()
    except json.JSONDecodeError:
        return {"cell": cell.name, "faults": [f"exit {done.code}: {done.err[-400:]}"], "real_s": 0.0}
    return {
        "cell": cell.name,
        "outcome": report["outcome"],
        "reason": report["reason"],
        "cut_off_at_fraction": report["cut_off_at_fraction"],
        "judged_by_program": sum(
            s["decided_by"] == "program" and s["verdict"] == "go-up" for s in report["steps"]
        ),
        "verdicts": [s["verdict"] for s in report["steps"]],
        "steps": len(report["steps"]),
        "document": report["document"],
        "session": report["session"],
        "faults": demands(cell, report, done.code),
        "real_s": round(time.monotonic() - begun, 1),
    }


def as_table(rows: list[dict[str, Any]]) -> str:
    """The report for a reader."""
    lines = ["| cell | outcome | at | steps go up / all | real s | wrong |", "|---|---|---|---|---|---|"]
    for row in rows:
        at = row.get("cut_off_at_fraction")
        lines.append(
            f"| {row['cell']} | {row.get('outcome', '-')} | {'' if at is None else f'{at:.3f}'} "
            f"| {row.get('judged_by_program', '-')}/{row.get('steps', '-')} | {row['real_s']} "
            f"| {'; '.join(row['faults']) or '-'} |"
        )
    return "\n".join(lines) + "\n"


def main() -> int:
    """Run all cells."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--scale", type=float, default=20.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", help="cells whose name contains this")
    args = parser.parse_args()
    rows = []
    for cell in cells():
        if args.only in cell.name:
            rows.append(run_cell(cell, args.out / "sessions", args.scale, args.seed))
            print(as_table(rows[-1:]).splitlines()[-1], flush=True)
    (args.out / "cells.json").write_text(json.dumps(rows, indent=1), encoding="utf-8")
    (args.out / "cells.md").write_text(as_table(rows), encoding="utf-8")
    return 1 if any(row["faults"] for row in rows) else 0


if __name__ == "__main__":
    sys.exit(main())
