"""Everything else that can break under a bring-up, each once on the real line at time scale 1.

    python tests/faults/breakages.py --out DIR [--only NAME]

The simulated bench runs in a process of its own, ``benchlog bringup`` in another, under `handicapped.py`
where the machine itself is to misbehave. What happened to the source, what the technician was told, and what
the session lacks afterwards go into ``breakages.json`` and ``breakages.md``. ``wrong`` names what was not as
it has to be; nothing there means that the row kept its promise.
"""

import contextlib
import multiprocessing
import os
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))

from kills import ask
from rows import Row, conduct

from benchlog.model.errors import SessionFault
from benchlog.model.history import DiskTrouble, RunEnded
from benchlog.session.reader import SessionReader
from benchlog.session.verification import verify
from benchlog.session.writer import finish
from benchlog_drivers.simulated.options import make_options
from benchlog_drivers.simulated.process import Spawned, spawn

HERE = Path(__file__).parent
MARGIN_S = 0.5
"""For the machine: three processes and the look at them share two cores."""


@dataclass(slots=True)
class Stand:
    """A simulated bench, and a bring-up on it."""

    folder: Path
    handicap: str = "none"
    after_s: float = 0.0
    window: bool = False
    options: dict[str, Any] = field(default_factory=dict)
    simulated: Spawned = field(init=False)
    recorder: "subprocess.Popen[bytes]" = field(init=False)
    session: Path = field(init=False)

    def start(self) -> None:
        """Start both and wait until the first step's voltage stands."""
        self.simulated = spawn(make_options(**self.options))
        self.session = self.folder / "place" / "job.benchlog"
        self.session.parent.mkdir()
        self.recorder = self.bring_up(self.session, "stderr.txt")
        if self.wait(lambda s: s["inlet_v"] > 3.0, 60.0) is None:
            raise RuntimeError(f"no voltage came: {self.said()}")
        time.sleep(3.0)

    def bring_up(self, session: Path, errors: str) -> "subprocess.Popen[bytes]":
        """A bring-up of its own on this bench."""
        words = [sys.executable, str(HERE / "handicapped.py"), self.handicap, str(self.after_s), "bringup"]
        words += ["--bench", str(self.simulated.bench_path), "--out", str(session)]
        words += ["--when-not-judged", "go-on", *(["--window"] if self.window else [])]
        env = {k: v for k, v in os.environ.items() if k not in ("DISPLAY", "WAYLAND_DISPLAY")}
        with (self.folder / errors).open("wb") as out:
            return subprocess.Popen(
                words,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=out,
                env=env | {"QT_QPA_PLATFORM": "offscreen"},
            )

    def order(self, instrument: str, kind: str, **more: Any) -> None:
        """A trouble of an instrument from now on."""
        ask(self.simulated.ready.control, {"type": "trouble", "instrument": instrument, "kind": kind, **more})

    def status(self) -> Row:
        """What the simulated bench sees."""
        return ask(self.simulated.ready.control, {"type": "status"})

    def wait(self, what: Callable[[Row], object], within_s: float) -> Row | None:
        """The first status for which ``what`` holds."""
        until = time.monotonic() + within_s
        while time.monotonic() < until:
            status = self.status()
            if what(status):
                return status
            time.sleep(0.02)
        return None

    def off_after_s(self, since_ns: int, within_s: float) -> float | None:
        """Seconds until the source's *off* came; None where none did."""
        status = self.wait(lambda s: (s["off_received_ns"] or 0) > since_ns, within_s)
        return None if status is None else round((status["off_received_ns"] - since_ns) / 1e9, 2)

    def said(self, errors: str = "stderr.txt") -> str:
        """What the command said so far."""
        return (self.folder / errors).read_text(errors="replace")

    def line(self, words: str, within_s: float = 3.0, errors: str = "stderr.txt") -> str:
        """The last line that matches; waits for it."""
        until = time.monotonic() + within_s
        while True:
            found = [x for x in self.said(errors).splitlines() if re.search(words, x, re.IGNORECASE)]
            if found or time.monotonic() > until:
                return re.sub(r"^\s*[\d.]+ s\s+", "", found[-1]) if found else ""
            time.sleep(0.05)

    def end(self) -> None:
        """Let the recorder end in order, or make it."""
        if self.recorder.poll() is None:
            self.recorder.send_signal(signal.SIGCONT)
            self.recorder.terminate()
        with contextlib.suppress(subprocess.TimeoutExpired):
            self.recorder.wait(40.0)
        self.recorder.kill()
        self.recorder.wait()

    def close(self) -> None:
        """End everything."""
        self.end()
        self.simulated.close()


