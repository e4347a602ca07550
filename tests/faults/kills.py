"""Each part killed or silenced once in mid-step on the real line; what happened and when.

    python tests/faults/kills.py --out DIR [--only NAME]

For each row the simulated bench runs in a process of its own at time scale 1, ``benchlog bringup`` in another
(with its standby and, where the row needs one, its window on Qt's offscreen platform). When the first step's
voltage stands, the part is killed or silenced; the simulator tells when it saw *off* or the instruction, in
the machine's monotonic time. Writes ``kills.json`` and ``kills.md``.
"""

import contextlib
import json
import os
import re
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))

from rows import Row, conduct

from benchlog_drivers.simulated.options import make_options
from benchlog_drivers.simulated.process import Spawned, spawn


def ask(control: str, message: dict[str, Any]) -> dict[str, Any]:
    """One exchange on the simulator's control line."""
    host, _, port = control.rpartition(":")
    with socket.create_connection((host, int(port)), 5.0) as line:
        line.sendall(json.dumps(message).encode() + b"\n")
        with line.makefile("rb") as answers:
            found: dict[str, Any] = json.loads(answers.readline())
    return found


class Line:
    """A simulated bench and a bring-up on it, both in processes of their own."""

    def __init__(self, folder: Path, programmed: bool, window: bool, meters: str = "") -> None:
        """Start both; ``meters`` where they are not those that usually go with the source."""
        source, usual = ("programmed", "bench") if programmed else ("hand-set", "handheld")
        self.simulated: Spawned = spawn(make_options(source=source, meters=meters or usual))
        self.control = self.simulated.ready.control
        self.session = folder / "kill.benchlog"
        words = [sys.executable, "-m", "benchlog", "bringup", "--bench", str(self.simulated.bench_path)]
        words += ["--out", str(self.session), "--when-not-judged", "end", "--json"]
        env = {k: v for k, v in os.environ.items() if k not in ("DISPLAY", "WAYLAND_DISPLAY")}
        if window:
            words.append("--window")
            env["QT_QPA_PLATFORM"] = "offscreen"
        self.errors = (folder / "stderr.txt").open("w+", encoding="utf-8")
        self.recorder = subprocess.Popen(
            words, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=self.errors, env=env
        )

    def status(self) -> dict[str, Any]:
        """What the simulator sees."""
        return ask(self.control, {"type": "status"})

    def wait_for(self, what: Callable[[dict[str, Any]], object], within_s: float) -> dict[str, Any] | None:
        """The first status for which ``what`` holds; None where it does not in time."""
        until = time.monotonic() + within_s
        while time.monotonic() < until:
            status = self.status()
            if what(status):
                return status
            time.sleep(0.01)
        return None

    def stand(self) -> None:
        """Wait until the first step's voltage is on and has stood for some seconds."""
        if self.wait_for(lambda s: s["inlet_v"] > 3.0, 60.0) is None:
            raise RuntimeError(f"no voltage came: {self.said()}")
        time.sleep(4.0)

    def said(self) -> str:
        """What the command said so far."""
        self.errors.seek(0)
        return self.errors.read()

    def children(self, name: str) -> list[int]:
        """Processes below the recorder whose command line holds ``name``."""
        listed = subprocess.run(["ps", "-eo", "pid,ppid,args"], capture_output=True, text=True, check=True)
        found = []
        for row in listed.stdout.splitlines()[1:]:
            pid, parent, args = row.split(None, 2)
            if int(parent) == self.recorder.pid and name in args:
                found.append(int(pid))
        return found

    def close(self) -> None:
        """End everything; a window outlives its recorder on purpose, so it is ended too."""
        windows = self.children("benchlog_ui")
        self.recorder.kill()
        for pid in windows:
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
        self.recorder.wait()
        if self.recorder.stdout is not None:
            self.recorder.stdout.close()
        self.errors.close()
        self.simulated.close()


def _ms(later_ns: int | None, earlier_ns: int) -> float | None:
    return None if later_ns is None else round((later_ns - earlier_ns) / 1e6, 1)


def _off_after(line: Line, begun_ns: int, within_s: float) -> float | None:
    status = line.wait_for(lambda s: (s["off_received_ns"] or 0) > begun_ns, within_s)
    return None if status is None else _ms(status["off_received_ns"], begun_ns)


def kill_recorder(line: Line) -> Row:
    """kill -9: the standby takes the source away."""
    begun = time.monotonic_ns()
    line.recorder.kill()
    return {"off_ms": _off_after(line, begun, 5.0), "limit_ms": 1500.0, "message": "(the recorder is gone)"}


