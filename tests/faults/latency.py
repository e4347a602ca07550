"""How long it takes from the deciding reading to the source's *off*, over real transports at time scale 1.

    python tests/faults/latency.py --out DIR [--runs 60] [--source programmed] [--fault rail-short]

Each run: the simulated bench in a process of its own, a fault that begins while the unit stands at its first
step, the recorder here with standby and adaptors as in ``benchlog bringup``. The simulator says when it saw
the *off* command (programmed) or the instruction (hand-set), in the machine's monotonic time, which both
processes share. ``contactor`` is a hand-set source behind a cut-off contactor, which acts before the hand.
Writes ``latency-SOURCE.json`` with every run and the percentiles. Times are never asserted.
"""

import argparse
import contextlib
import json
import os
import statistics
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))

from kills import ask

from benchlog.bench.file import load_bench
from benchlog.bringup.watch import BringUp
from benchlog.cli.plan import plan_for
from benchlog.cli.setup import run_setup
from benchlog.model.clock import RealClock
from benchlog.model.history import RunBegun
from benchlog.model.job import Job
from benchlog.recorder.contract import Options, RunResult
from benchlog.recorder.recorder import Recorder
from benchlog.session.lock import Holder
from benchlog.session.writer import SessionWriter
from benchlog_drivers.registry import make as make_adaptor
from benchlog_drivers.simulated.options import make_options
from benchlog_drivers.simulated.process import Spawned, spawn


def one_run(
    fault: str,
    fault_at_s: float,
    source: str,
    seed: int,
    window: tuple[str, ...] | None = None,
    keep: Callable[[list[float]], object] = lambda _: None,
    beside: Callable[[Spawned], list[float]] | None = None,
) -> dict[str, Any]:
    """Record one run until it is cut off; its stages in milliseconds.

    ``beside`` measures something else on the same bench once the run is over; ``keep`` gets what it found.
    """
    meters = "bench" if source == "programmed" else "handheld"
    more = {"source": "hand-set", "contactor": "scpi"} if source == "contactor" else {"source": source}
    options = make_options(fault=fault, fault_at_s=fault_at_s, meters=meters, seed=seed, **more)
    args = argparse.Namespace(lamp=None, soak=None, ask=False, reference=None, plan=None)
    with spawn(options) as simulated, tempfile.TemporaryDirectory() as folder:
        bench = load_bench(simulated.bench_path)
        assert bench.unit is not None
        setup = run_setup(bench, bench.unit, plan_for(bench, bench.unit, args), args)
        clock = RealClock()
        store = SessionWriter.create(
            Path(folder) / "latency.benchlog",
            Job(),
            clock.wall(),
            t_us=clock.now(),
            holder=Holder(os.getpid()),
        )
        recorder = Recorder(
            store, bench, make_adaptor, clock, engine=BringUp(setup), begun=RunBegun(setup=setup),
            options=Options(answer_not_judged="end", window=window),
        )  # fmt: skip
        recorder._leave_soon = True  # nobody is there to close the window
        result = recorder.run()
        status = ask(simulated.ready.control, {"type": "status"})
        if beside is not None:
            keep(beside(simulated))
    return stages(result, clock, status)


def stages(result: RunResult, clock: RealClock, status: dict[str, Any]) -> dict[str, Any]:
    """The instants of the cut-off, in milliseconds after the deciding reading's end."""
    times = next((t for t in result.times if t.reading_end_us is not None), None)
    if times is None or times.reading_end_us is None:
        return {"outcome": result.ended.outcome.value if result.ended else None, "status": status}
    end_ns = clock.monotonic_ns(times.reading_end_us)

    def after(t_ns: int | None) -> float | None:
        return None if t_ns is None else round((t_ns - end_ns) / 1e6, 3)

    def after_us(t_us: int | None) -> float | None:
        return None if t_us is None else after(clock.monotonic_ns(t_us))

    fault_ns = status.get("fault_onset_ns")
    return {
        "outcome": result.ended.outcome.value if result.ended else None,
        "told_ms": after_us(times.told_us),
        "sent_ms": after_us(times.sent_us),
        "off_seen_ms": after(status.get("off_received_ns")),
        "confirmed_ms": after_us(times.confirmed_us),
        "instruction_heard_ms": after(status.get("urgent_ns")),
        "zero_voltage_ms": after(status.get("zero_voltage_ns")),
        "zero_current_ms": after(status.get("zero_current_ns")),
        "fault_to_zero_current_ms": None
        if fault_ns is None or status.get("zero_current_ns") is None
        else round((status["zero_current_ns"] - fault_ns) / 1e6, 1),
        "status": status,
    }


def percentiles(rows: list[dict[str, Any]], key: str) -> dict[str, float]:
    """Median, 99th percentile and greatest of a stage."""
    values = sorted(v for r in rows if (v := r.get(key)) is not None)
    if not values:
        return {}
    at = values[min(len(values) - 1, round(0.99 * (len(values) - 1)))]
    return {"n": len(values), "p50": statistics.median(values), "p99": at, "max": values[-1]}


def main() -> int:
    """Run them and write the report."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--runs", type=int, default=60)
    parser.add_argument("--source", default="programmed", choices=("programmed", "hand-set", "contactor"))
    parser.add_argument("--fault", default="rail-short")
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    rows = []
    for n in range(args.runs):
        with contextlib.redirect_stdout(sys.stderr):
            rows.append(one_run(args.fault, 4.0 + 0.137 * (n % 29), args.source, 1 + n))
        print(n, {k: v for k, v in rows[-1].items() if k != "status"}, flush=True)
    keys = (
        "told_ms", "sent_ms", "off_seen_ms", "confirmed_ms", "instruction_heard_ms", "zero_voltage_ms",
        "zero_current_ms",
        "fault_to_zero_current_ms",
    )  # fmt: skip
    found = {key: percentiles(rows, key) for key in keys}
    report = {"source": args.source, "fault": args.fault, "stages": found, "runs": rows}
    (args.out / f"latency-{args.source}.json").write_text(json.dumps(report, indent=1), encoding="utf-8")
    print(json.dumps(found, indent=1))
    return 0


if __name__ == "__main__":
    sys.exit(main())
