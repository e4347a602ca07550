"""From the command to the first frame and to the plots, beside an empty PySide6 + pyqtgraph window.

``python tests/ui/bench_start.py [TIMES]``; prints medians of wall clock and of process time (which a busy
machine slows less), and the ratios: of the window process by itself, of ``benchlog open`` (the recorder's
start included), and of a window that was killed, from the kill to the next first frame.
"""

import os
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ENVIRONMENT = {"QT_QPA_PLATFORM": "offscreen", **os.environ}

OURS = """
import os, sys, time
def tell(what):
    with open(os.environ["BENCH_START"], "a") as log:
        log.write(f"{what} {time.monotonic()} {time.process_time()}\\n")
from benchlog_ui import start
furnished = start.Start._look
def look(self):
    furnished(self)
    if self.desk is not None:
        tell("plot")
        if "--once" in sys.argv:
            self.window.may_close = True
            self.application.exit(0)
start.Start._look = look
shown = start.Start._first_frame
def first(self):
    tell("paint")
    shown(self)
start.Start._first_frame = first
sys.exit(start.run())
"""

EMPTY = """
import os, sys, time
from PySide6.QtWidgets import QApplication
import pyqtgraph as pg
app = QApplication([])
class Empty(pg.PlotWidget):
    def paintEvent(self, event):
        super().paintEvent(event)
        with open(os.environ["BENCH_START"], "a") as log:
            log.write(f"paint {time.monotonic()} {time.process_time()}\\n")
        app.exit(0)
w = Empty(); w.showMaximized(); app.exec()
"""

COMMAND = """
import sys
from benchlog.recorder import window
window.window_command = lambda: (sys.executable, "-c", sys.argv[1])
from benchlog.cli.main import main
sys.exit(main(["open", "--no-bench", sys.argv[2]]))
"""


def wait_for(log, lines, seconds=60.0):
    """Words of a log's lines (what, wall clock, process time) once there are so many."""
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        found = [line.split() for line in log.read_text().splitlines()] if log.exists() else []
        if len(found) >= lines:
            return [(what, float(wall), float(own)) for what, wall, own in found]
        time.sleep(0.002)
    raise SystemExit("the window did not come up")


def run(code, log, lines):
    """One start of a process: what → (wall milliseconds, process milliseconds)."""
    began = time.monotonic()
    child = subprocess.Popen(
        [sys.executable, "-c", code, "--once"],
        stdin=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        env={**ENVIRONMENT, "BENCH_START": str(log)},
    )
    found = wait_for(log, lines)
    child.stdin.close()
    child.wait()
    return {what: ((wall - began) * 1000, own * 1000) for what, wall, own in reversed(found)}


def command(folder, log):
    """``benchlog open`` to first frame and plots, and a kill of its window to the next first frame, in ms."""
    began = time.monotonic()
    child = subprocess.Popen(
        [sys.executable, "-c", COMMAND, OURS, str(folder / "job.benchlog")],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        env={**ENVIRONMENT, "BENCH_START": str(log), "XDG_STATE_HOME": str(folder)},
    )
    found = wait_for(log, 2)
    time.sleep(0.5)
    window = subprocess.run(["pgrep", "-P", str(child.pid)], capture_output=True, text=True, check=True)
    killed = time.monotonic()
    os.kill(int(window.stdout.split()[0]), signal.SIGKILL)
    again = wait_for(log, 3)[2][1]
    child.send_signal(signal.SIGTERM)
    child.wait()
    return (found[0][1] - began) * 1000, (found[1][1] - began) * 1000, (again - killed) * 1000


def main():
    times = int(sys.argv[1]) if len(sys.argv) > 1 else 7
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        ours = [run(OURS, folder / f"ours{n}", 2) for n in range(times)]
        empty = [run(EMPTY, folder / f"empty{n}", 1) for n in range(times)]
        for n in range(times):
            (folder / f"c{n}").mkdir()
        whole = [command(folder / f"c{n}", folder / f"command{n}") for n in range(times)]
    bare_wall = statistics.median(f["paint"][0] for f in empty)
    for which, name in enumerate(("wall clock", "process time")):
        paint, plot = (statistics.median(f[what][which] for f in ours) for what in ("paint", "plot"))
        bare = statistics.median(f["paint"][which] for f in empty)
        print(
            f"{name}: first frame {paint:.0f} ms, plots {plot:.0f} ms, empty window {bare:.0f} ms; "
            f"ratios {paint / bare:.2f} and {plot / bare:.2f}"
        )
    paint, plot, again = (statistics.median(column) for column in zip(*whole, strict=True))
    print(
        f"benchlog open, wall clock: first frame {paint:.0f} ms, plots {plot:.0f} ms; ratios "
        f"{paint / bare_wall:.2f} and {plot / bare_wall:.2f}; a killed window is back after {again:.0f} ms"
    )


if __name__ == "__main__":
    main()