def off_by(stand: Stand, limit_s: float, words: str, act: Callable[[], None]) -> Row:
    """Do it; the source has to be switched off within ``limit_s``, and the technician told."""
    since = time.monotonic_ns()
    act()
    off_s = stand.off_after_s(since, limit_s + 5.0)
    told = stand.line(words)
    wrong = [] if off_s is not None and off_s <= limit_s + MARGIN_S else [f"not off within {limit_s} s"]
    wrong += [] if told else ["nobody was told"]
    return {"off_s": off_s, "limit_s": limit_s, "told": told, "wrong": wrong}


def meter(stand: Stand, trouble: str, limit_s: float, then: str = "") -> Row:
    """A trouble of the bench meter, which gives current and voltage."""

    def act() -> None:
        for kind in (trouble, then) if then else (trouble,):
            stand.order("bench-meter", kind)

    return off_by(stand, limit_s, "Cut off", act)


def goes_on(stand: Stand, seconds: float, words: str, act: Callable[[], None]) -> Row:
    """Do it; the run goes on all the while, and the technician is told where there is something to tell."""
    since = time.monotonic_ns()
    act()
    time.sleep(seconds)
    on = stand.status()["source_on"] and stand.recorder.poll() is None
    off_s = None if on else stand.off_after_s(since, 0.1)
    told = stand.line(words) if words else ""
    wrong = [] if on else ["the run did not go on"]
    return {
        "off_s": off_s,
        "limit_s": None,
        "told": told,
        "wrong": wrong + ([] if told or not words else ["not told"]),
    }


def alarm(stand: Stand, limit_s: float, words: str, act: Callable[[], None]) -> Row:
    """Do it; the technician has to be told in time (the source can't be switched off, or need not be)."""
    since = time.monotonic()
    act()
    told = stand.line(words, limit_s + MARGIN_S)
    return {
        "off_s": None,
        "limit_s": limit_s,
        "alarm_s": round(time.monotonic() - since, 2),
        "told": told,
        "wrong": [] if told else [f"no alarm within {limit_s} s"],
    }


def second_session(stand: Stand) -> Row:
    """Another bring-up into the same session: refused, the first goes on."""
    other = stand.bring_up(stand.session, "other.txt")
    code = other.wait(60.0)
    row = goes_on(stand, 0.5, "", lambda: None)
    told = stand.line("being written|being recorded", errors="other.txt")
    wrong = row["wrong"] + ([] if code == 1 and told else [f"exit {code}"])
    return {**row, "told": told, "wrong": wrong}


def second_recorder(stand: Stand) -> Row:
    """Another recorder on the same instruments: it must not take them over; the first goes on or cuts off."""
    other = stand.bring_up(stand.folder / "place" / "other.benchlog", "other.txt")
    with contextlib.suppress(subprocess.TimeoutExpired):
        other.wait(20.0)
    ended = other.poll() is not None
    other.terminate()
    other.wait(40.0)
    status = stand.status()
    told = stand.line("in use by the recording", errors="other.txt")
    safe = status["source_on"] is False or stand.recorder.poll() is None
    wrong = ([] if safe else ["source on, and nobody records"]) + (
        [] if ended and told else ["was not refused"]
    )
    return {"off_s": None, "limit_s": None, "told": told, "wrong": wrong}


def hogs(stand: Stand) -> Row:
    """Four processes that compute without end beside it; then a short: how late is off?"""
    pool = [multiprocessing.Process(target=_hog, daemon=True) for _ in range(4)]
    for hog in pool:
        hog.start()
    try:
        return goes_on(stand, 5.0, "", lambda: None)
    finally:
        for hog in pool:
            hog.kill()


