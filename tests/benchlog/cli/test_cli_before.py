"""Questions before power: what is asked, who may answer, and what is recorded. Nothing is powered here."""

import contextlib
import io
from argparse import Namespace
from collections.abc import Callable
from pathlib import Path

import msgspec
import pytest

from benchlog.bench.file import Bench, load_bench, save_bench
from benchlog.cli.before import HEAD, SIMULATED_REASON, Asked, answer, note_of
from benchlog.cli.main import main
from benchlog.cli.sittings import Place, Sittings
from benchlog.model.errors import PlanRefused, UsageError
from benchlog.model.protocol import RunAsked
from benchlog.model.unit import Fuse, Plate, PlateKind
from benchlog.recorder.window import WindowLink
from benchlog_drivers.simulated.make import bench_file, make_bench
from benchlog_drivers.simulated.options import make_options

NOBODY = "TCPIP::127.0.0.1::9::SOCKET"
ASKED = Asked(("output pin to + rail: 3.1 Ω, outside limit",), ("There is no isolating transformer.",))


def words(despite: str = "", checked: str = "") -> Namespace:
    return Namespace(despite=despite, checked=checked)


def run(*args: object) -> tuple[int, str, str]:
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = main([str(one) for one in args])
    return code, out.getvalue(), err.getvalue()


@pytest.fixture
def bench(tmp_path: Path) -> Callable[..., Path]:
    """Writes a bench file whose instruments nobody answers for, with changes."""

    def write(**changes: object) -> Path:
        options = make_options()
        connections = {"source": NOBODY, "bench-meter": NOBODY}
        made: Bench = bench_file(options, connections, "127.0.0.1:9", make_bench(options).unit)
        path = tmp_path / "bench.toml"
        save_bench(msgspec.structs.replace(made, **changes), path)
        return path

    return write


@pytest.fixture
def job(tmp_path: Path) -> Path:
    """A job with a wrong fuse and a short at an output pin."""
    session = tmp_path / "job.benchlog"
    plate = ("--plate-va", "300", "--fuse", "T4AL250V", "--core", "toroidal", "--protection", "i")
    steps: tuple[tuple[object, ...], ...] = (
        ("new", session, *plate),
        ("look", session, "--fuse-fitted", "T6.3AL250V", "--selector-v", "120"),
        ("point", session, "template", "stereo-solid-state"),
        ("take", session, "reservoir +", "0.02", "--reservoir", "--meter-proved"),
        ("take", session, "reservoir -", "0.02", "--reservoir", "--meter-proved"),
        ("take", session, "output pin to + rail", "3.1", "--group", "left", "--in-circuit"),
    )
    for step in steps:
        code, _, err = run(*step)
        assert code == 0, err
    return session


def test_nothing_open_asks_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    assert answer(Asked(), words(), simulated=False) == ""
    assert capsys.readouterr().err == ""


