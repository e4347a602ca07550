"""From the command to the first frame and to the plots, beside an empty PySide6 + pyqtgraph window.

``python tests/ui/bench_start.py [TIMES]``; prints medians of wall clock and of process time (which a busy
machine slows less), and the ratios.
"""

import os
import statistics
import subprocess
import sys
import time

ENVIRONMENT = {"QT_QPA_PLATFORM": "offscreen", **os.environ}

OURS = """
import sys, time
from benchlog_ui import start
furnished = start.Start._look
def look(self):
    furnished(self)
    if self.desk is not None:
        sys.stderr.write(f"plot {time.monotonic()} {time.process_time()}\\n"); sys.stderr.flush()
        self.window.may_close = True
        self.application.exit(0)
start.Start._look = look
shown = start.Start._first_frame
def first(self):
    sys.stderr.write(f"paint {time.monotonic()} {time.process_time()}\\n"); sys.stderr.flush()
    shown(self)
start.Start._first_frame = first
sys.exit(start.run())
"""

EMPTY = """
import sys, time
from PySide6.QtWidgets import QApplication
import pyqtgraph as pg
app = QApplication([])
class Empty(pg.PlotWidget):
    def paintEvent(self, event):
        super().paintEvent(event)
        sys.stderr.write(f"paint {time.monotonic()} {time.process_time()}\\n"); sys.stderr.flush()
        app.exit(0)
w = Empty(); w.showMaximized(); app.exec()
"""


def run(code):
    began = time.monotonic()
    child = subprocess.Popen(
        [sys.executable, "-c", code],
        stdin=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        env=ENVIRONMENT,
        text=True,
    )
    found = {}
    for line in child.stderr:
        words = line.split()
        if len(words) == 3 and words[0] in ("paint", "plot"):
            found.setdefault(words[0], ((float(words[1]) - began) * 1000, float(words[2]) * 1000))
    child.stdin.close()
    child.wait()
    return found


def main():
    times = int(sys.argv[1]) if len(sys.argv) > 1 else 7
    ours = [run(OURS) for _ in range(times)]
    empty = [run(EMPTY) for _ in range(times)]
    for which, name in enumerate(("wall clock", "process time")):
        paint, plot = (statistics.median(f[what][which] for f in ours) for what in ("paint", "plot"))
        bare = statistics.median(f["paint"][which] for f in empty)
        print(
            f"{name}: first frame {paint:.0f} ms, plots {plot:.0f} ms, empty window {bare:.0f} ms; "
            f"ratios {paint / bare:.2f} and {plot / bare:.2f}"
        )


if __name__ == "__main__":
    main()