def _hog() -> None:
    while True:
        pass


def suspended(stand: Stand) -> Row:
    """The recorder and its standby stand still for 3 s and go on, as after a suspend of the whole machine."""
    children = subprocess.run(
        ["ps", "-o", "pid=", "--ppid", str(stand.recorder.pid)], capture_output=True, text=True, check=False
    ).stdout.split()
    pids = [stand.recorder.pid, *map(int, children)]

    def act() -> None:
        for pid in pids:
            os.kill(pid, signal.SIGSTOP)
        time.sleep(3.0)
        for pid in pids:
            os.kill(pid, signal.SIGCONT)

    return off_by(stand, 3.5, "Cut off", act)


def window_stuck(stand: Stand) -> Row:
    """A window that never returns from a slot (it stands still): it is not watching, and is started again."""
    windows = [pid for pid, args in _children(stand.recorder.pid) if "benchlog_ui" in args]
    os.kill(windows[0], signal.SIGSTOP)
    row = goes_on(stand, 8.0, "", lambda: None)
    now = [pid for pid, args in _children(stand.recorder.pid) if "benchlog_ui" in args]
    os.kill(windows[0], signal.SIGKILL) if windows[0] in now else None
    return {**row, "wrong": row["wrong"] + ([] if now and now != windows else ["no new window"])}


def _children(parent: int) -> list[tuple[int, str]]:
    listed = subprocess.run(
        ["ps", "-o", "pid=,args=", "--ppid", str(parent)], capture_output=True, text=True, check=False
    )
    return [(int(pid), args) for pid, args in (x.split(None, 1) for x in listed.stdout.splitlines())]


def folder_gone(stand: Stand) -> Row:
    """The folder of the session is moved away."""
    return alarm(
        stand,
        2.5,
        "not being stored|folder|gone",
        lambda: shutil.move(stand.session.parent, stand.folder / "elsewhere"),  # type: ignore[arg-type]
    )


def frozen(stand: Stand) -> Row:
    """The display stands still at a current of many counts: told at the end of the next inrush window."""
    _wait_36(stand)
    return alarm(stand, 40.0, "ammeter does not move", lambda: stand.order("ammeter", "frozen"))


def both_frozen(stand: Stand) -> Row:
    """One meter reads current and voltage and stands still: the next step's voltage does not come."""
    _wait_36(stand)
    return off_by(stand, 40.0, "voltmeter stands still", lambda: stand.order("bench-meter", "frozen"))


def _wait_36(stand: Stand) -> None:
    if stand.wait(lambda s: s["set_v"] >= 30.0, 150.0) is None:
        raise RuntimeError(f"no 36 V came: {stand.said()}")
    time.sleep(5.0)


BENCH: dict[str, Any] = {"meters": "bench", "source": "programmed"}
HAND: dict[str, Any] = {"meters": "handheld", "source": "hand-set"}
STALE_S = 1.0
"""A bench meter at ten readings a second: twice max(0.5 s, 3 periods)."""


@dataclass(frozen=True, slots=True)
class Case:
    """One row: its bench, its handicap, and what is done."""

    act: Callable[[Stand], Row]
    options: dict[str, Any] = field(default_factory=lambda: BENCH)
    handicap: str = "none"
    after_s: float = 0.0
    window: bool = False
    stand_in: str = ""


