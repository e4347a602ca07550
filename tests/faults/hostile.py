"""Files from strangers by the thousand, each given to every command that reads such a file.

    python tests/faults/hostile.py --out DIR --minutes N [--jobs N] [--only KIND] [--case KIND:NUMBER]

The program runs in child processes with little memory (`hostile_victim.py`); a child that is silent for too
long is ended and counts as a hang. A file is a fault where a command ends otherwise than by the program's own
errors, takes longer than its time, starts or opens or writes what it must not, or sends control characters to
the terminal. ``DIR`` gets ``hostile.json`` with every fault (each can be made again by ``--case``) and
``hostile.md``. Exit code 1 where there is one.
"""

import argparse
import contextlib
import json
import os
import select
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import IO, Any

sys.path.insert(0, str(Path(__file__).parent))

from hostile_files import KINDS
from hostile_models import make_models

MOST_CPU_S, MOST_WALL_S = 60.0, 400.0
"""A child is ended when one file keeps it for longer: of the processor, or, where it waits, of the clock."""


@dataclass
class Tally:
    """What came of the files of one kind."""

    kind: str
    files: int = 0
    commands: int = 0
    refused: int = 0
    longest_s: float = 0.0
    peak_mb: int = 0
    faults: list[str] = field(default_factory=list)

    def add(self, verdict: dict[str, Any]) -> None:
        """Count one file."""
        self.files += 1
        self.commands += len(verdict["codes"])
        self.refused += sum(code != 0 for code in verdict["codes"])
        self.longest_s = max(self.longest_s, verdict["cpu_s"])
        self.peak_mb = max(self.peak_mb, verdict["peak_mb"])
        self.faults += [f"{self.kind}:{verdict['number']} {fault}" for fault in verdict["faults"]]

    def row(self) -> str:
        """A line of the report."""
        return (
            f"| {self.kind} | {self.files} | {self.commands} | {self.refused} | {self.longest_s:.1f} "
            f"| {self.peak_mb} | {len(self.faults)} |"
        )


class Victim:
    """One child; it is begun anew after it was lost."""

    def __init__(self, models: Path, folder: Path) -> None:
        self._words = [sys.executable, str(Path(__file__).with_name("hostile_victim.py"))]
        self._words += [str(models), str(folder)]
        self._errors = (folder.parent / f"{folder.name}.txt").open("w+", encoding="utf-8")
        self._begin()

    def _begin(self) -> None:
        self._child = subprocess.Popen(
            self._words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=self._errors, text=True
        )  # fmt: skip

    def judge(self, kind: str, number: int) -> dict[str, Any]:
        """A verdict, also where the child hung or died."""
        assert self._child.stdin is not None
        assert self._child.stdout is not None
        self._child.stdin.write(json.dumps([kind, number]) + "\n")
        self._child.stdin.flush()
        answered = self._await(self._child.stdout)
        line = self._child.stdout.readline() if answered else ""
        if line:
            found: dict[str, Any] = json.loads(line)
            return found
        what = "died" if answered else "hung"
        self.close()
        self._errors.seek(0)
        fault = f"the program {what} ({self._child.returncode}): {self._errors.read()[-600:]}"
        self._errors.truncate(0)
        self._begin()
        return {"kind": kind, "number": number, "codes": [], "cpu_s": 0.0, "peak_mb": 0, "faults": [fault]}

    def _await(self, answers: IO[str]) -> bool:
        """Whether there is an answer, or an end, before the child has used up its time."""
        begun, used_s = time.monotonic(), self._cpu_s()
        while time.monotonic() - begun < MOST_WALL_S and self._cpu_s() - used_s < MOST_CPU_S:
            if select.select([answers], [], [], 2.0)[0]:
                return True
        return False

    def _cpu_s(self) -> float:
        try:
            parts = (
                Path(f"/proc/{self._child.pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
            )
        except OSError:
            return 0.0
        return (int(parts[11]) + int(parts[12])) / os.sysconf("SC_CLK_TCK")

    def close(self) -> None:
        """End the child."""
        self._child.kill()
        self._child.wait()
        for pipe in (self._child.stdin, self._child.stdout):
            if pipe is not None:
                with contextlib.suppress(BrokenPipeError):
                    pipe.close()


class Campaign:
    """Files in turn for so many children until the time is over."""

    def __init__(self, cases: Iterator[tuple[str, int]], until: float, tallies: dict[str, Tally]) -> None:
        self._cases, self._until, self._tallies = cases, until, tallies
        self._lock = threading.Lock()

    def work(self, models: Path, folder: Path) -> None:
        """What one thread does with one child."""
        victim = Victim(models, folder)
        try:
            while time.monotonic() < self._until:
                with self._lock:
                    case = next(self._cases, None)
                if case is None:
                    return
                verdict = victim.judge(*case)
                with self._lock:
                    self._tallies[case[0]].add(verdict)
                for fault in verdict["faults"]:
                    print(f"{case[0]}:{case[1]} {fault}", flush=True)
        finally:
            victim.close()


def cases_of(only: str, seed: int) -> Iterator[tuple[str, int]]:
    """Kinds in turn, numbers rising without end; sessions and documents more often than others."""
    kinds = [kind for kind in (*KINDS, "session", "pdf", "session") if only in kind]
    number = seed
    while True:
        for kind in kinds:
            yield kind, number
            number += 1


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path)
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", help="kinds whose name contains this")
    parser.add_argument("--models", type=Path, help="well-made files, made there where there are none yet")
    parser.add_argument("--case", default="", metavar="KIND:NUMBER", help="this one file again")
    options = parser.parse_args()
    tallies = {kind: Tally(kind) for kind in KINDS}
    kind, _, number = options.case.partition(":")
    cases = iter([(kind, int(number))]) if kind else cases_of(options.only, options.seed)
    with tempfile.TemporaryDirectory(prefix="hostile-") as name:
        models = options.models or Path(name) / "models"
        if not (models / "document.pdf").exists():
            make_models(models)
        begun = time.monotonic()
        campaign = Campaign(cases, time.monotonic() + 60.0 * options.minutes, tallies)
        threads = [
            threading.Thread(target=campaign.work, args=(models, Path(name) / f"victim-{n}"))
            for n in range(1 if kind else options.jobs)
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    return report(list(tallies.values()), options.out, (time.monotonic() - begun) / 60)


def report(tallies: list[Tally], out: Path | None, minutes: float) -> int:
    """Print and keep it; 1 where there was a fault."""
    table = [
        f"{sum(t.files for t in tallies)} files in {minutes:.1f} minutes", "",
        "| kind | files | commands | refused | longest s (processor) | most MB | faults |",
        "|---|---|---|---|---|---|---|",
        *(tally.row() for tally in tallies if tally.files),
    ]  # fmt: skip
    print(*table, sep="\n")
    if out is not None:
        out.mkdir(parents=True, exist_ok=True)
        facts = json.dumps([asdict(tally) for tally in tallies], indent=1)
        (out / "hostile.json").write_text(facts, encoding="utf-8")
        (out / "hostile.md").write_text("\n".join(table) + "\n", encoding="utf-8")
    return int(any(tally.faults for tally in tallies))


if __name__ == "__main__":
    sys.exit(main())
