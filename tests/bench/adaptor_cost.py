"""What the adaptors cost: beside bare pyvisa-py and pyserial, and eight instruments at 50 readings a second.

Run: ``python tests/bench/adaptor_cost.py [--seconds 60] [--out DIR]``. Peers run in a process of their own.
With ``--out`` it writes ``adaptor_cost.json`` and ``adaptor_cost.md``, each figure with what is wanted of it
on a machine that does nothing else.
"""

import argparse
import importlib.util
import json
import multiprocessing
import os
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from multiprocessing.connection import Connection
from pathlib import Path

import numpy as np
import pyvisa
import serial

from benchlog.bench.file import InstrumentConfig
from benchlog.bench.profile import Family
from benchlog.model.clock import RealClock
from benchlog.model.errors import InstrumentFault
from benchlog.model.reading import Measured
from benchlog.model.role import Role
from benchlog_drivers import registry
from benchlog_drivers.practice.make import practice_server
from benchlog_drivers.practice.server import PracticeServer
from benchlog_drivers.shelf import files, find_profile

KINDS = ("simulated-bench-meter", "simulated-handheld", "simulated-bcd-meter", "simulated-segment-meter")


def quick_profile(folder: Path, name: str, period_s: float) -> Path:
    """A shipped dialect with another period."""
    text = (files("benchlog_drivers") / "profiles" / f"{name}.toml").read_text(encoding="utf-8")
    lines = [f"period_s = {period_s}" if line.startswith("period_s") else line for line in text.splitlines()]
    lines = [f"aperture_s = {period_s}" if line.startswith("aperture_s") else line for line in lines]
    path = folder / f"{name}-{period_s}.toml"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def serve(told: Connection, folder: str, count: int, period_s: float) -> None:
    """The peers' process: ``count`` instruments, then wait until told to stop.

    Threads change as often as in the simulated bench's own process: at Python's usual 5 ms eight instruments
    would hold each other up for 40 ms.
    """
    sys.setswitchinterval(0.00005)
    servers: list[PracticeServer] = []
    for i in range(count):
        name = KINDS[i % len(KINDS)]
        profile = find_profile(str(quick_profile(Path(folder), name, period_s)))
        server = practice_server(profile, pseudo_terminal=profile.family is not Family.SCPI)
        server.start()
        servers.append(server)
    told.send([server.connection for server in servers])
    told.recv()
    for server in servers:
        server.stop()


@dataclass(frozen=True)
class Figure:
    """One figure, and the most that it may be; None where it only stands for comparison."""

    name: str
    value: float
    unit: str
    most: float | None = None


def percentiles(seconds: list[float]) -> str:
    """p50 and p99 in milliseconds."""
    return f"p50 {1e3 * np.percentile(seconds, 50):.3f} ms, p99 {1e3 * np.percentile(seconds, 99):.3f} ms"


def timed(act: Callable[[], object], count: int) -> tuple[list[float], float]:
    """(seconds of each call, CPU seconds a call)."""
    for _ in range(100):
        act()
    took, cpu = [], time.process_time()
    for _ in range(count):
        begun = time.perf_counter()
        act()
        took.append(time.perf_counter() - begun)
    return took, (time.process_time() - cpu) / count


def added(
    what: str, ours: tuple[list[float], float], bare: tuple[list[float], float], readings: int
) -> list[Figure]:
    """What an adaptor adds to the bare library, at the 99th percentile and in CPU a reading."""
    (ours_s, ours_cpu), (bare_s, bare_cpu) = ours, bare
    print(f"{what}, bare:    {percentiles(bare_s)}, CPU {1e6 * bare_cpu:.0f} µs")
    print(f"{what}, adaptor: {percentiles(ours_s)}, CPU {1e6 * ours_cpu:.0f} µs ({readings} readings)")
    return [
        Figure(f"{what}, bare, p99", 1e3 * float(np.percentile(bare_s, 99)), "ms"),
        Figure(f"{what}, added at p50", 1e3 * float(np.median(ours_s) - np.median(bare_s)), "ms"),
        Figure(
            f"{what}, added at p99",
            1e3 * float(np.percentile(ours_s, 99) - np.percentile(bare_s, 99)),
            "ms",
            0.2,
        ),
        Figure(f"{what}, CPU added", 1e6 * (ours_cpu - bare_cpu) / readings, "µs a reading", 150.0),
    ]


