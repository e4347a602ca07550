"""The README's tour runs as it is written, line by line; only the bring-up itself is left to other tests."""

import re
import shlex
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from line_commands import inline

from benchlog.bench.file import save_bench
from benchlog.cli.before import HEAD
from benchlog_drivers.simulated.make import bench_file, make_bench
from benchlog_drivers.simulated.options import make_options

README = Path(__file__).resolve().parents[2] / "README.md"


def tour() -> list[list[str]]:
    """The words of each line of the tour, ``benchlog`` left out."""
    text = README.read_text(encoding="utf-8")
    block = next(b for b in re.findall(r"```sh\n(.*?)```", text, re.S) if b.startswith("benchlog new"))
    return [shlex.split(line)[1:] for line in block.splitlines()]


def test_every_line_of_the_tour_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    options = make_options()
    save_bench(bench_file(options, unit=make_bench(options).unit), Path("bench.toml"))
    planned = ""
    for words in tour():
        if words[0] == "bringup":
            assert HEAD not in planned
            continue
        done = inline(*words)
        assert done.code == 0, (words, done.err)
        planned = done.out if words[0] == "plan" else planned
    assert "stop by" in planned
    assert Path("job.pdf").stat().st_size > 10_000
