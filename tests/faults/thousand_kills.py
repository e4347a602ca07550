"""Kills at random instants on the real line: does every session open, and is what was committed there?

    python tests/faults/thousand_kills.py --out DIR [--kills 1000] [--jobs 2] [--seed 1] [--only KIND]

Kinds: the recorder in a bring-up (programmed source; hand-set source, where only the contactor acts) and in
a soak, the simulated bench under the recorder, the window, and a command that writes an entry. The recorder
runs under `witnessed.py`, which notes what was given to the session and which commit has returned. One JSON
line a kill is appended to ``kills.jsonl`` (a second run goes on where the first ended), and
``thousand_kills.md`` is made of it. Times are of the machine's monotonic clock.
"""

import argparse
import contextlib
import json
import multiprocessing
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))

from kills import ask

from benchlog.model.errors import BenchlogError, SessionFault
from benchlog.model.job import Job
from benchlog.session.reader import SessionReader
from benchlog.session.verification import verify
from benchlog.session.writer import SessionWriter, finish
from benchlog_drivers.simulated.options import make_options
from benchlog_drivers.simulated.process import Spawned, spawn

HERE = Path(__file__).parent
Row = dict[str, Any]
SHARES = {
    "recorder, programmed source": 0.40,
    "recorder, hand-set source": 0.20,
    "recorder, in the soak": 0.04,
    "simulated bench": 0.08,
    "window": 0.04,
    "command": 0.24,
}
"""Share of the kills by kind."""
LOST_LIMIT_S = {"recorder, in the soak": 1.1}
BRINGUP_LOST_S = 0.3
CONTACTOR_LIMIT_S = 0.65
"""The timer in the box, 0.5 s, one beat of 0.1 s, and 0.05 s for the look at it."""
STANDBY_LIMIT_S = 1.5


@dataclass(slots=True)
class Witness:
    """What the session writer was given before the kill."""

    committed: dict[str, list[int]] = field(default_factory=dict)
    """Instants of readings whose commit had returned, by role."""
    open_readings: list[tuple[int, str, int]] = field(default_factory=list)
    """Added, but in no commit that had returned: when (ns), role, instant."""
    committed_entries: list[int] = field(default_factory=list)
    open_entries: list[int] = field(default_factory=list)


def read_witness(path: Path) -> Witness:
    """Sort what was added by whether a commit that began later has returned."""
    found = Witness()
    handed: list[tuple[int, str, int]] = []
    added: list[int] = []
    save_begun = commit_begun = None
    for line in path.read_text().splitlines():
        kind, ns, *rest = line.split()
        if kind == "r":
            handed.append((int(ns), rest[0], int(rest[1])))
        elif kind == "e":
            added.append(int(rest[0]))
        elif kind == "B":
            save_begun = len(handed)
        elif kind == "b":
            commit_begun = len(added)
        elif kind == "C" and save_begun is not None:
            for _, role, t_us in handed[:save_begun]:
                found.committed.setdefault(role, []).append(t_us)
            handed, save_begun = handed[save_begun:], None
        elif kind == "c" and commit_begun is not None:
            found.committed_entries += added[:commit_begun]
            added, commit_begun = added[commit_begun:], None
    found.open_readings, found.open_entries = handed, added
    return found


def look(session: Path, witness: Witness, killed_ns: int) -> Row:
    """Does it open, does its chain hold, what is missing."""
    row: Row = {
        "opens": False,
        "verifies": False,
        "lost_committed": None,
        "lost_s": None,
        "entries_lost": None,
    }
    if not session.exists():
        return {
            **row,
            "opens": None,
            "verifies": None,
            "lost_committed": sum(map(len, witness.committed.values())),
        }
    try:
        row["finished"] = finish(session)
        row["verifies"] = verify(session).ok
        with SessionReader(session) as reader:
            there = {c.name: set(reader.readings(c).t_us.tolist()) for c in reader.channels()}
            entries = {entry.seq for entry in reader.entries()}
    except SessionFault as fault:
        return {**row, "fault": str(fault)}
    row["opens"] = True
    row["lost_committed"] = sum(
        not _there(t, there.get(role, set())) for role, times in witness.committed.items() for t in times
    )
    lost = [ns for ns, role, t in witness.open_readings if not _there(t, there.get(role, set()))]
    row["lost_s"] = round((killed_ns - min(lost)) / 1e9, 3) if lost else 0.0
    row["committed_entries_lost"] = len(set(witness.committed_entries) - entries)
    row["entries_lost"] = len(set(witness.open_entries) - entries)
    return row


