"""Points and readings from the command line: nothing at a charged point, and what is wrong is told."""

from pathlib import Path

import pytest
from inline_commands import command

from benchlog.session.reader import SessionReader


@pytest.fixture
def session(tmp_path: Path) -> Path:
    path = tmp_path / "job.benchlog"
    assert command("new", path, "--invented", "--plate-va", "300").code == 0
    return path


def test_one_reservoir_proved_leaves_the_points_of_the_other_blocked(session: Path) -> None:
    for name in ("+", "-"):
        command(
            "point", session, "add", f"pin to {name} rail", "--kind", "ohms", "--fed-by", f"reservoir {name}"
        )
    done = command("take", session, "pin to + rail", "900", "--in-circuit")
    assert done.code == 5
    assert "reservoir +" in done.err
    assert command("take", session, "reservoir +", "20m", "--reservoir", "--meter-proved").code == 0
    assert command("take", session, "reservoir -", "41", "--reservoir", "--meter-proved").code == 0
    assert command("take", session, "pin to + rail", "900", "--in-circuit").code == 0
    done = command("take", session, "pin to - rail", "900", "--in-circuit")
    assert done.code == 5
    assert "CHARGED: reservoir - read 41 V" in done.err
    rows = {r["point"]["name"]: r for r in command("point", session, "--json").json()["points"]}
    assert rows["pin to + rail"]["waits_for"] == []
    assert rows["pin to - rail"]["waits_for"] == ["reservoir -"]
    assert rows["pin to - rail"]["to_take"] is True
    checked = ("--checked", "bridged with 100 ohms, watched it fall")
    assert command("take", session, "pin to - rail", "900", "--in-circuit", *checked).code == 5
    assert "CHARGED to 12 V" in command("take", session, "reservoir -", "12", "--kind", "dc-v").out
    assert command("take", session, "reservoir -", "0.4", "--kind", "dc-v").code == 0
    assert command("take", session, "pin to - rail", "900", "--in-circuit", "--checked", "x").code == 2
    found = command("take", session, "pin to - rail", "900", "--in-circuit", *checked, "--json").json()
    assert found["entry"]["checked"] == checked[1]


def test_a_verdict_is_stored_with_limit_and_reason(session: Path) -> None:
    """Common practice: 220 µF/50 V new about 0.25 Ω, used and good below 0.5 Ω."""
    words = (
        "take",
        session,
        "C12",
        "--kind",
        "esr",
        "--farad",
        "220u",
        "--rated-v",
        "50",
        "--lead-zero",
        "0",
    )
    within = command(*words, "0.25", "--out-of-circuit", "--json").json()["entry"]
    assert within["verdict"] == "within-limit"
    assert within["limit"]["value"] == pytest.approx(0.5, rel=0.01)
    assert within["limit"]["confidence"] == "common-practice"
    assert "assumed" in within["reason"]
    assert within["u"] == pytest.approx(0.03 * 0.25 + 3 * 0.01, rel=0.6)
    assert within["u_source"].startswith("assumed, hand meter")
    outside = command(*words, "8", "--in-circuit", "--checked", "0.1 V read", "--json").json()["entry"]
    assert outside["verdict"] == "outside-limit"
    stated = command(*words, "0.25", "--out-of-circuit", "--u", "0.02", "--json").json()["entry"]
    assert stated["u"] == 0.02
    with SessionReader(session) as reader:
        kinds = [type(e.payload).__name__ for e in reader.entries()]
    assert kinds.count("Taken") == 3
    assert command("verify", session).code == 0
    assert "C12" in command("point", session, "pairs").out


def test_lists_from_templates_and_files(session: Path, tmp_path: Path) -> None:
    assert command("point", session, "template", "valve-head").code == 0
    first = command("point", session, "--json").json()["points"]
    saved = tmp_path / "points.toml"
    assert command("point", session, "save", saved).code == 0
    assert command("point", session, "remove", "mains fuse").code == 0
    assert len(command("point", session, "--json").json()["points"]) == len(first) - 1
    assert command("point", session, "load", saved).code == 0
    assert len(command("point", session, "--json").json()["points"]) == len(first)
    assert command("point", session, "pairs").code == 0


@pytest.mark.parametrize(
    "words",
    [
        ("take", "C1", "7.6x", "--kind", "esr"),
        ("take", "C1", "0.3", "--kind", "teapot"),
        ("take", "C1", "0.3"),
        ("take", "C1", "0.3", "--kind", "esr", "--farad", "220", "--rated-v", "50", "--out-of-circuit"),
        ("take", "C1", "0.3", "--kind", "esr", "--check", "voice-coil", "--out-of-circuit"),
        ("take", "Q1", "0.3", "--kind", "junction", "--device", "teapot", "--out-of-circuit"),
        ("take", "F1", "0.3", "--kind", "ohms", "--fuse", "teapot"),
        ("take", "C1", "3", "--kind", "ohms", "--reservoir"),
        ("take", "L", "6", "--kind", "ohms", "--check", "voice-coil", "--rated-ohm", "0", "--out-of-circuit"),
        ("point", "add", "x"), ("point", "template", "teapot"), ("point", "remove", "x"), ("point", "save"),
    ],
)  # fmt: skip
def test_wrong_words_are_told_and_nothing_is_lost(session: Path, words: tuple[str, ...]) -> None:
    before = command("show", session, "--json").out
    done = command(words[0], session, *words[1:])
    assert done.code == 2, done.err
    assert "fault in the program" not in done.err
    assert command("show", session, "--json").out == before


def test_a_name_that_is_not_there_is_answered_with_those_like_it(session: Path) -> None:
    command("point", session, "template", "stereo-solid-state")
    done = command("take", session, "output pin to + rial", "3")
    assert done.code == 2
    assert "'output pin to + rail' in left (ohms)" in done.err
    assert "there is" not in command("take", session, "teapot", "3").err


def test_the_mains_fuse_is_judged_by_the_jobs_marking(session: Path) -> None:
    path = session.with_name("fuse.benchlog")
    command("new", path, "--fuse", "T4AL250V", "--invented")
    words = ("take", path, "mains fuse", "open", "--kind", "ohms", "--out-of-circuit", "--json")
    taken = command(*words).json()["entry"]
    assert taken["point"]["known"]["fuse"]["marking"] == "T4AL250V"
    assert taken["verdict"] == "outside-limit"


def test_a_file_that_is_no_list(session: Path, tmp_path: Path) -> None:
    assert command("point", session, "load", tmp_path / "missing.toml").code == 1
    wrong = tmp_path / "wrong.toml"
    wrong.write_bytes(b"\xff\xfe\x00")
    assert command("point", session, "load", wrong).code == 1
