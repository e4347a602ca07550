"""What documents and exports cost: time, cold and warm, and size, at a million readings.

Run: ``python tests/bench/document_speed.py [--readings 1000000] [--rounds 3] [--exports]``. Each is made by a
process of its own, as the commands do it; the processor time is the child's. *Cold* is the first run after
the session and everything installed were put out of the system's file cache (POSIX advice, no root needed);
*warm* is the quickest of the others. A spike of one sample in each channel has to be seen in the drawing of
the page. Run it on a machine that does nothing else.
"""

import argparse
import os
import re
import resource
import subprocess
import sys
import sysconfig
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "benchlog" / "report"))

import msgspec
from report_sessions import BENCH, CURRENT, FRACTIONS, VOLTAGE, Building, ended, setup

from benchlog.model.history import RunBegun
from benchlog.model.reading import Measured, Reading
from benchlog.report.compile import compile_document
from benchlog.report.content import Content, Layout, Paper
from benchlog.report.document import gather
from benchlog.session.copying import copy_session
from benchlog.session.reader import SessionReader

AT_ONCE = 25_000
EXPORTS = (("csv", "csv"), ("json", "a.json"), ("xlsx", "a.xlsx"))


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


def forget(session: Path) -> None:
    """Put the session and all that is installed out of the file cache."""
    installed = Path(sysconfig.get_paths()["purelib"])
    for path in (session, *(p for p in installed.rglob("*") if p.is_file())):
        number = os.open(path, os.O_RDONLY)
        os.posix_fadvise(number, 0, 0, os.POSIX_FADV_DONTNEED)
        os.close(number)


def timed(*words: str) -> tuple[float, float, float]:
    """Seconds on the clock, of the processor, and MB of memory that a command takes."""
    before, begun = resource.getrusage(resource.RUSAGE_CHILDREN), time.monotonic()
    subprocess.run([sys.executable, "-m", "benchlog", *words], check=True, capture_output=True)
    wall, after = time.monotonic() - begun, resource.getrusage(resource.RUSAGE_CHILDREN)
    spent = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return wall, spent, after.ru_maxrss / 1024.0


def content_of(session: Path, layout: Layout) -> Content:
    """What the document says, without a session inside."""
    with SessionReader(session) as reader:
        return gather(reader, "", layout, Paper.A4)


def spike_seen(content: Content) -> str:
    """How high above all else the drawing of the current reaches, from the path of its SVG."""
    svg = next(chart.svg() for chart in content.charts if chart.file == "current.svg")
    path = re.search(r'<path d="([^"]+)" fill="none" stroke="#0b4f6c"', svg)
    assert path is not None
    heights = sorted(float(y) for y in re.findall(r"[ML][\d.]+ (-?[\d.]+)", path.group(1)))
    return f"highest point at y {heights[0]:.1f}, next at {heights[1]:.1f} (0 is the top edge)"


def size_of(path: Path) -> int:
    """Bytes of a file, or of all files in a folder."""
    return path.stat().st_size if path.is_file() else sum(p.stat().st_size for p in path.iterdir())


def documents(session: Path, copy_bytes: int, rounds: int) -> None:
    """Print a row for each layout."""
    print("document    cold s   warm s   processor s   bytes      without session   with ÷ session")
    for layout in (Layout.FILE, Layout.CUSTOMER):
        out = session.with_name(f"{layout.value}.pdf")
        words = ("document", str(session), "-o", str(out), "--layout", layout.value)
        forget(session)
        cold = timed(*words)
        warm = [timed(*words) for _ in range(rounds)]
        content = content_of(session, layout)
        bare, _ = compile_document(msgspec.structs.replace(content, attachment=""), b"")
        size = out.stat().st_size
        print(
            f"{layout.value:10}  {cold[0]:6.2f}   {min(w[0] for w in warm):6.2f}   "
            f"{min(w[1] for w in warm):11.2f}   {size:9d}  {len(bare):15d}   {size / copy_bytes:.4f}"
        )
        print(f"            {spike_seen(content)}")
    wall, processor, _ = timed("verify", str(session.with_name("file.pdf")))
    print(f"verify of the document: {wall:.2f} s, processor {processor:.2f} s")


def exports(session: Path) -> None:
    """Print a row for each format."""
    print("export      s        processor s   MB of memory   bytes")
    for name, out in EXPORTS:
        target = session.with_name(out)
        wall, processor, memory = timed("export", str(session), f"--{name}", str(target))
        print(f"{name:10}  {wall:6.2f}   {processor:11.2f}   {memory:12.0f}   {size_of(target)}")


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--readings", type=int, default=1_000_000)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--exports", action="store_true", help="CSV, JSON and XLSX, too")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        session = make_session(Path(name) / "m.benchlog", args.readings)
        copy_session(session, Path(name) / "copy.benchlog")
        copy_bytes = (Path(name) / "copy.benchlog").stat().st_size
        print(f"{args.readings} readings; session {session.stat().st_size} bytes, compact copy {copy_bytes}")
        documents(session, copy_bytes, args.rounds)
        if args.exports:
            exports(session)


if __name__ == "__main__":
    main()