def _there(t_us: int, found: set[int]) -> bool:
    return any(t_us + bump in found for bump in range(8))


class Sitting:
    """A simulated bench and a witnessed recorder on it."""

    def __init__(self, folder: Path, words: list[str], window: bool = False, **options: Any) -> None:
        """Start both."""
        self.folder = folder
        self.session = folder / "kill.benchlog"
        self.witness = folder / "witness"
        self.witness.touch()
        self.simulated: Spawned = spawn(make_options(contactor="scpi", **options))
        ask(self.simulated.ready.control, {"type": "rearm"})
        command = [sys.executable, str(HERE / "witnessed.py"), str(self.witness), "bringup"]
        command += ["--bench", str(self.simulated.bench_path), "--out", str(self.session)]
        command += ["--when-not-judged", "go-on", *words, *(["--window"] if window else [])]
        env = {k: v for k, v in os.environ.items() if k not in ("DISPLAY", "WAYLAND_DISPLAY")}
        self.errors = (folder / "stderr.txt").open("wb")
        self.recorder = subprocess.Popen(
            command,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=self.errors,
            env=env | {"QT_QPA_PLATFORM": "offscreen"},
        )

    def status(self) -> Row:
        """What the simulated bench sees."""
        return ask(self.simulated.ready.control, {"type": "status"})

    def wait(self, what: str, within_s: float) -> Row | None:
        """The first status in which ``what`` of `WAITS` holds."""
        until = time.monotonic() + within_s
        while time.monotonic() < until and self.recorder.poll() is None:
            status = self.status()
            if WAITS[what](status):
                return status
            time.sleep(0.05)
        return None

    def close(self) -> None:
        """End everything."""
        windows = _windows(self.recorder.pid)
        self.recorder.kill()
        for pid in windows:  # a window outlives its recorder on purpose
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
        self.recorder.wait()
        self.errors.close()
        self.simulated.close()


WAITS = {"power": lambda s: s["inlet_v"] > 3.0, "full voltage": lambda s: s["set_v"] > 115.0}


def kill_recorder(folder: Path, rng: random.Random, programmed: bool) -> Row:
    """kill -9 at a random instant, from start-up on."""
    source, meters = ("programmed", "bench") if programmed else ("hand-set", "handheld")
    sitting = Sitting(folder, [], source=source, meters=meters, seed=rng.randrange(1, 10**6))
    try:
        after_s = rng.uniform(0.2, 9.0) if programmed else rng.uniform(0.2, 12.0)
        time.sleep(after_s)
        return {"after_s": round(after_s, 2), **_kill_and_look(sitting)}
    finally:
        sitting.close()


def kill_in_soak(folder: Path, rng: random.Random) -> Row:
    """A switch-mode unit at ten times the speed, so that the soak comes soon; kill -9 somewhere in it."""
    words = {"amplifier": "class-d", "supply": "switch-mode", "time_scale": 10.0}
    sitting = Sitting(folder, ["--soak", "30"], seed=rng.randrange(1, 10**6), **words)
    try:
        if sitting.wait("full voltage", 90.0) is None:
            raise RuntimeError(f"no soak: {(folder / 'stderr.txt').read_text()[-300:]}")
        after_s = rng.uniform(12.5, 16.0)  # past the last step's 120 s of dwell
        time.sleep(after_s)
        return {"after_s": round(after_s, 2), **_kill_and_look(sitting)}
    finally:
        sitting.close()


def _kill_and_look(sitting: Sitting) -> Row:
    before = sitting.status()
    ended = sitting.recorder.poll() is not None
    killed_ns = time.monotonic_ns()
    sitting.recorder.kill()
    sitting.recorder.wait()
    row: Row = {"was_on": before["inlet_v"] > 3.0, "was_in": before["contactor_closed"], "had_ended": ended}
    row |= _away(sitting, killed_ns) if row["was_in"] else {}
    return row | look(sitting.session, read_witness(sitting.witness), killed_ns)


