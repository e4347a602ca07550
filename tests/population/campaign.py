"""The campaign on a population of simulated units: runs it, goes on where it was left.

    python tests/population/campaign.py --out DIR [--part good …] [--jobs 2] [--minutes 60] [--turns 10]

Each run adds one line to ``DIR/PART.jsonl``. Seeds come from a base seed, drawn when the directory is
new (or given with ``--base``), printed and kept in ``DIR/meta.json``. The runs go round the cells in turn, so
that a campaign cut short is balanced. ``--turns``: how many rounds; without it until ``--minutes`` are over
or Ctrl-C is pressed. ``--only``: cells whose name has these words.
Then ``population_report.py DIR`` makes the report.
"""

import argparse
import datetime
import gc
import itertools
import json
import multiprocessing
import random
import secrets
import signal
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from population_cells import KINDS, PARTS, seed_of
from population_line import run_line

Job = tuple[str, int, int, int]
"""Part, cell by number, number of the run, base seed."""


def start_worker() -> None:
    """A worker leaves Ctrl-C to its parent."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    gc.freeze()
    gc.disable()


def work(job: Job) -> tuple[str, str]:
    """One run; part and line."""
    part, c, i, base = job
    cell = PARTS[part][c]
    seed = seed_of(base, cell, i)
    try:
        line = run_line(cell, i, seed)
    except Exception as error:  # noqa: BLE001  one failed run is a finding, not the end of the campaign
        line = {"cell": cell.name, "i": i, "seed": seed, "outcome": "failed", "reason": repr(error)}
    gc.collect()
    return part, json.dumps(line, separators=(",", ":"))


def jobs(
    parts: Sequence[str], base: int, turns: int | None, done: set[tuple[str, int]], only: Sequence[str] = (),
    kinds: Sequence[str] = tuple(KINDS),
) -> Iterator[Job]:  # fmt: skip
    """Round the cells in turn, without the runs that are there."""
    rounds = itertools.count() if turns is None else range(turns)
    for turn in rounds:
        found: list[Job] = []
        for part in parts:
            for c, cell in enumerate(PARTS[part]):
                if cell.group["kind"] in kinds and all(words in cell.name for words in only):
                    numbers = range(turn * cell.share, (turn + 1) * cell.share)
                    found += [(part, c, i, base) for i in numbers if (cell.name, i) not in done]
        # Mixed, so that a round cut short is balanced too.
        random.Random(f"{base}/{turn}").shuffle(found)
        yield from found


def lines_of(path: Path) -> list[dict[str, Any]]:
    """The lines of a file; one that a kill cut short is left out."""
    found = []
    for text in path.read_text().splitlines() if path.exists() else ():
        try:
            found.append(json.loads(text))
        except json.JSONDecodeError:
            continue
    return found


def settle_meta(out: Path, base: int | None) -> dict[str, Any]:
    """Base seed, commit and date of a directory's campaign, made when it is new."""
    path = out / "meta.json"
    if path.exists():
        meta: dict[str, Any] = json.loads(path.read_text())
        if base not in (None, meta["base_seed"]):
            sys.exit(f"{out} holds a campaign with base seed {meta['base_seed']}. Take another directory.")
        return meta
    found = {
        "base_seed": secrets.randbelow(10**9) if base is None else base,
        "commit": _commit(),
        "begun": datetime.datetime.now(datetime.UTC).isoformat(timespec="minutes"),
    }
    path.write_text(json.dumps(found))
    return found


def _commit() -> str:
    asked = ["git", "-C", str(Path(__file__).parent), "rev-parse", "--short", "HEAD"]
    done = subprocess.run(asked, capture_output=True, text=True, check=False)
    return done.stdout.strip() or "unknown"


class Files:
    """The files of the parts, open for adding."""

    def __init__(self, out: Path) -> None:
        self._out = out
        self._open: dict[str, Any] = {}

    def add(self, part: str, line: str) -> None:
        """Add a line at once."""
        if part not in self._open:
            path = self._out / f"{part}.jsonl"
            broken = path.exists() and not path.read_bytes().endswith(b"\n")
            self._open[part] = path.open("a", buffering=1)
            if broken:
                self._open[part].write("\n")
        self._open[part].write(f"{line}\n")

    def close(self) -> None:
        for file in self._open.values():
            file.close()


def run_campaign(out: Path, parts: Sequence[str], base: int, args: argparse.Namespace) -> int:
    """Run until the turns or the minutes are over; how many runs were added."""
    done = {(one["cell"], one["i"]) for part in parts for one in lines_of(out / f"{part}.jsonl")}
    # A command begun in the background ignores Ctrl-C unless it is told not to.
    for one in (signal.SIGINT, signal.SIGTERM):
        signal.signal(one, signal.default_int_handler)
    files, added = Files(out), 0
    begun = time.monotonic()
    pool = multiprocessing.Pool(args.jobs, start_worker)
    # A window of jobs, as imap would draw on the endless iterator for ever.
    todo = jobs(parts, base, args.turns, done, args.only, args.kind)
    try:
        while batch := list(itertools.islice(todo, 8 * args.jobs)):
            for part, line in pool.imap_unordered(work, batch):
                files.add(part, line)
                added += 1
            if args.minutes is not None and time.monotonic() - begun > 60.0 * args.minutes:
                break
            if added % 160 < 8 * args.jobs:
                spent_s = time.monotonic() - begun
                print(f"{added} runs, {spent_s:.0f} s, {spent_s / added:.2f} s a run", flush=True)
    except KeyboardInterrupt:
        print("stopped; the same command goes on from here")
    finally:
        pool.terminate()
        pool.join()
        files.close()
    return added


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the campaign."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--part", nargs="+", choices=list(PARTS), default=list(PARTS))
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--minutes", type=float)
    parser.add_argument("--turns", type=int)
    parser.add_argument("--base", type=int)
    parser.add_argument("--only", nargs="+", default=[])
    parser.add_argument("--kind", nargs="+", choices=list(KINDS), default=list(KINDS))
    args = parser.parse_args(arguments)
    args.out.mkdir(parents=True, exist_ok=True)
    meta = settle_meta(args.out, args.base)
    print(f"base seed {meta['base_seed']}, commit {meta['commit']}")
    print(f"{run_campaign(args.out, args.part, meta['base_seed'], args)} runs added")
    return 0


if __name__ == "__main__":
    sys.exit(main())