def beside_pyvisa(folder: Path, connection: str, count: int) -> list[Figure]:
    """One set by the adaptor against one bare query."""
    bare = pyvisa.ResourceManager("@py").open_resource(
        connection, read_termination="\n", write_termination="\n"
    )
    alone = timed(lambda: bare.query("FETC?"), count)
    bare.close()
    meter = registry.make(
        InstrumentConfig(
            name="m", adaptor="scpi", roles=(Role.SOURCE_CURRENT, Role.INLET_VOLTAGE), connection=connection,
            profile=str(quick_profile(folder, "simulated-bench-meter", 0.02)),
        ),
        RealClock(),
    )  # fmt: skip
    meter.open()
    ours = timed(meter.sampler._fetch, count)
    meter.close()
    return added("pyvisa-py query", ours, alone, 2)


def beside_pyserial(count: int) -> list[Figure]:
    """From the bytes on the terminal to the reading, against bare read_until."""
    import tty

    def terminal() -> tuple[int, str]:
        master, slave = os.openpty()
        tty.setraw(master)
        tty.setraw(slave)
        return master, os.ttyname(slave)

    line = b"AC +0.1234 A R6 A--\r\n"
    master, path = terminal()
    port = serial.Serial(path, timeout=1)

    def bare() -> None:
        os.write(master, line)
        assert port.read_until(b"\r\n") == line

    alone = timed(bare, count)
    port.close()
    master, path = terminal()
    meter = registry.make(
        InstrumentConfig(
            name="m", adaptor="serial-text", roles=(Role.SOURCE_CURRENT,), connection=path,
            profile="simulated-handheld",
        ),
        RealClock(),
    )  # fmt: skip
    meter.open()

    def ours() -> None:
        os.write(master, line)
        while not meter.read():
            pass

    through = timed(ours, count)
    meter.close()
    return added("pyserial line", through, alone, 1)