def _away(sitting: Sitting, killed_ns: int) -> Row:
    """When the contactor opened, and when the source's off came."""
    until = time.monotonic() + 4.0
    opened_s = None
    while time.monotonic() < until:
        status = sitting.status()
        if not status["contactor_closed"]:
            opened_s = round((time.monotonic_ns() - killed_ns) / 1e9, 3)
            break
        time.sleep(0.01)
    off_ns = sitting.status()["off_received_ns"]
    off_s = round((off_ns - killed_ns) / 1e9, 3) if off_ns is not None and off_ns > killed_ns else None
    return {"contactor_s": opened_s, "off_s": off_s}


def kill_bench(folder: Path, rng: random.Random) -> Row:
    """The simulated bench dies: every instrument is gone at once; the recorder ends by itself, in order."""
    sitting = Sitting(folder, [], seed=rng.randrange(1, 10**6))
    try:
        after_s = rng.uniform(2.0, 9.0)
        time.sleep(after_s)
        killed_ns = time.monotonic_ns()
        sitting.simulated.process.kill()
        code = sitting.recorder.wait(90.0)
        row = look(sitting.session, read_witness(sitting.witness), killed_ns)
        return {"after_s": round(after_s, 2), "exit": code, **row}
    finally:
        sitting.close()


def kill_window(folder: Path, rng: random.Random) -> Row:
    """The window dies; the run goes on, is interrupted a while later and closes in order."""
    sitting = Sitting(folder, [], window=True, seed=rng.randrange(1, 10**6))
    try:
        if sitting.wait("power", 60.0) is None:
            raise RuntimeError(f"no power: {(folder / 'stderr.txt').read_text()[-300:]}")
        after_s = rng.uniform(0.0, 4.0)
        time.sleep(after_s)
        first = _windows(sitting.recorder.pid)
        killed_ns = time.monotonic_ns()
        for pid in first:
            os.kill(pid, signal.SIGKILL)
        back = _wait_window(sitting.recorder.pid, first)
        time.sleep(0.5)
        went_on = sitting.recorder.poll() is None and sitting.status()["inlet_v"] > 3.0
        sitting.recorder.send_signal(signal.SIGTERM)
        code = sitting.recorder.wait(60.0)
        row = look(sitting.session, read_witness(sitting.witness), killed_ns)
        said = (folder / "stderr.txt").read_text()[-300:] if not went_on else ""
        facts = {"after_s": round(after_s, 2), "back_s": back, "went_on": went_on, "exit": code, "said": said}
        return facts | row
    finally:
        sitting.close()


def _windows(parent: int) -> set[int]:
    listed = subprocess.run(["ps", "-eo", "pid,ppid,args"], capture_output=True, text=True, check=True)
    rows = (line.split(None, 2) for line in listed.stdout.splitlines()[1:])
    return {int(pid) for pid, above, args in rows if int(above) == parent and "benchlog_ui" in args}


def _wait_window(parent: int, first: set[int]) -> float | None:
    since = time.monotonic()
    while time.monotonic() - since < 5.0:
        if _windows(parent) - first:
            return round(time.monotonic() - since, 3)
        time.sleep(0.02)
    return None