def stop_recorder(line: Line) -> Row:
    """SIGSTOP: the recorder hangs; the standby takes the source away after a second's silence."""
    begun = time.monotonic_ns()
    line.recorder.send_signal(signal.SIGSTOP)
    off_ms = _off_after(line, begun, 5.0)
    line.recorder.send_signal(signal.SIGCONT)
    return {"off_ms": off_ms, "limit_ms": 1500.0, "message": "(the recorder stood still)"}


def silence(instrument: str, limit_ms: float) -> Callable[[Line], Row]:
    """A meter that answers nothing any more; stale after max(0.5 s, 3 periods), cut off after twice that."""

    def act(line: Line) -> Row:
        begun = time.monotonic_ns()
        ask(line.control, {"type": "trouble", "instrument": instrument, "kind": "silent"})
        programmed = line.status()["off_received_ns"] is not None or instrument == "bench-meter"
        if programmed:
            ms = _off_after(line, begun, 10.0)
        else:
            status = line.wait_for(
                lambda s: (s["urgent_ns"] or 0) > begun and "switch off" in s["instruction"], 10.0
            )
            ms = None if status is None else _ms(status["urgent_ns"], begun)
        return {"off_ms": ms, "limit_ms": limit_ms, "message": _last_line(line, "reading")}

    return act


def lose_source(line: Line) -> Row:
    """The connection to the source is closed by the other end: alarm within 0.5 s."""
    begun = time.monotonic_ns()
    ask(line.control, {"type": "trouble", "instrument": "source", "kind": "closed"})
    until = time.monotonic() + 5.0
    while time.monotonic() < until and "link" not in line.said():
        time.sleep(0.005)
    return {"off_ms": _ms(time.monotonic_ns(), begun), "limit_ms": 500.0, "message": _last_line(line, "link")}


def kill_window(line: Line) -> Row:
    """The window dies: the recorder goes on and starts it again."""
    first = line.children("benchlog_ui")
    begun = time.monotonic_ns()
    os.kill(first[0], signal.SIGKILL)
    until = time.monotonic() + 5.0
    while time.monotonic() < until and not [p for p in line.children("benchlog_ui") if p != first[0]]:
        time.sleep(0.01)
    back_ms = _ms(time.monotonic_ns(), begun)
    time.sleep(1.0)
    went_on = line.status()["inlet_v"] > 3.0 and line.recorder.poll() is None
    return {
        "off_ms": None,
        "back_ms": back_ms,
        "limit_ms": 1000.0,
        "message": "run went on" if went_on else "RUN ENDED",
    }


def _last_line(line: Line, word: str) -> str:
    time.sleep(0.3)
    lines = [x for x in line.said().splitlines() if re.search(word, x, re.IGNORECASE)]
    return re.sub(r"^\s*[\d.]+ s\s+", "", lines[-1]) if lines else "NO MESSAGE"


ROWS: dict[str, tuple[bool, bool, Callable[[Line], Row]]] = {
    "window killed": (True, True, kill_window),
    "recorder killed (-9)": (True, False, kill_recorder),
    "recorder stopped (SIGSTOP)": (True, False, stop_recorder),
    "all meters silent, programmed": (True, False, silence("bench-meter", 1400.0)),
    "ammeter silent, hand-set": (False, False, silence("ammeter", 3200.0)),
    "voltmeter silent, hand-set": (False, False, silence("voltmeter", 3200.0)),
    "source connection closed": (True, False, lose_source),
}
"""Row → whether the source is programmed, whether a window runs, and what is done."""


def run_row(name: str) -> Row:
    """One row, on a line of its own."""
    programmed, window, act = ROWS[name]
    with tempfile.TemporaryDirectory() as folder:
        line = Line(Path(folder), programmed, window)
        try:
            line.stand()
            found = act(line)
        finally:
            line.close()
    took = found.get("back_ms", found["off_ms"]) if found.get("back_ms") is not None else found["off_ms"]
    found["within"] = took is not None and took <= found["limit_ms"]
    return {"row": name, **found}


def as_table(rows: list[Row]) -> str:
    """The report for a reader."""
    lines = ["| what | after ms | limit ms | within | message |", "|---|---|---|---|---|"]
    for row in rows:
        after = row.get("back_ms") or row["off_ms"]
        lines.append(f"| {row['row']} | {after} | {row['limit_ms']:g} | {row['within']} | {row['message']} |")
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    sys.exit(conduct(__doc__, ROWS, run_row, as_table, "kills", lambda row: not row["within"]))
