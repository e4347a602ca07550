"""How fast and how large a session file is: prints one JSON object.

    python tests/bench/bench_session.py [--readings 1000000] [--folder DIR] [--exports]

Eight channels at ten readings a second, committed as in a bring-up. Nothing is asserted: figures of one
machine. Bare figures are of the same rows put into a plain table with `sqlite3`.
"""

import argparse
import json
import os
import random
import resource
import sqlite3
import sys
import tempfile
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from time import perf_counter, process_time
from typing import TypeVar

from benchlog.exchange.readingscsv import export_readings
from benchlog.exchange.sessionjson import export_json
from benchlog.model.job import Job
from benchlog.model.quantity import Quantity
from benchlog.model.reading import Channel, Measured, Reading, Setting
from benchlog.model.role import Role
from benchlog.session.reader import SessionReader
from benchlog.session.verification import verify
from benchlog.session.writer import SessionWriter

WALL = datetime(2026, 1, 5, 9, 0, tzinfo=UTC)
CHANNELS = tuple(
    Channel(role, Quantity.AC_CURRENT, "meter")
    for role in (
        Role.SOURCE_CURRENT, Role.INLET_VOLTAGE, Role.SOURCE_POWER, Role.OUTPUT_DC,
        Role.RAIL_PLUS, Role.RAIL_MINUS, Role.HEATSINK, Role.BIAS,
    )
)  # fmt: skip
SETTING = Setting(range=10.0, resolution=0.001)
PERIOD_US = 100_000

ROW = tuple[int, int, int, int, float, int, int]