def kill_command(folder: Path, rng: random.Random) -> Row:
    """A command that writes an entry, killed somewhere between its start and its end."""
    session, witness = folder / "kill.benchlog", folder / "witness"
    witness.touch()
    writer = SessionWriter.create(session, Job(simulated=True), datetime.now().astimezone())
    writer.close()
    words = rng.choice(
        [["note", str(session), "smell of burnt resistor"], ["take", str(session), "coil", "7.6"]]
    )
    child = subprocess.Popen(
        [sys.executable, str(HERE / "witnessed.py"), str(witness), *words],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    after_s = rng.uniform(0.1, 0.9)
    with contextlib.suppress(subprocess.TimeoutExpired):
        child.wait(after_s)
    killed_ns = time.monotonic_ns()
    child.kill()
    code = child.wait()
    return {"after_s": round(after_s, 2), "exit": code, **look(session, read_witness(witness), killed_ns)}


def one(task: tuple[int, str, int]) -> Row:
    """One kill of its kind; the same for the same number and seed but for the machine's own timing."""
    number, kind, seed = task
    rng = random.Random(f"{seed}/{number}")
    acts = {
        "recorder, programmed source": lambda f: kill_recorder(f, rng, True),
        "recorder, hand-set source": lambda f: kill_recorder(f, rng, False),
        "recorder, in the soak": lambda f: kill_in_soak(f, rng),
        "simulated bench": lambda f: kill_bench(f, rng),
        "window": lambda f: kill_window(f, rng),
        "command": lambda f: kill_command(f, rng),
    }
    with tempfile.TemporaryDirectory() as folder:
        try:
            return {"number": number, "kind": kind, **acts[kind](Path(folder))}
        except (OSError, RuntimeError, ValueError, subprocess.SubprocessError, BenchlogError) as error:
            return {"number": number, "kind": kind, "not_run": repr(error)}


def tasks(kills: int, seed: int, only: str) -> list[tuple[int, str, int]]:
    """Kinds drawn by their shares; a part of the campaign is balanced already."""
    rng = random.Random(seed)
    kinds = rng.choices(list(SHARES), list(SHARES.values()), k=kills)
    return [(n, kind, seed) for n, kind in enumerate(kinds) if only in kind]


def as_table(rows: list[Row]) -> str:
    """The report for a reader."""
    lines = [
        "| killed | kills | not run | doesn't open | chain broken | readings lost after their commit "
        "| entries lost after their commit | others lost, p50 / max s | limit s | event in flight lost "
        "| contactor open after, p50 / max s |",
        "|---|---|---|---|---|---|---|---|---|---|---|",
    ]
    for kind in SHARES:
        mine = [row for row in rows if row["kind"] == kind]
        run = [row for row in mine if "not_run" not in row]
        if not run:
            continue
        lost = sorted(row["lost_s"] or 0.0 for row in run)
        opened = sorted(row["contactor_s"] for row in run if row.get("contactor_s") is not None)
        never = sum(row.get("was_in") is True and row.get("contactor_s") is None for row in run)
        drop = f"{opened[len(opened) // 2]:.2f} / {opened[-1]:.2f}" if opened else "-"
        cells = [
            kind,
            len(run),
            len(mine) - len(run),
            sum(row["opens"] is False for row in run),
            sum(row["verifies"] is False for row in run),
            sum(row["lost_committed"] or 0 for row in run),
            sum(row.get("committed_entries_lost") or 0 for row in run),
            f"{lost[len(lost) // 2]:.2f} / {lost[-1]:.2f}",
            LOST_LIMIT_S.get(kind, BRINGUP_LOST_S),
            sum((row["entries_lost"] or 0) > 0 for row in run),
            drop + (f", never {never}" if never else ""),
        ]
        lines.append("| " + " | ".join(map(str, cells)) + " |")
    return "\n".join(lines) + "\n"


def bad(row: Row) -> bool:
    """Whether a kill broke a promise."""
    limit = LOST_LIMIT_S.get(row["kind"], BRINGUP_LOST_S)
    late = row.get("was_in") is True and (
        row["contactor_s"] is None or row["contactor_s"] > CONTACTOR_LIMIT_S
    )
    return (
        "not_run" in row
        or row["opens"] is False
        or row["verifies"] is False
        or bool(row["lost_committed"] or row.get("committed_entries_lost"))
        or (row["lost_s"] or 0.0) > limit
        or late
        or row.get("went_on") is False
    )


def main() -> int:
    """Run what is left and write the report."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--kills", type=int, default=1000)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="")
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    log = args.out / "kills.jsonl"
    done = [json.loads(line) for line in log.read_text().splitlines()] if log.exists() else []
    known = {row["number"] for row in done}
    left = [task for task in tasks(args.kills, args.seed, args.only) if task[0] not in known]
    with log.open("a", encoding="utf-8") as out, multiprocessing.Pool(args.jobs) as pool:
        for row in pool.imap_unordered(one, left):
            done.append(row)
            out.write(json.dumps(row) + "\n")
            out.flush()
            if bad(row):
                print(json.dumps(row), flush=True)
    (args.out / "thousand_kills.md").write_text(as_table(done), encoding="utf-8")
    print(as_table(done))
    return int(any(map(bad, done)))


if __name__ == "__main__":
    sys.exit(main())
