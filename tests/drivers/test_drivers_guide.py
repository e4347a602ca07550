"""The README's guide to a new meter, done exactly as printed, on a free port, with a meter nobody knows."""

import re
import shlex
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import IO

import pytest

from benchlog.cli.main import main
from benchlog.model.errors import UsageError
from benchlog.model.role import Role
from benchlog_drivers.practice.run import PracticeOptions, bench_entry, practice_instrument
from benchlog_drivers.profiletools import begin_profile
from benchlog_drivers.shelf import known_profiles

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
PRINTED_PORT = "7070"


def printed(name: str) -> str:
    """A block of the guide."""
    found = re.search(rf"<!-- guide: {name} -->\n```\w+\n(.*?)```", README, re.DOTALL)
    assert found is not None, name
    return found.group(1)


def words(line: str, port: int) -> list[str]:
    """The words of a printed command behind ``benchlog``, on another port, and quicker."""
    assert line.startswith("benchlog ")
    return shlex.split(line.replace(PRINTED_PORT, str(port)).replace("--seconds 3", "--seconds 0.5"))[1:]


@pytest.fixture
def practice() -> Iterator[tuple[int, IO[bytes]]]:
    with socket.create_server(("127.0.0.1", 0)) as free:
        number = int(free.getsockname()[1])
    (line,) = printed("practice").splitlines()
    with subprocess.Popen(
        [sys.executable, "-m", "benchlog", *words(line, number)],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
    ) as process:  # fmt: skip
        assert process.stdout is not None
        assert process.stdin is not None
        assert process.stdout.readline() == f"socket://127.0.0.1:{number}\n".encode()
        yield number, process.stdin
        process.communicate(timeout=20)
        assert process.returncode == 0


def test_the_guide_works_as_printed(
    practice: tuple[int, IO[bytes]],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    port, typed = practice

    def done(block: str) -> list[str]:
        said = []
        for line in printed(block).splitlines():
            assert main(words(line, port)) == 0, line
            said.append(capsys.readouterr().out)
        return said

    looked = done("look")[-1]
    assert "received b'DCV;+48." in looked
    assert "not a line of this meter" in looked
    Path("my-meter.toml").write_text(printed("profile"), encoding="utf-8")
    checked, tried, _, again = done("prove")
    assert "nothing is wrong; no saved conversation" in checked
    assert re.search(r"probe: 48\.\d+ V", tried)
    assert "garbled" not in tried
    assert "10 readings replayed" in again
    typed.write(b"overload\n")  # "type overload there later to see how trouble looks"
    typed.flush()
    time.sleep(0.2)
    assert main(words(printed("prove").splitlines()[1], port)) == 0
    assert "probe: overload" in capsys.readouterr().out


def test_the_stranger_has_no_shipped_profile() -> None:
    assert "stranger" not in known_profiles()
    assert "stranger" not in [path.stem for path in Path().glob("drivers/**/profiles/*.toml")]


def test_a_profile_to_start_from_is_right_and_never_overwrites(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    begin_profile(path)
    assert main(["profile", "check", str(path)]) == 0
    assert 'name = "mine"' in path.read_text(encoding="utf-8")
    with pytest.raises(UsageError, match="there already"):
        begin_profile(path)
    other = tmp_path / "other.toml"
    begin_profile(other, "simulated-bcd-meter")
    assert main(["profile", "check", str(other)]) == 0
    with pytest.raises(UsageError, match=r"no shipped profile 'nothing'.*simulated-handheld"):
        begin_profile(tmp_path / "third.toml", "nothing")
    with pytest.raises(UsageError, match=r"Call it fourth\.toml"):
        begin_profile(tmp_path / "fourth")


def test_a_practice_instrument_says_how_a_bench_file_names_it() -> None:
    assert bench_entry(PracticeOptions("stranger"), "x").roles == (Role.PROBE,)
    assert bench_entry(PracticeOptions("simulated-contactor-scpi"), "x").roles == (Role.CUT_OFF,)
    with pytest.raises(UsageError, match=r"simulate --source programmed"):
        practice_instrument(PracticeOptions("simulated-ac-source"))
    with pytest.raises(UsageError, match="There is no profile 'nothing'"):
        practice_instrument(PracticeOptions("nothing"))