CASES: dict[str, Case] = {
    "meter silent": Case(lambda s: meter(s, "silent", STALE_S)),
    "meter answers too late": Case(lambda s: meter(s, "late", STALE_S)),
    "meter sends garbage": Case(lambda s: meter(s, "garbage", STALE_S)),
    "meter has switched itself off": Case(lambda s: meter(s, "switched-off", STALE_S)),
    "ammeter frozen while the voltage rises": Case(frozen, {"meters": "handheld", "source": "programmed"}),
    "meter of current and voltage frozen": Case(both_frozen),
    "meter replaced by another": Case(lambda s: meter(s, "wrong-instrument", STALE_S, "reset")),
    "hand-set: ammeter silent": Case(
        lambda s: alarm(s, 3.2, "switch off", lambda: s.order("ammeter", "silent")), HAND
    ),
    "source's link closed": Case(lambda s: alarm(s, 0.5, "link", lambda: s.order("source", "closed"))),
    "source answers nothing": Case(lambda s: alarm(s, 0.5, "link", lambda: s.order("source", "silent"))),
    "disk full": Case(
        lambda s: goes_on(s, 6.0, "not being stored|disk|large", lambda: None),
        handicap="disk-full", after_s=8.0, stand_in="RLIMIT_FSIZE",
    ),
    "disk stalled for 10 s": Case(
        lambda s: goes_on(s, 12.0, "not being stored|slow", lambda: None),
        handicap="disk-stalled", after_s=8.0, stand_in="a sleep inside one commit",
    ),
    "session's folder moved away": Case(folder_gone),
    "wall clock + 1 h": Case(
        lambda s: off_by(s, 8.0, "clock jumped", lambda: None),
        handicap="wall+1h", after_s=9.0, stand_in="the program's clock object shifted",
    ),
    "wall clock - 1 h": Case(
        lambda s: alarm(s, 8.0, "clock jumped", lambda: None),
        handicap="wall-1h", after_s=9.0, stand_in="the program's clock object shifted",
    ),
    "machine suspended for 3 s": Case(suspended, stand_in="SIGSTOP and SIGCONT of recorder and standby"),
    "thread of the recorder spins": Case(
        lambda s: goes_on(s, 5.0, "", lambda: None), handicap="spin", after_s=4.0, stand_in="a Python thread"
    ),
    "four processes hog both cores": Case(hogs),
    "window never returns": Case(window_stuck, window=True, stand_in="SIGSTOP of the window"),
    "two programs on one session": Case(second_session),
    "two recorders on one bench": Case(second_recorder),
}  # fmt: skip


def after(stand: Stand) -> Row:
    """What the session is like once all is over."""
    session = stand.session if stand.session.exists() else stand.folder / "elsewhere" / "job.benchlog"
    try:
        finish(session)
        whole = verify(session)
        with SessionReader(session) as reader:
            entries = [entry.payload for entry in reader.entries()]
            count = sum(reader.count(channel) for channel in reader.channels())
    except SessionFault as fault:
        return {"opens": False, "session": str(fault)}
    told = [entry.detail for entry in entries if isinstance(entry, DiskTrouble)]
    return {
        "opens": True,
        "verifies": whole.ok,
        "readings": count,
        "ended": any(isinstance(entry, RunEnded) for entry in entries),
        "lost": told[-1] if told else "",
    }


def run_row(name: str) -> Row:
    """One row, on a bench of its own."""
    case = CASES[name]
    with tempfile.TemporaryDirectory() as folder:
        stand = Stand(Path(folder), case.handicap, case.after_s, case.window, dict(case.options))
        stand.start()
        try:
            found = case.act(stand)
            stand.end()
            found |= after(stand)
        finally:
            stand.close()
    wrong = found["wrong"] + ([] if found["opens"] else ["the session does not open"])
    wrong += [] if found.get("verifies", True) else ["the chain is broken"]
    return {"row": name, "stand_in": case.stand_in, **found, "wrong": wrong}


def as_table(rows: list[Row]) -> str:
    """The report for a reader."""
    lines = [
        "| what | stand-in | off after s | limit s | the technician sees | session | lost | wrong |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for row in rows:
        session = "opens, chain whole" if row.get("verifies") else row.get("session", "chain broken")
        took_s = row.get("alarm_s") or row["off_s"]
        cells = [row["row"], row["stand_in"], took_s, row["limit_s"], row["told"], session, row.get("lost")]
        cells.append("; ".join(row["wrong"]))
        lines.append("| " + " | ".join(str(cell or "-").replace("|", "/") for cell in cells) + " |")
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    sys.exit(conduct(__doc__, CASES, run_row, as_table, "breakages", lambda row: row["wrong"]))