def peer_of_the_tests() -> object:
    """The SCPI peer of the adaptors' tests."""
    path = Path(__file__).parents[1] / "drivers" / "conftest.py"
    spec = importlib.util.spec_from_file_location("drivers_conftest", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["drivers_conftest"] = module
    spec.loader.exec_module(module)
    return module.ScpiPeer()


def off_behind_a_measurement(folder: Path, count: int) -> list[Figure]:
    """From the order to the peer's receipt of *off*, while a two-second measurement runs."""
    peer = peer_of_the_tests()
    peer.measure_s = 2.0
    text = (files("benchlog_drivers") / "profiles" / "simulated-ac-source.toml").read_text(encoding="utf-8")
    path = folder / "slow.toml"
    path.write_text(text.replace("aperture_s = 0.1", "aperture_s = 2.0"), encoding="utf-8")
    source = registry.make(
        InstrumentConfig(
            name="source", adaptor="scpi", roles=(Role.SOURCE, Role.SOURCE_CURRENT), profile=str(path),
            connection=peer.resource,
        ),
        RealClock(),
    )  # fmt: skip
    source.open()
    wanted, done = threading.Event(), threading.Event()
    stop = threading.Event()

    def work() -> None:
        while not stop.is_set():
            if wanted.is_set():
                wanted.clear()
                source.off()
                done.set()
            source.read()

    worker = threading.Thread(target=work)
    worker.start()
    generator, took = np.random.default_rng(1), []
    for _ in range(count):
        time.sleep(0.01 + 0.02 * generator.random())
        done.clear()
        ordered = time.monotonic()
        wanted.set()
        done.wait(5.0)
        took.append(max(t for t, line in peer.asked[-8:] if line.startswith("OUTP OFF")) - ordered)
    stop.set()
    worker.join()
    source.close()
    peer.close()
    print(f"off behind a 2 s measurement: {percentiles(took)}, max {1e3 * max(took):.1f} ms ({count})")
    return [
        Figure("off behind a 2 s measurement, p99", 1e3 * float(np.percentile(took, 99)), "ms", 25.0),
        Figure("off behind a 2 s measurement, max", 1e3 * max(took), "ms"),
    ]


def eight(folder: Path, connections: list[str], seconds: float, period_s: float) -> list[Figure]:
    """Eight instruments, one thread each."""
    stop = threading.Event()
    ends: list[list[float]] = [[] for _ in connections]
    faults: list[str] = []
    meters = []
    for i, connection in enumerate(connections):
        name = KINDS[i % len(KINDS)]
        adaptor = find_profile(name).family.value
        role = Role.OUTPUT_DC if name == "simulated-bcd-meter" else Role.SOURCE_CURRENT
        meter = registry.make(
            InstrumentConfig(
                name=f"m{i}", adaptor=adaptor, roles=(role,), connection=connection,
                profile=str(quick_profile(folder, name, period_s)),
            ),
            RealClock(),
        )  # fmt: skip
        meter.open()
        meters.append(meter)

    def work(i: int) -> None:
        while not stop.is_set():
            try:
                found = meters[i].read()
            except InstrumentFault as fault:
                faults.append(str(fault))
                continue
            now = time.monotonic()
            ends[i] += [now for reading in found if isinstance(reading, Measured)]

    threads = [threading.Thread(target=work, args=(i,)) for i in range(len(meters))]
    cpu, begun = time.process_time(), time.monotonic()
    for thread in threads:
        thread.start()
    time.sleep(seconds)
    stop.set()
    for thread in threads:
        thread.join()
    took, cpu = time.monotonic() - begun, time.process_time() - cpu
    missed = late = 0
    for i, meter in enumerate(meters):
        gaps = np.diff(ends[i])
        late += int(np.sum(gaps > 2.0 * period_s))
        counts = getattr(meter, "counts", {})
        missed += meter.sampler.missed if hasattr(meter, "sampler") else counts["stale"] + counts["gaps"]
        print(
            f"  {KINDS[i % len(KINDS)]:26} {len(ends[i]) / took:6.2f}/s, "
            f"longest gap {1e3 * gaps.max():.0f} ms"
        )
        meter.close()
    total = sum(map(len, ends))
    print(
        f"{len(meters)} instruments, {took:.0f} s: {total} readings, dropped {missed}, "
        f"later than a period {late},"
    )
    print(f"  faults {len(faults)}, CPU {100 * cpu / took:.1f} %, {1e6 * cpu / total:.0f} µs a reading")
    name = f"{len(meters)} instruments at {1 / period_s:g}/s for {took:.0f} s"
    return [
        Figure(f"{name}, readings", total, ""),
        Figure(f"{name}, dropped", missed, "", 0),
        Figure(f"{name}, later than a period", late, "", 0),
        Figure(f"{name}, faults", len(faults), "", 0),
        Figure(f"{name}, CPU", 100 * cpu / took, "%"),
        Figure(f"{name}, CPU a reading", 1e6 * cpu / total, "µs"),
    ]


def report(figures: list[Figure], out: Path) -> None:
    """Write the figures with what is wanted of them."""
    out.mkdir(parents=True, exist_ok=True)
    load = f"{os.getloadavg()[0]:.1f}" if hasattr(os, "getloadavg") else "unknown"
    rows = [
        f"| {f.name} | {f.value:.3f} {f.unit} | {'' if f.most is None else f'{f.most:g} {f.unit}'} "
        f"| {'' if f.most is None else 'yes' if f.value <= f.most else 'NO'} |"
        for f in figures
    ]
    head = ["| what | figure | at most | kept |", "|---|---|---|---|"]
    text = "\n".join([*head, *rows, "", f"{os.cpu_count()} cores, load {load} when it ended."]) + "\n"
    (out / "adaptor_cost.md").write_text(text, encoding="utf-8")
    facts = {"load": load, "figures": [asdict(figure) for figure in figures]}
    (out / "adaptor_cost.json").write_text(json.dumps(facts, indent=1), encoding="utf-8")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--count", type=int, default=5000)
    parser.add_argument("--out", type=Path)
    options = parser.parse_args()
    sys.setswitchinterval(0.0005)
    with tempfile.TemporaryDirectory() as name:
        here, there = multiprocessing.get_context("spawn").Pipe()
        process = multiprocessing.get_context("spawn").Process(target=serve, args=(there, name, 8, 0.02))
        process.start()
        connections = here.recv()
        figures = [
            *beside_pyvisa(Path(name), connections[0], options.count),
            *beside_pyserial(options.count),
            *off_behind_a_measurement(Path(name), options.count // 10),
            *eight(Path(name), connections, options.seconds, 0.02),
        ]
        here.send("stop")
        process.join()
    if options.out is not None:
        report(figures, options.out)
    return 0


if __name__ == "__main__":
    sys.exit(main())
