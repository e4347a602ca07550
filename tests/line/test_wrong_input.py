"""Wrong words and files: a message that says what to do, the exit code of the contract, no traceback."""

import os
import shutil
import sqlite3
import sys
import tempfile
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from line_commands import Done
from line_commands import inline as command

from benchlog.bench.file import Bench, InstrumentConfig, load_bench, save_bench
from benchlog_drivers.simulated.make import bench_file
from benchlog_drivers.simulated.options import make_options

NOBODY = "TCPIP::127.0.0.1::9::SOCKET"
SAMPLES = Path(__file__).resolve().parents[2] / "sample_sessions"


def told(done: Done, code: int, *words: str) -> None:
    assert done.code == code, (done.code, done.err)
    assert "Traceback" not in done.err
    assert "fault in the program" not in done.err
    lower = done.err.lower()
    for word in words:
        assert word.lower() in lower, (word, done.err)


@pytest.fixture
def unreachable(tmp_path: Path) -> Path:
    """A bench file of the simulated bench whose instruments nobody answers for."""
    options = make_options()
    names = ("source", "bench-meter")
    bench = bench_file(options, dict.fromkeys(names, NOBODY), "127.0.0.1:9")
    path = tmp_path / "bench.toml"
    save_bench(bench, path)
    return path


def with_instruments(path: Path, change) -> Path:  # type: ignore[no-untyped-def]
    """The bench file with every instrument changed."""
    import msgspec

    bench: Bench = load_bench(path)
    instruments: tuple[InstrumentConfig, ...] = tuple(change(i) for i in bench.instrument)
    save_bench(msgspec.structs.replace(bench, instrument=instruments), path)
    return path


def test_an_instrument_that_does_not_answer(unreachable: Path, tmp_path: Path) -> None:
    words = ("--out", tmp_path / "s.benchlog", "--despite", "nothing is connected")
    done = command("bringup", "--bench", unreachable, "--plate-va", "300", *words)
    told(done, 1, "127.0.0.1")
    shown = command("show", tmp_path / "s.benchlog").out
    assert "Open before power: protective earth" in shown
    assert "Gone on with: nothing is connected" in shown
    told(command("instruments", "--bench", unreachable), 1)


def test_two_earthed_leads_on_different_nodes(unreachable: Path, tmp_path: Path) -> None:
    import msgspec

    nodes = {"source": "primary", "bench-meter": "left output"}

    def earthed(config: InstrumentConfig) -> InstrumentConfig:
        return msgspec.structs.replace(config, earth="earthed", node=nodes[config.name])

    path = with_instruments(unreachable, earthed)
    out = tmp_path / "s.benchlog"
    done = command("bringup", "--bench", path, "--plate-va", "300", "--out", out)
    told(done, 5, "earth", "primary", "left output", "isolate")
    assert not out.exists()


def test_a_plan_above_the_sources_range(tmp_path: Path) -> None:
    plan = tmp_path / "plan.toml"
    plan.write_text(
        'reason = "too high"\n[[step]]\nvolts = 12.0\n[[step]]\nvolts = 400.0\n', encoding="utf-8"
    )
    out = tmp_path / "out"
    done = command("rehearse", "--no-window", "--plan", plan, "--out", out)
    told(done, 5, "above the source's range", "150 V")
    assert not list(out.glob("*.benchlog"))


def test_a_slow_plan_for_a_switch_mode_supply(tmp_path: Path) -> None:
    plan = tmp_path / "plan.toml"
    steps = "".join(f"[[step]]\nfraction = {f}\n" for f in (0.1, 0.3, 0.5, 0.9, 1.0))
    plan.write_text(f'reason = "as for a linear supply"\n{steps}', encoding="utf-8")
    done = command(
        "rehearse", "--no-window", "--supply", "switch-mode", "--plan", plan, "--out", tmp_path / "out"
    )
    told(done, 5, "switch-mode", "maker")


@pytest.mark.parametrize(
    ("words", "listed"),
    [
        (("--amplifier", "class-z"), "class-ab"),
        (("--fault", "gremlins"), "rail-short"),
        (("--meters", "abacus"), "handheld"),
        (("--supply", "switch-mode", "--fault", "shorted-turns"), "rail-short"),
        (("--amplifier", "valve", "--supply", "switch-mode"), "linear"),
    ],
)
def test_an_unknown_kind_or_a_pair_the_model_lacks(
    words: tuple[str, ...], listed: str, tmp_path: Path
) -> None:
    told(command("rehearse", "--no-window", *words, "--out", tmp_path), 2, listed)


def broken_copy(tmp_path: Path, name: str) -> Path:
    copy = tmp_path / f"{name}.benchlog"
    shutil.copy(SAMPLES / "rail-short.benchlog", copy)
    return copy


def test_a_session_cut_short(tmp_path: Path) -> None:
    session = broken_copy(tmp_path, "short")
    session.write_bytes(session.read_bytes()[:20_000])
    told(command("show", session), 1)
    assert command("verify", session).code == 6


def test_not_a_session(tmp_path: Path) -> None:
    session = tmp_path / "letter.benchlog"
    session.write_text("Dear customer, " * 500, encoding="utf-8")
    told(command("show", session), 1, "not a session")
    told(command("note", session, "hello"), 1)
    assert command("verify", session).code == 6


def test_a_session_of_a_newer_program(tmp_path: Path) -> None:
    session = broken_copy(tmp_path, "newer")
    with sqlite3.connect(session) as db:
        db.execute("pragma user_version = 999")
    db.close()
    told(command("show", session), 1, "newer")
    assert command("verify", session).code == 6


def test_a_session_that_may_not_be_written(tmp_path: Path) -> None:
    assert command("note", broken_copy(tmp_path, "writable"), "hello").code == 0
    folder = Path(tempfile.mkdtemp(prefix="benchlog-read-only-"))
    session = folder / "locked.benchlog"
    shutil.copy(SAMPLES / "rail-short.benchlog", session)
    before = session.read_bytes()
    session.chmod(0o444)
    folder.chmod(0o555)
    root = os.geteuid() == 0
    try:
        if root:  # No permission stops root, so the command runs as nobody.
            os.seteuid(65534)
        done = command("note", session, "hello")
    finally:
        if root:
            os.seteuid(0)
        folder.chmod(0o755)
    told(done, 1, "read-only")
    assert session.read_bytes() == before
    shutil.rmtree(folder)


def test_no_error_number_of_the_system_is_shown(tmp_path: Path) -> None:
    for words in (("profile", "check", "none.toml"), ("note", tmp_path / "j", "x", "--photo", "none.jpg")):
        done = command(*words)
        assert done.code
        assert "Errno" not in done.err
        assert "No such file" in done.err


def test_the_version_is_printed() -> None:
    done = command("--version")
    assert done.code == 0
    assert done.out.startswith("benchlog 0")


def test_no_session_there(tmp_path: Path) -> None:
    told(command("show", tmp_path / "none.benchlog"), 1, "no session file")


def test_doubtful_and_impossible_readings_are_asked_back(tmp_path: Path) -> None:
    session = tmp_path / "j.benchlog"
    assert command("new", session).code == 0
    told(command("take", session, "voice coil", "7.6x", "--kind", "ohms"), 2)
    told(command("take", session, "reservoir", "4700", "--kind", "capacitance"), 2)
    assert command("take", session, "voice coil", "7R6", "--kind", "ohms", "--out-of-circuit").code == 0
    told(command("part", session, "in", "Q1", " "), 2, "value")


def test_no_command_of_that_name() -> None:
    done = command("switch-on")
    assert done.code == 2
    assert "Traceback" not in done.err
