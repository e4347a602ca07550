"""Every benchmark after the other, in processes of their own; what they print is kept together.

    python tests/bench/everything.py --out DIR [--quick] [--only NAME]

Writes ``NAME.txt`` for each, and ``everything.json`` and ``everything.md`` with the machine, how long each
took, its exit code and, where it prints JSON, its figures. Run it on a quiet machine: nothing is asserted,
and a loaded one only shows its load.
"""

import argparse
import json
import os
import platform
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

TESTS = Path(__file__).parents[1]
ROOT = TESTS.parent

BENCHMARKS: dict[str, tuple[list[str], list[str]]] = {
    "reply-to-off": (["bench/reply_to_off.py", "--out", "{out}"], ["--runs", "4"]),
    "session-1e4": (["bench/bench_session.py", "--readings", "1e4"], []),
    "session-1e5": (["bench/bench_session.py", "--readings", "1e5"], []),
    "session-1e6": (["bench/bench_session.py", "--readings", "1e6", "--exports"], ["--readings", "1e5"]),
    "session-1e7": (["bench/bench_session.py", "--readings", "1e7"], ["--readings", "1e5"]),
    "documents": (["bench/document_speed.py", "--exports"], ["--readings", "100000", "--rounds", "1"]),
    "waveforms": (["bench/bench_waveform.py"], []),
    "adaptors": (["bench/adaptor_cost.py"], ["--seconds", "5", "--count", "500"]),
    "simulated-unit": (["bench/simulated_unit_speed.py"], []),
    "drawing": (["ui/bench_drawing.py"], []),
    "start": (["ui/bench_start.py"], []),
    "soak": (["ui/bench_soak.py"], []),
}
"""Name → its words, and those added for a quick look."""


def run(name: str, out: Path, quick: bool) -> dict[str, Any]:
    """One benchmark; what it printed goes into a file."""
    words, more = BENCHMARKS[name]
    script, *options = [word.replace("{out}", str(out)) for word in words + (more if quick else [])]
    env = os.environ | {"QT_QPA_PLATFORM": os.environ.get("QT_QPA_PLATFORM", "offscreen")}
    began_s = time.perf_counter()
    done = subprocess.run(
        [sys.executable, str(TESTS / script), *options],
        cwd=ROOT,
        env=env,
        capture_output=True,
        text=True,
        check=False,
    )
    (out / f"{name}.txt").write_text(done.stdout + done.stderr, encoding="utf-8")
    took_s = round(time.perf_counter() - began_s, 1)
    return {"name": name, "exit": done.returncode, "took_s": took_s, "figures": _figures(done.stdout)}


def _figures(printed: str) -> Any:
    """The JSON that was printed, whole or a line each; None where there is none."""
    try:
        return json.loads(printed)
    except ValueError:
        pass
    found = []
    for line in printed.splitlines():
        if line.startswith("{"):
            try:
                found.append(json.loads(line))
            except ValueError:
                continue
    return found or None


def machine() -> dict[str, Any]:
    """What it was measured on."""
    load = os.getloadavg()[0] if hasattr(os, "getloadavg") else None
    return {
        "system": platform.platform(),
        "python": platform.python_version(),
        "cores": os.cpu_count(),
        "load": load,
    }


def as_table(report: dict[str, Any]) -> str:
    """The report for a reader: each benchmark with what it printed."""
    lines = [f"Measured on {report['machine']}", "", "| benchmark | took s | exit |", "|---|---|---|"]
    lines += [f"| {row['name']} | {row['took_s']} | {row['exit']} |" for row in report["rows"]]
    for row in report["rows"]:
        lines += [
            "",
            f"## {row['name']}",
            "",
            "```",
            (report["out"] / f"{row['name']}.txt").read_text().rstrip(),
            "```",
        ]
    return "\n".join(lines) + "\n"


def main() -> int:
    """Run them and write the report."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--quick", action="store_true", help="small sizes, to see that all of them run")
    parser.add_argument("--only", default="", help="those whose name holds this")
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    rows = []
    for name in BENCHMARKS:
        if args.only in name:
            rows.append(run(name, args.out, args.quick))
            print(f"{name}: {rows[-1]['took_s']} s, exit {rows[-1]['exit']}", flush=True)
    report = {"machine": machine(), "rows": rows}
    (args.out / "everything.json").write_text(json.dumps(report, indent=1), encoding="utf-8")
    (args.out / "everything.md").write_text(as_table({**report, "out": args.out}), encoding="utf-8")
    return int(any(row["exit"] for row in rows))


if __name__ == "__main__":
    sys.exit(main())