def test_nobody_to_ask_is_a_refusal_that_names_the_option(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(PlanRefused, match="--despite REASON"):
        answer(ASKED, words(), simulated=False)
    err = capsys.readouterr().err
    assert err.startswith(HEAD)
    assert "3.1 Ω" in err
    with pytest.raises(PlanRefused, match="--checked REASON"):
        answer(Asked(bench=ASKED.bench), words(), simulated=False)


def test_a_reason_for_the_bench_does_not_answer_for_the_job() -> None:
    with pytest.raises(PlanRefused):
        answer(ASKED, words(checked="transformer is in the wall"), simulated=False)
    assert answer(Asked(bench=ASKED.bench), words(checked="it is in the wall"), simulated=False)
    assert answer(ASKED, words(despite="devices are out"), simulated=False) == "devices are out"
    with pytest.raises(UsageError, match="--despite 'x' says nothing"):
        answer(ASKED, words(despite="x"), simulated=False)


def test_at_a_terminal_it_is_asked_and_enter_alone_leaves_the_power_off(
    capsys: pytest.CaptureFixture[str],
) -> None:
    typed = io.StringIO("output devices are out\n")
    assert answer(ASKED, words(), simulated=False, person=typed) == "output devices are out"
    assert "then Enter" in capsys.readouterr().err
    for nothing in ("\n", ""):
        with pytest.raises(PlanRefused, match="no power was put on"):
            answer(ASKED, words(), simulated=False, person=io.StringIO(nothing))


def test_the_simulated_technician_answers_and_says_so(capsys: pytest.CaptureFixture[str]) -> None:
    assert answer(ASKED, words(), simulated=True) == SIMULATED_REASON
    assert "The simulated technician goes on in spite of it (2 open)" in capsys.readouterr().err


def test_the_answer_is_an_entry_with_what_was_open() -> None:
    note = note_of(ASKED, "devices are out", "N. N.")
    assert note.stage == "before-power"
    assert all(line in note.text for line in ASKED.lines)
    assert note.text.endswith("Gone on with: devices are out")


def test_bringup_refuses_a_job_with_open_findings_and_plan_prints_the_same_list(
    job: Path, bench: Callable[..., Path]
) -> None:
    path = bench(isolating_transformer=False)
    before = job.read_bytes()
    code, _, err = run("bringup", "--bench", path, "--out", job)
    assert code == 5
    assert job.read_bytes() == before
    asked = [line for line in err.splitlines() if line.startswith("  - ")]
    for one in ("T6.3AL250V", "3.1 Ω, outside limit", "protective earth of a Class I unit", "isolating"):
        assert sum(one in line for line in asked) == 1, one
    code, out, _ = run("plan", job, "--bench", path)
    assert code == 0
    assert [line for line in out.splitlines() if line.startswith("  - ")] == asked


def test_what_is_settled_since_is_not_asked(job: Path, bench: Callable[..., Path]) -> None:
    path = bench()
    for step in (
        ("look", job, "--fuse-fitted", "T4AL250V"),
        ("take", job, "output pin to + rail", "180k", "--group", "left", "--in-circuit"),
        ("safety", job, "earth-ohms", "0.1", "--scheme", "de", "--protection", "i", "--tester", "N. N."),
    ):
        code, _, err = run(*step)
        assert code == 0, err
    _, out, _ = run("plan", job, "--bench", path)
    assert HEAD not in out


def test_a_mistyped_session_is_asked_with_the_one_that_may_be_meant(
    job: Path, bench: Callable[..., Path]
) -> None:
    code, _, err = run("bringup", "--bench", bench(), "--out", job.with_name("jop.benchlog"))
    assert code == 5
    assert not job.with_name("jop.benchlog").exists()
    assert "is a new job; the unit is the bench file's: 120 V, 300 VA" in err
    assert "Did you mean job.benchlog?" in err


def test_a_bench_file_of_another_unit_is_asked(job: Path, bench: Callable[..., Path]) -> None:
    path = bench()
    made = load_bench(path)
    assert made.unit is not None
    other = msgspec.structs.replace(made.unit, plate=Plate(PlateKind.VOLT_AMPERES, 80.0))
    save_bench(msgspec.structs.replace(made, unit=other), path)
    _, out, _ = run("plan", job, "--bench", path)
    assert "the bench file speaks of another unit (120 V, 80 VA" in out
    assert "Reckoned with, of the job: plate 300 VA (2.5 A), mains 120 V" in out


def test_plan_says_what_it_is_reckoned_with_and_judges_nothing_without_a_bench(
    bench: Callable[..., Path],
) -> None:
    code, out, _ = run("plan", "--plate-w", "180", "--mains", "230", "--core", "frame")
    assert code == 0
    assert "Reckoned with, as given: plate 180 W (1.12 A), mains 230 V, core frame." in out
    assert "not given, so of the simulated unit: fuse" in out
    rows = [line for line in out.splitlines() if "% " in line and " V " in line]
    assert len(rows) == 11
    assert not any(" yes " in row for row in rows)
    assert all("1.7 × acceptance limit" in row for row in rows)
    _, out, _ = run("plan", "--bench", bench(), "--fuse", "T0.5A")
    assert "can't watch" in out
    watched = [line for line in out.splitlines() if "twice the meter's uncertainty" in line]
    assert watched
    assert not any(" yes " in row for row in watched)
    assert "  - This meter can't watch this unit" in out


def test_the_window_is_asked_what_bench_and_plan_ask(tmp_path: Path, bench: Callable[..., Path]) -> None:
    read = load_bench(bench(isolating_transformer=False))
    assert read.unit is not None
    sittings = Sittings(WindowLink(("nothing",)), Place(tmp_path / "s.benchlog", read, simulated=True))
    tiny = msgspec.structs.replace(read.unit, fuse=Fuse("T0.5A", 0.5))
    asked = sittings._ask(RunAsked(tiny))
    assert asked is not None
    assert asked.question
    assert "can't watch this unit" in asked.text
    assert "no isolating transformer" in asked.text
    assert sittings._ask(RunAsked(tiny, checked="behind a lamp in the wall")) is None
    begun = sittings._next
    assert isinstance(begun, Place)
    assert begun.begun is not None
    assert begun.begun.warnings[-1] == "Answered before power: behind a lamp in the wall"
