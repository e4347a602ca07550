"""The sample sessions open, verify, and give their documents."""

import subprocess
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from line_commands import inline

SAMPLES = Path(__file__).resolve().parents[2] / "sample_sessions"
OUTCOMES = {"repaired": "completed", "rail-short": "cut-off", "runaway-on-soak": "cut-off"}


@pytest.mark.parametrize(("name", "outcome"), OUTCOMES.items())
def test_a_sample_opens_and_gives_its_document(name: str, outcome: str, tmp_path: Path) -> None:
    session = SAMPLES / f"{name}.benchlog"
    assert session.stat().st_size < 1_000_000
    assert inline("verify", session, "--json").json()["ok"] is True
    again = inline("rejudge", session, "--json").json()
    assert again["outcome"] == outcome
    assert again["simulated"] is True
    out = tmp_path / "sample.pdf"
    assert inline("document", session, "-o", out).code == 0
    text = subprocess.run(["pdftotext", str(out), "-"], capture_output=True, text=True, check=True).stdout
    assert "Simulated" in text
    assert "invented" in text.lower()
    shown = inline("show", session).out
    assert "Invented customer" in inline("show", session, "--json").out
    assert f"Job S-10{list(OUTCOMES).index(name) + 1}" in shown


def test_the_repaired_one_tells_the_story_of_its_fault() -> None:
    shown = inline("show", SAMPLES / "repaired.benchlog").out
    for words in (
        "first look: dust",
        "photograph: left board",
        "reservoir +: 38.2 V (outside limit)",
        "rail fuse +, left: open-leads (outside limit)",
        "output pin to + rail, left: 3.1 Ω (outside limit)",
        "C5 ESR, supply: 420 mΩ (outside limit)",
        "voice coil, left loudspeaker: 6.1 Ω (within limit)",
        "estimate: 172.00 EUR",
        "approved by",
        "part in at C5, C6",
        "adjustment: bias, left: 2.1 mV → 10.2 mV",
        "bring-up begun",
        "completed",
        "final check: dc offset, right: -6 mV",
        "safety: touch current",
        "job ended: repaired",
    ):
        assert words in shown, words


def test_its_readings_point_to_the_fault_before_the_repair_and_not_after(tmp_path: Path) -> None:
    repaired = SAMPLES / "repaired.benchlog"
    pairs = inline("point", repaired, "pairs", "--json").json()["pairs"]
    verdicts = {p["point"]["name"]: (p["before"]["verdict"], p["after"]["verdict"]) for p in pairs}
    assert verdicts["output pin to + rail"] == ("outside-limit", "within-limit")
    assert verdicts["emitter resistor R14"] == ("outside-limit", "within-limit")
    found = {f["name"] for f in inline("point", repaired, "findings", "--json").json()["findings"]}
    assert "output-device-shorted" not in found
    fitted = [
        e["payload"]
        for e in inline("show", repaired, "--json").json()["entries"]
        if e["payload"]["type"] == "part" and e["payload"]["direction"] == "in"
    ]
    assert len(fitted) == 4
    assert all(part["checked_by"] for part in fitted)


def test_the_declined_one_opens_and_gives_its_document(tmp_path: Path) -> None:
    session = SAMPLES / "declined.benchlog"
    assert inline("verify", session, "--json").json()["ok"] is True
    shown = inline("show", session).out
    for words in ("declined by", "155.00 above the cap", "job ended: declined", "fuse fitted T3.15AL250V"):
        assert words in shown, words
    found = {f["name"] for f in inline("point", session, "findings", "--json").json()["findings"]}
    assert {"output-device-shorted", "voice-coil-damaged", "wrong-fuse-fitted"} <= found
    out = tmp_path / "declined.pdf"
    assert inline("document", session, "-o", out).code == 0
    text = subprocess.run(["pdftotext", str(out), "-"], capture_output=True, text=True, check=True).stdout
    assert "declined" in text.lower()
    assert "invented" in text.lower()
