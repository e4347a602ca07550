"""The work round the cold checks by commands alone; wrong words are told and nothing is lost."""

import shutil
from pathlib import Path

import pytest
from inline_commands import command
from PIL import Image

from benchlog.cli.reference import load_reference
from benchlog.job.settings import Settings, save_settings
from benchlog.model.errors import BenchlogError
from benchlog.session.reader import SessionReader
from benchlog.session.verification import verify

SAMPLES = Path(__file__).resolve().parents[3] / "sample_sessions"


@pytest.fixture
def session(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr("platformdirs.user_config_path", lambda *_, **__: tmp_path / "config")
    save_settings(Settings("Invented Workshop", currency="EUR", technician="Invented Technician"))
    path = tmp_path / "job.benchlog"
    words = ("new", path, "--invented", "--plate-va", "300", "--fuse", "T4AL250V", "--cap", "EUR 120")
    assert command(*words, "--protection", "ii", "--topology", "direct", "--may-open").code == 0
    return path


def test_settings_are_the_defaults(session: Path) -> None:
    with SessionReader(session) as reader:
        job = reader.job()
    assert (job.workshop.name, job.workshop.currency) == ("Invented Workshop", "EUR")
    assert job.consent_to_open is True
    assert job.unit is not None
    assert job.unit.protective_earth is False
    assert command("note", session, "smell of resin", "--json").json()["entry"]["by"] == "Invented Technician"
    assert command("note", session, "hers", "--by", "Other", "--json").json()["entry"]["by"] == "Other"


def test_the_course_of_a_repair_by_commands(session: Path, tmp_path: Path) -> None:
    told = command("look", session, "--seen", "dust", "--fuse-fitted", "T6.3AL250V", "--selector-v", "120")
    assert "outside limit" in told.out
    made = command("estimate", session, "devices=58.00", "labour=90.00", "--json").json()
    assert (made["entry"]["total"], made["entry"]["over_cap"]) == ("148.00", "28.00")
    assert command("jobs", "--folder", tmp_path, "--json").json()["jobs"][0]["waits_for"] == "approval"
    answer = command("approve", session, "--who", "Invented", "--how", "telephone", "--json")
    assert answer.json()["entry"]["amount"] == "148.00 EUR"
    assert answer.json()["entry"]["estimate"] == made["seq"]
    assert "above the cap" in answer.err
    again = command("approve", session, "--amount", "150", "--who", "X", "--how", "letter", "--json").json()
    assert again["entry"]["changes"] == answer.json()["seq"]
    assert "was not checked" in command("part", session, "in", "C31", "220u", "--type", "capacitor").err
    point = ("take", session, "new filter", "0.16", "--part", "C31", "--kind", "esr", "--farad", "220u")
    check = command(*point, "--rated-v", "50", "--lead-zero", "0", "--json").json()
    assert check["entry"]["verdict"] == "within-limit"
    assert check["entry"]["stage"] == "parts"
    done = command("part", session, "in", "C31", "220u", "--type", "capacitor", "--json")
    assert done.json()["entry"]["checked_by"] == check["seq"]
    assert done.json()["entry"]["series"] == "E3"
    assert "not checked" not in done.err
    bias = command(
        "adjust", session, "bias", "left", "--before", "3.1m", "--after", "12.4m", "--warm-min", "20"
    )
    assert "bias, left: within limit" in bias.out
    assert (
        "within limit"
        in command("final", session, "dc-offset", "-4m", "--channel", "left", "--relay-side", "amplifier").out
    )
    assert "no judgement" in command("final", session, "tap", "--channel", "left", "--seen", "no noise").out
    safety = (
        "safety",
        session,
        "touch-current",
        "0.1m",
        "--scheme",
        "de",
        "--tester",
        "Invented",
        "--u",
        "5e-6",
    )
    assert "recorded only" in command(*safety).out
    due = ("--instrument", "tester", "--calibration-due", "2999-01-31")
    assert command(*safety, *due, "--json").json()["entry"]["verdict"] == "within-limit"
    ended = command("end", session, "--as", "repaired")
    assert ended.code == 5
    assert "the unit was not brought up" in ended.err
    assert "fuse fitted T6.3AL250V" in ended.err
    done = command("end", session, "--as", "repaired", "--reason", "brought up at the customer's", "--json")
    assert "the unit was not brought up" in done.json()["entry"]["asked"]
    again = command("end", session, "--as", "declined", "--reason", "no")
    assert again.code == 2
    assert "ended already as repaired" in command("end", session, "--as", "declined").err
    assert command("jobs", "--folder", tmp_path, "--json").json()["jobs"][0]["waits_for"] == ""
    shown = command("show", session).out
    for words in (
        "first look: dust",
        "estimate: 148.00 EUR",
        "final check: dc offset, left: -4 mV",
        "safety:",
    ):
        assert words in shown
    assert verify(session).ok


def test_a_part_before_the_customer_agreed_is_remarked(session: Path) -> None:
    ordered = ("part", session, "ordered", "Q1", "npn power")
    assert "No answer of the customer" in command(*ordered).err
    command("estimate", session, "labour=90")
    assert "no answer yet" in command(*ordered).err
    answer = command("approve", session, "--who", "X", "--how", "letter", "--declined")
    assert answer.out.startswith("Declined: 90.00 EUR by X, letter, to the estimate of entry 3.")
    assert "The customer declined (entry 5)." in command(*ordered).err
    command("approve", session, "--who", "X", "--how", "letter")
    assert "note:" not in command(*ordered).err


def test_show_marks_what_does_not_count_and_names_channel_and_way(session: Path) -> None:
    junction = ("take", session, "Q1 B-E", "0.61", "--kind", "junction", "--polarity", "forward")
    command(*junction, "--device", "bipolar", "--group", "left", "--out-of-circuit")
    command("note", session, "--corrects", "2", "--void", "wrong pins")
    shown = command("show", session).out
    assert "Q1 B-E, left, forward: 610 mV (" in shown
    assert ") [does not count, by entry 3]" in shown
    assert "entry 2 does not count: wrong pins" in shown


def test_photographs_and_corrections(session: Path, tmp_path: Path) -> None:
    folder = tmp_path / "telephone"
    folder.mkdir()
    for name, colour in (("a.jpg", 10), ("b.png", 200)):
        Image.new("RGB", (60, 40), (colour, 90, 90)).save(folder / name)
    (folder / "c.jpg").write_text("no picture", encoding="utf-8")
    done = command(
        "note", session, "left board", "--photo", folder / "a.jpg", "--part", "C31", "--strip", "--json"
    )
    assert done.json()["entries"][0]["part"] == "C31"
    assert "data" not in done.out or done.json()["entries"][0]["data"] == ""
    done = command("note", session, "--photos-from", folder, "--json")
    assert done.code == 2
    assert "c.jpg is no photograph" in done.err
    assert [e["name"] for e in done.json()["entries"]] == ["b.png"]
    (folder / "c.jpg").unlink()
    assert "No new photograph" in command("note", session, "--photos-from", folder).err
    assert command("note", session, "--corrects", "2", "other unit", "--void").code == 0
    assert command("note", session, "--corrects", "99", "x").code == 2
    assert command("note", session, "--corrects", "1", "x", "--void").code == 2
    assert "photograph: left board (C31), 60 × 40" in command("show", session).out
    out = tmp_path / "pictures"
    assert command("export", session, "--photographs", out).code == 0
    names = sorted(path.name for path in out.iterdir())
    assert names == ["photograph-0002.jpg", "photograph-0003.png"]
    assert (out / "photograph-0003.png").read_bytes() == (folder / "b.png").read_bytes()
    copy = tmp_path / "copy.benchlog"
    assert command("export", session, "--without-customer", copy).code == 0
    assert verify(copy).withheld == (1, 2, 3, 4)


@pytest.mark.parametrize(
    "words",
    [
        ("note",), ("note", "--void"), ("note", "x", "--corrects", "99"), ("note", "--photo", "README.md"),
        ("look",), ("look", "--fuse-fitted", "teapot"), ("look", "--selector-v", "-5"),
        ("estimate", "labour"), ("estimate", "labour=x"), ("estimate",),
        ("approve", "--who", "X", "--how", "telephone"),
        ("approve", "--who", " ", "--how", " ", "--amount", "5"),
        ("part", "in", "R1", " "), ("part", "in", " ", "4K7"),
        ("part", "in", "R1", "472", "--type", "resistor"),
        ("part", "in", "R1", "4u7", "--type", "resistor"), ("part", "in", "C1", "22", "--type", "capacitor"),
        ("part", "in", "R1", "4K6", "--type", "resistor"), ("part", "in", "R1", "4K7", "--quantity", "0"),
        ("part", "sideways", "R1", "4K7"),
        ("adjust", "bias", "left"), ("adjust", "bias", " ", "--after", "10m"),
        ("adjust", "bias", "left", "--after", "10k"), ("adjust", "bias", "left", "--after", "OL"),
        ("final", "dc-offset"), ("final", "signal", "3"), ("final", "rails", "41", "--second", "41"),
        ("final", "dc-offset", "4m", "--relay-side", "moon"), ("final", "heat", "hot"),
        ("final", "output-into-load", "20", "--load-ohm", "0"), ("final", "ripple", "teapot"),
        ("safety", "earth-ohms", "0.1", "--scheme", "atlantis", "--tester", "X", "--protection", "i"),
        ("safety", "earth-ohms", "0.1", "--scheme", "de", "--tester", " ", "--protection", "i"),
        ("safety", "earth-ohms", "x", "--scheme", "de", "--tester", "X", "--protection", "i"),
        ("safety", "earth-ohms", "0.1", "--scheme", "de", "--tester", "X", "--calibration-due", "soon",
         "--protection", "i"),
        ("take", "C1", "0.3", "--kind", "ohms", "--check", "capacitor", "--out-of-circuit"),
        ("take", "C1", "5 V", "--kind", "esr"), ("take", "C1", "99999", "--kind", "junction"),
    ],
)  # fmt: skip
def test_wrong_words_are_told_and_nothing_is_lost(session: Path, words: tuple[str, ...]) -> None:
    before = command("show", session, "--json").out
    done = command(words[0], session, *words[1:])
    assert done.code in (1, 2), (done.code, done.err)
    assert done.code == 2 or words[0] == "note"
    assert "fault in the program" not in done.err
    assert command("show", session, "--json").out == before


def test_a_settings_file_that_is_broken_does_not_stop_work(session: Path, tmp_path: Path) -> None:
    (tmp_path / "config" / "settings.toml").write_text("paper = 3", encoding="utf-8")
    done = command("note", session, "still working")
    assert done.code == 0
    assert "Going on without settings" in done.err


def test_references_are_the_finished_ones_and_are_found_by_their_number(
    session: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert command("jobs", "--folder", tmp_path, "--references", "--json").json()["jobs"] == []
    shutil.copy(SAMPLES / "repaired.benchlog", tmp_path)
    monkeypatch.setattr("benchlog.cli.reference.sessions_folder", lambda: tmp_path)
    found = command("jobs", "--folder", tmp_path, "--references", "--json").json()["jobs"]
    assert [job["number"] for job in found] == ["S-101"]
    assert load_reference(Path("S-101")) == load_reference(tmp_path / "repaired.benchlog")
    with pytest.raises(BenchlogError, match="S-999"):
        load_reference(Path("S-999"))
