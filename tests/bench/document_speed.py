"""What the document costs: time and size at a million readings, for each layout, and what verify takes.

Run: ``python tests/bench/document_speed.py [--readings 1000000] [--rounds 3]``. Each document is made by a
process of its own, as the commands do it; the processor time is the child's.
"""

import argparse
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "benchlog" / "report"))

from report_sessions import BENCH, CURRENT, FRACTIONS, VOLTAGE, Building, ended, setup

from benchlog.model.history import RunBegun
from benchlog.model.reading import Measured, Reading
from benchlog.session.copying import copy_session

AT_ONCE = 25_000


def make_session(path: Path, count: int) -> Path:
    """A bring-up with ``count`` readings in two channels, a spike in the current that has to stay seen."""
    building = Building(path).add(BENCH, RunBegun(setup()))
    each, start_s = count // 2, building.t_s
    for first in range(0, each, AT_ONCE):
        part: list[tuple[Reading, int]] = []
        for k in range(first, min(first + AT_ONCE, each)):
            end = round((start_s + 0.02 * (k + 1)) * 1e6)
            volts = 120.0 * FRACTIONS[min(len(FRACTIONS) * k // each, len(FRACTIONS) - 1)]
            amperes = 0.0025 * volts * (40.0 if k == each - 100 else 1.0) + 0.001 * ((k * 7919) % 13)
            for channel, value in ((CURRENT, amperes), (VOLTAGE, volts)):
                part.append((Measured(channel, value, end - 20_000, end), end + 1500))
        building.writer.add_readings(part)
        building.writer.commit()
    building.t_s += 0.02 * each
    return building.add(ended()).close()


def timed(*words: str) -> tuple[float, float]:
    """Seconds on the clock and of the processor that a command takes."""
    before, begun = resource.getrusage(resource.RUSAGE_CHILDREN), time.monotonic()
    subprocess.run([sys.executable, "-m", "benchlog", *words], check=True, capture_output=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    spent = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return time.monotonic() - begun, spent


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--readings", type=int, default=1_000_000)
    parser.add_argument("--rounds", type=int, default=3)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        session = make_session(folder / "m.benchlog", args.readings)
        copy_session(session, folder / "copy.benchlog")
        print(f"session {session.stat().st_size} bytes, copy {(folder / 'copy.benchlog').stat().st_size}")
        for layout in ("file", "customer"):
            out = folder / f"{layout}.pdf"
            took = [
                timed("document", str(session), "-o", str(out), "--layout", layout)
                for _ in range(args.rounds)
            ]
            wall, processor = (min(t[k] for t in took) for k in (0, 1))
            print(f"document {layout}: {wall:.2f} s, processor {processor:.2f} s, {out.stat().st_size} bytes")
        wall, processor = timed("verify", str(folder / "file.pdf"))
        print(f"verify: {wall:.2f} s, processor {processor:.2f} s")


if __name__ == "__main__":
    main()