def rows(count: int) -> Iterator[ROW]:
    """channel, t_us, took_us, late_us, value, status, setting, as instruments give them."""
    rng = random.Random(1)
    at = 0
    for k in range(count // len(CHANNELS)):
        at = (k + 1) * PERIOD_US
        for channel in range(1, len(CHANNELS) + 1):
            end = at + rng.randrange(2000)
            yield (
                channel,
                end,
                40_000 + rng.randrange(5000),
                1000 + rng.randrange(3000),
                rng.random(),
                0,
                channel,
            )


def readings(count: int) -> Iterator[tuple[Reading, int]]:
    """The same as readings."""
    for channel, end, took, late, value, _, _ in rows(count):
        yield Measured(CHANNELS[channel - 1], value, end - took, end, SETTING), end + late


T = TypeVar("T")


def in_parts(items: Iterator[T], size: int) -> Iterator[list[T]]:
    """Lists of ``size`` items."""
    part: list[T] = []
    for item in items:
        part.append(item)
        if len(part) == size:
            yield part
            part = []
    if part:
        yield part


def timed(work: Callable[[], object], times: int = 1) -> dict[str, float]:
    """Least time of ``work`` in ms: by the wall clock, and of this process alone (on a busy machine)."""
    walls, cpus = [], []
    for _ in range(times):
        start, cpu = perf_counter(), process_time()
        work()
        walls.append(perf_counter() - start)
        cpus.append(process_time() - cpu)
    return {"ms": min(walls) * 1e3, "cpu_ms": min(cpus) * 1e3}


def record(path: Path, count: int, per_commit: int) -> dict[str, float]:
    """Record ``count`` readings and close; seconds spent in adding and in committing."""
    writer = SessionWriter.create(path, Job(simulated=True, invented=True), WALL)
    adding = committing = cpu = 0.0
    commits = []
    for part in in_parts(readings(count), per_commit):
        start, began = perf_counter(), process_time()
        writer.add_readings(part)
        between = perf_counter()
        writer.commit()
        end = perf_counter()
        cpu += process_time() - began
        adding, committing = adding + between - start, committing + end - between
        commits.append(end - between)
    closing = timed(writer.close)["ms"]
    commits.sort()
    return {
        "readings_per_s": count / (adding + committing),
        "cpu_us_a_reading": cpu / count * 1e6,
        "add_us_a_reading": adding / count * 1e6,
        "commit_p50_ms": commits[len(commits) // 2] * 1e3,
        "commit_p99_ms": commits[int(len(commits) * 0.99)] * 1e3,
        "close_ms": closing,
    }


def bare(path: Path, count: int, per_commit: int, columns: tuple[int, ...]) -> dict[str, float]:
    """The same rows into a plain table of some of the columns."""
    db = sqlite3.connect(path, isolation_level=None)
    db.execute("pragma journal_mode = wal")
    db.execute("pragma synchronous = full")
    names = ("channel", "t_us", "took_us", "late_us", "value", "status", "setting")
    wanted = [names[k] for k in columns]
    db.execute(f"create table reading ({', '.join(wanted)}, primary key (channel, t_us)) without rowid")
    sql = f"insert into reading values ({', '.join('?' * len(columns))})"
    taken = cpu = 0.0
    for part in in_parts((tuple(row[k] for k in columns) for row in rows(count)), per_commit):
        start, began = perf_counter(), process_time()
        db.execute("begin immediate")
        db.executemany(sql, part)
        db.execute("commit")
        taken += perf_counter() - start
        cpu += process_time() - began
    db.execute("pragma wal_checkpoint(truncate)")
    size = path.stat().st_size
    db.execute("vacuum")
    db.execute("pragma wal_checkpoint(truncate)")
    db.close()
    return {
        "readings_per_s": count / taken,
        "cpu_us_a_reading": cpu / count * 1e6,
        "bytes_a_reading": size / count,
        "bytes_a_reading_compact": path.stat().st_size / count,
    }


def sizes(path: Path, count: int, folder: Path) -> dict[str, float]:
    """Bytes a reading, and the share of each table."""
    db = sqlite3.connect(path)
    found = {"whole_file": path.stat().st_size / count}
    try:
        for name, size in db.execute("select name, sum(pgsize) from dbstat group by name"):
            if name in ("reading", "summary", "chain"):
                found[name] = size / count
    except sqlite3.OperationalError:
        found["tables_unknown"] = 1.0
    db.close()
    copy = folder / "compact.benchlog"
    with SessionReader(path) as reader:
        found["copy_ms"] = timed(lambda: reader.copy_to(copy))["ms"]
    found["compact_copy"] = copy.stat().st_size / count
    copy.unlink()
    return found


def reading_back(path: Path, count: int) -> dict[str, object]:
    """Opening, first graph, windows, whole channels, verifying."""
    found: dict[str, object] = {"open": timed(lambda: SessionReader(path).close(), 5)}
    with SessionReader(path) as reader:
        first, last = reader.span_us
        middle = (first + last) // 2
        for span in (100, 1000, 10_000, 60_000, count // len(CHANNELS)):
            t0, t1 = middle - span * PERIOD_US // 2, middle + span * PERIOD_US // 2
            trace = reader.window(CHANNELS[3], t0, t1, 2000)
            window = partial(reader.window, CHANNELS[3], t0, t1, 2000)
            found[f"window_of_{trace.count}_readings"] = timed(window, 5)
        found["first_graph_8_channels"] = timed(lambda: reader.overview(2000), 3)
        channel = timed(lambda: reader.readings(CHANNELS[0]), 2)
        found["whole_channel_cpu_us_a_reading"] = channel["cpu_ms"] / (count / len(CHANNELS)) * 1e3
    result = verify(path)
    found["verify"] = timed(lambda: verify(path))
    found |= {"verified": result.ok, "links": result.links}
    return found


def exports(path: Path, folder: Path, count: int) -> dict[str, float]:
    """Time and size of exports."""
    with SessionReader(path) as reader:
        csv_ms = timed(lambda: export_readings(reader, CHANNELS[0], folder / "a.csv"))["cpu_ms"]
        json_ms = timed(lambda: export_json(reader, folder / "a.json"))["cpu_ms"]
    one = count / len(CHANNELS)
    return {
        "csv_cpu_us_a_reading": csv_ms / one * 1e3,
        "csv_bytes_a_reading": (folder / "a.csv").stat().st_size / one,
        "json_cpu_us_a_reading": json_ms / count * 1e3,
        "json_bytes_a_reading": (folder / "a.json").stat().st_size / count,
    }


def measure(count: int, folder: Path, with_exports: bool) -> dict[str, object]:
    """Everything, in a folder of its own."""
    short = min(count, 100_000)
    path = folder / "a.benchlog"
    found: dict[str, object] = {
        "readings": count,
        "sqlite": sqlite3.sqlite_version,
        "python": sys.version.split()[0],
        "cpus": os.cpu_count(),
        "recording_20_a_commit": record(folder / "b.benchlog", short // 5, 20),
        "recording_250_a_commit": record(folder / "c.benchlog", short, 250),
        "recording_5000_a_commit": record(path, count, 5000),
        "bare_20_a_commit": bare(folder / "d.db", short // 5, 20, tuple(range(7))),
        "bare_250_a_commit": bare(folder / "e.db", short, 250, tuple(range(7))),
        "bare_5000_a_commit": bare(folder / "f.db", min(count, 1_000_000), 5000, tuple(range(7))),
        "bare_five_columns": bare(folder / "g.db", min(count, 1_000_000), 5000, (0, 1, 4, 5, 6)),
    }
    twenty = folder / "b.benchlog"
    found["bytes_a_reading_20_a_commit"] = sizes(twenty, short // 5, folder)
    found["bytes_a_reading"] = sizes(path, count, folder)
    found["reading_back"] = reading_back(path, count)
    if with_exports:
        found["exports"] = exports(path, folder, count)
    found["peak_memory_mb"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return found


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--readings", type=lambda text: int(float(text)), default=1_000_000)
    parser.add_argument("--folder", type=Path, help="on the disk that is meant (default: a temporary one)")
    parser.add_argument("--exports", action="store_true", help="CSV and JSON too")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=args.folder) as folder:
        print(json.dumps(measure(args.readings, Path(folder), args.exports), indent=1))


if __name__ == "__main__":
    main()
