"""How long the index of 1000 sessions takes from nothing, and a search in it.

python tests/benchlog/job/bench_job_index.py [--sessions N]
"""

import argparse
import shutil
import sys
import tempfile
from datetime import UTC, datetime
from pathlib import Path
from time import perf_counter, process_time

from benchlog.job.index import Index
from benchlog.model.history import Noted, Taken
from benchlog.model.job import Job
from benchlog.model.point import PointKind, TestPoint
from benchlog.model.quantity import Quantity
from benchlog.model.unit import Unit
from benchlog.session.writer import SessionWriter

WALL = datetime(2026, 1, 5, 9, 0, tzinfo=UTC)
ENTRIES = 60


def make(folder: Path, sessions: int, different: int = 20) -> None:
    """``different`` sessions of some dozens of entries, copied until there are enough."""
    for k in range(different):
        unit = Unit(model_text=f"model {k}", serial=f"SN-{k:04d}")
        job = Job(f"J-{k}", complaint="dead", unit=unit, invented=True)
        writer = SessionWriter.create(folder / f"own{k}.benchlog", job, WALL)
        for n in range(ENTRIES // 2):
            point = TestPoint(f"point {n}", PointKind.OHMS, "left")
            writer.add_entry(Taken(point, Quantity.RESISTANCE, 10.0 + n, typed=str(10 + n)), None, WALL)
            writer.add_entry(Noted(f"note {n} of {k}, needle{k}"), None, WALL)
        writer.commit()
        writer.close()
    for k in range(different, sessions):
        shutil.copy(folder / f"own{k % different}.benchlog", folder / f"copy{k}.benchlog")


def main() -> int:
    """Make, index, search, print."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--sessions", type=int, default=1000)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        make(folder, args.sessions)
        start, cpu = perf_counter(), process_time()
        with Index(folder) as index:
            found = index.refresh()
            built, busy = perf_counter(), process_time() - cpu
            jobs = index.search("model needle7")
            searched = perf_counter()
            index.refresh()
            again = perf_counter()
        print(
            f"{found.sessions} sessions: index from nothing {built - start:.2f} s "
            f"({busy:.2f} s of this process's own), search "
            f"{(searched - built) * 1e3:.1f} ms ({len(jobs)} found), looked through again "
            f"{again - searched:.2f} s, faults {len(found.faults)}"
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())
