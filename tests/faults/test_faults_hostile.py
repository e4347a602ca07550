"""A sample of `hostile.py`: files from strangers are read or refused; the command runs more."""

import contextlib
import io
import re
import shutil
import sqlite3
import sys
import tomllib
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

pytest.importorskip("resource")
sys.path.insert(0, str(Path(__file__).parent))

import hostile_run
from hostile_files import BAD_TOML, HARD_PATTERNS, make
from hostile_models import make_models
from hostile_victim import KNOWN, commands

from benchlog.bench.linepattern import MOST_WAYS, most_ways
from benchlog.cli.output import harmless
from benchlog.exchange import wavefile
from benchlog.exchange.table import read_table
from benchlog.model.errors import SessionDamaged, UsageError
from benchlog.model.textfile import parse_toml, read_bounded
from benchlog.report.pages import session_inside

QUICK = ("plan", "bench", "points", "profile", "pattern", "csv")


@pytest.fixture(scope="module")
def models(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_models(tmp_path_factory.mktemp("models"), light=True)


@given(st.sampled_from(QUICK), st.integers(0, 10**9))
@settings(max_examples=15, suppress_health_check=list(HealthCheck))
def test_files_of_strangers_are_read_or_refused(
    models: Path, tmp_path_factory: pytest.TempPathFactory, kind: str, number: int
) -> None:
    folder = tmp_path_factory.mktemp("case")
    path = make(kind, number, folder, models)
    shutil.copyfile(models / "declined.benchlog", folder / "job.benchlog")
    for words in commands(kind, path, number, models):
        said = io.StringIO()
        with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
            code, crash = hostile_run.run([str(word) for word in words])
        assert code in KNOWN, (kind, number, crash)
        assert not hostile_run.unfit(said.getvalue(), code)


@pytest.mark.parametrize("number", range(len(BAD_TOML)))
def test_tables_that_are_made_to_hang_are_told_at_once(number: int) -> None:
    from random import Random

    with contextlib.suppress(tomllib.TOMLDecodeError):
        parse_toml(BAD_TOML[number](Random(number)))


@pytest.mark.parametrize("pattern", HARD_PATTERNS)
def test_a_pattern_ends_soon_or_is_refused(pattern: str) -> None:
    try:
        is_bounded = most_ways(pattern, 80) <= MOST_WAYS
    except ValueError:
        is_bounded = False
    if is_bounded:
        for line in ("1" * 80, "a" * 80, "1V" * 40):
            re.fullmatch(pattern, line, re.ASCII)


@pytest.mark.parametrize(
    "pattern", [r"(\d+)+V", r"\d*\d*\d*\d*V", r"(a|b1)*V", r"(?:x\s*)*\s*V", r".*.*.*.*V"]
)
def test_a_repeat_of_repeats_is_refused(pattern: str) -> None:
    assert most_ways(pattern, 80) > MOST_WAYS


def test_a_pattern_with_blanks_in_many_places_is_taken() -> None:
    usual = r"\s*(?P<value>[+-]?\d+\.?\d*)\s*(?P<unit>[munk]?[AV])\s*(?P<flags>[AH]?)\s*"
    assert most_ways(usual, 80) <= MOST_WAYS


def test_what_is_too_large_is_told_with_the_limit(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "large.csv"
    with path.open("wb") as file:
        file.truncate(900_000_000)  # sparse
    with pytest.raises(UsageError, match="larger than 300 MB"):
        read_table(path)
    with pytest.raises(UsageError, match="no plain file"):
        read_bounded(Path("/dev/zero"), 10)
    path.write_text("1," * 20_000)
    with pytest.raises(UsageError, match="line of 40000 characters, more than 10000"):
        read_table(path)
    import numpy as np
    import soundfile

    soundfile.write(tmp_path / "a.wav", np.zeros((2_000, 2)), 48_000)
    monkeypatch.setattr(wavefile, "MOST_SAMPLES", 1_000)
    with pytest.raises(UsageError, match="more than 0 million"):
        wavefile.read_sound(tmp_path / "a.wav")


def test_a_document_without_its_end_is_not_searched_for_it(tmp_path: Path) -> None:
    path = tmp_path / "a.pdf"
    path.write_bytes(b"%PDF-1.7\n")
    with path.open("r+b") as file:
        file.truncate(900_000_000)
    with pytest.raises(SessionDamaged, match="cut short"):
        session_inside(path)


def test_a_view_in_place_of_the_readings_is_not_played_back(models: Path, tmp_path: Path) -> None:
    path = tmp_path / "view.benchlog"
    shutil.copyfile(models / "repaired.benchlog", path)
    with contextlib.closing(sqlite3.connect(path)) as db:
        db.executescript(
            "alter table reading rename to r0; create view reading as with recursive r(n) as "
            "(select 1 union all select n + 1 from r) select n as channel, n as t_us, n as took_us, "
            "n as value, "
            "0 as status, 1 as setting from r"
        )
    code, crash = hostile_run.run(["benchlog-play", str(path)])
    assert (code, crash) == (1, "")


def test_control_characters_are_shown() -> None:
    assert harmless("a\x1b]0;t\x07\n\u202eb") == "a\\x1b]0;t\\x07\n\\x202eb"


def test_a_session_that_does_not_say_when_it_was_is_not_exported(models: Path, tmp_path: Path) -> None:
    path = tmp_path / "timeless.benchlog"
    shutil.copyfile(models / "repaired.benchlog", path)
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as db:
        db.execute("delete from anchor")
    assert hostile_run.run(["export", str(path), "--csv", str(tmp_path / "csv")]) == (1, "")
