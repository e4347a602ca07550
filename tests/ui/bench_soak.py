"""Resident memory of the whole window over a soak of eight hours, at high speed in virtual time.

``python tests/ui/bench_soak.py [HOURS]``; six channels ten times a second, a frame for each five seconds of
the soak, a line of history a minute. Prints memory by the hour and its slope after the first hour in bytes a
reading, beside what the session file takes for one (measured here, in a session of the same readings).
"""

import os
import sys
import tempfile
import time
from pathlib import Path

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

import numpy as np
from PySide6.QtWidgets import QApplication

from benchlog.model.clock import US, RealClock
from benchlog.model.history import Noted
from benchlog.model.job import Job
from benchlog.model.protocol import Live, Point
from benchlog.model.reading import Measured, Setting
from benchlog.session.writer import SessionWriter
from benchlog_ui.colours import LIGHT
from benchlog_ui.invented import entries_of
from benchlog_ui.pictures import staged
from benchlog_ui.scenes import named
from benchlog_ui.stages import Stage
from benchlog_ui.story import CHANNELS

PER_SECOND = 10
FRAME_S = 5
GOAL = 2.0


def resident():
    return int(Path("/proc/self/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE")


def stored_bytes(count=60_000):
    """Bytes of a reading in a session file."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "soak.benchlog"
        clock = RealClock()
        store = SessionWriter.create(path, Job(simulated=True), clock.wall())
        store.commit()
        empty = path.stat().st_size
        setting = Setting(resolution=0.001)
        for begin in range(0, count, 1000):
            rows = []
            for n in range(begin, begin + 1000):
                for channel in CHANNELS.values():
                    end = n * US // PER_SECOND
                    rows.append(
                        (Measured(channel, 0.3 + n % 7 / 1000, end - 90_000, end, setting), end + 200)
                    )
            store.add_readings(rows)
            store.commit()
        store.close()
        return (path.stat().st_size - empty) / (count * len(CHANNELS))


def main():
    hours = float(sys.argv[1]) if len(sys.argv) > 1 else 8.0
    app = QApplication([])
    start, _ = staged(app, named("completed"), Stage.BRING_UP.value, LIGHT, (1366, 768))
    desk = start.desk
    rng = np.random.default_rng(1)
    begin_us = desk.board.now_us(time.monotonic())
    readings, seen = 0, []
    for second in range(int(hours * 3600)):
        points = []
        for tick in range(PER_SECOND):
            t_us = begin_us + second * US + tick * US // PER_SECOND
            noise = rng.normal(size=len(CHANNELS))
            points += [Point(r.value, t_us, 0.3 + v / 1e3) for r, v in zip(CHANNELS, noise, strict=True)]
        readings += len(points)
        desk.board.take(Live(begin_us + (second + 1) * US, tuple(points)), time.monotonic())
        if second % FRAME_S == 0:
            desk.frame_at(time.monotonic())
            app.processEvents()
        if second % 60 == 0:
            desk.shell.take(entries_of([(float(second), Noted("soak", stage="soak"))], first=1000 + second))
        if (second + 1) % 900 == 0:
            seen.append((readings, resident()))
        if (second + 1) % 3600 == 0:
            print(f"{(second + 1) // 3600} h: {resident() / 1e6:.1f} MB, {readings} readings", flush=True)
    late = [s for s in seen if s[0] >= 3600 * PER_SECOND * len(CHANNELS)] or seen
    slope = np.polyfit([s[0] for s in late], [s[1] for s in late], 1)[0] if len(late) > 1 else float("nan")
    stored = stored_bytes()
    print(
        f"slope {slope:.1f} bytes a reading, in the file {stored:.1f}: ratio {slope / stored:.2f} of {GOAL:g}"
    )


if __name__ == "__main__":
    main()
