"""From a meter's reply to the source's *off*, in the recorder and in a bare pyvisa loop beside it.

    python tests/bench/reply_to_off.py --out DIR [--runs 40] [--only LOAD]

The simulated bench runs in a process of its own at time scale 1; a rail short begins while the unit stands at
its first step. Stages: ``told`` the limit watch was told of the deciding reading after its end · ``off`` the
simulator saw the command after that reading's end. ``bare``: on the same bench and in the same run, a plain
pyvisa loop asks the meter and writes the same command to the source as soon as it has the reply; counted from
the reply. So the recorder's own share is *off* less *told*, to be held against ``bare``. Loads: ``none``,
``spin`` (a Python thread of the recorder that never rests), ``hogs`` (two processes that compute), ``disk``
(each commit takes 3 s), ``window`` (the window draws beside it). Nothing is asserted.
"""

import argparse
import contextlib
import json
import multiprocessing
import statistics
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pyvisa

sys.path.insert(0, str(Path(__file__).parents[1] / "faults"))

from kills import ask
from latency import one_run

from benchlog.bench.file import load_bench
from benchlog.session.writer import SessionWriter
from benchlog_drivers.simulated.process import Spawned

OFF = "OUTP OFF;:VOLT 0"
WINDOW = (sys.executable, "-m", "benchlog_ui")
BARE = 10
"""Rounds of the bare loop after each run."""


def _spin(stop: Callable[[], bool]) -> None:
    while not stop():
        pass


def _hog() -> None:
    while True:
        pass


@contextlib.contextmanager
def load(name: str) -> Iterator[None]:
    """The load while a run goes on."""
    if name == "spin":
        stop = threading.Event()
        thread = threading.Thread(target=_spin, args=(stop.is_set,))
        thread.start()
        try:
            yield
        finally:
            stop.set()
            thread.join()
    elif name == "hogs":
        hogs = [multiprocessing.Process(target=_hog, daemon=True) for _ in range(2)]
        for hog in hogs:
            hog.start()
        try:
            yield
        finally:
            for hog in hogs:
                hog.kill()
    elif name == "disk":
        commit = SessionWriter.commit

        def slow(self: SessionWriter) -> bool:
            time.sleep(3.0)
            return commit(self)

        SessionWriter.commit = slow  # type: ignore[method-assign]
        try:
            yield
        finally:
            SessionWriter.commit = commit  # type: ignore[method-assign]
    else:
        yield


def bare(simulated: Spawned) -> list[float]:
    """Milliseconds from the meter's reply to *off* at the simulator, in a loop of pyvisa alone."""
    connections = {i.name: i.connection for i in load_bench(simulated.bench_path).instrument}
    manager = pyvisa.ResourceManager("@py")
    open_ = {"read_termination": "\n", "write_termination": "\n"}
    meter = manager.open_resource(connections["bench-meter"], **open_)
    source = manager.open_resource(connections["source"], **open_)
    found = []
    for _ in range(BARE):
        meter.query("FETC?")  # type: ignore[attr-defined]
        got_ns = time.monotonic_ns()
        source.write(OFF)  # type: ignore[attr-defined]
        source.query("OUTP?")  # type: ignore[attr-defined]
        found.append((ask(simulated.ready.control, {"type": "status"})["off_received_ns"] - got_ns) / 1e6)
    meter.close()
    source.close()
    return found


def figures(values: list[float]) -> dict[str, float | int]:
    """Count, median, 99th percentile and greatest."""
    ranked = sorted(values)
    at = ranked[min(len(ranked) - 1, round(0.99 * (len(ranked) - 1)))]
    return {"n": len(ranked), "p50": round(statistics.median(ranked), 3), "p99": round(at, 3),
            "max": round(ranked[-1], 3)}  # fmt: skip


def measure(name: str, runs: int) -> dict[str, Any]:
    """All runs under one load."""
    told, off, plain = [], [], []
    for n in range(runs):
        with load(name), contextlib.redirect_stdout(sys.stderr):
            window = WINDOW if name == "window" else None
            row = one_run(
                "rail-short", 4.0 + 0.137 * (n % 29), "programmed", 1 + n, window, plain.extend, bare
            )
        if row.get("off_seen_ms") is not None and row.get("told_ms") is not None:
            told.append(row["told_ms"])
            off.append(row["off_seen_ms"] - row["told_ms"])
    own = figures(off)
    beside = figures(plain)
    return {
        "load": name,
        "told_ms": figures(told),
        "told_to_off_ms": own,
        "bare_reply_to_off_ms": beside,
        "ratio_p50": round(own["p50"] / beside["p50"], 2),
    }


def as_table(rows: list[dict[str, Any]]) -> str:
    """The report for a reader."""
    lines = [
        "| load | n | reading's end → told p50/p99/max ms | told → off p50/p99/max ms "
        "| bare reply → off p50/p99/max ms | ratio of p50 |",
        "|---|---|---|---|---|---|",
    ]
    for row in rows:
        cells = [f"{f['p50']} / {f['p99']} / {f['max']}" for key, f in row.items() if key.endswith("_ms")]
        lines.append(f"| {row['load']} | {row['told_ms']['n']} | {' | '.join(cells)} | {row['ratio_p50']} |")
    return "\n".join(lines) + "\n"


def main() -> int:
    """Measure and write the report."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--runs", type=int, default=40)
    parser.add_argument("--only", default="")
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    rows = []
    for name in ("none", "spin", "hogs", "disk", "window"):
        if args.only in name:
            rows.append(measure(name, args.runs))
            print(json.dumps(rows[-1]), flush=True)
    (args.out / "reply_to_off.json").write_text(json.dumps(rows, indent=1), encoding="utf-8")
    (args.out / "reply_to_off.md").write_text(as_table(rows), encoding="utf-8")
    print(as_table(rows))
    return 0


if __name__ == "__main__":
    sys.exit(main())
