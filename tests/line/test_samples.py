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
        "output pin to + rail, left: 3.1 Ω",
        "part in",
        "approved by",
        "bring-up begun",
        "completed",
    ):
        assert words in shown, words
