"""The whole line, each part in a process of its own: simulated bench, recorder, standby, commands, document.

Four of the named cells of `cells.py` run here over real transports; the campaign runs all of them.
"""

import json
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from cells import Cell, demands
from line_commands import command

pytestmark = pytest.mark.alone

SCALE = 40.0
CELLS = [
    Cell("none", 120, "bench", "programmed"),
    Cell("rail-short", 230, "bench", "programmed"),
    Cell("shorted-device", 120, "bench", "programmed"),
    Cell("shorted-rectifier", 120, "handheld", "hand-set"),
]
KEYS = {
    "outcome", "reason", "cut_off_at_fraction", "cut_off_step_fraction", "simulated", "unit", "mains_v",
    "steps", "not_judged", "not_tested", "fault_patterns", "events", "warnings", "session", "document",
}  # fmt: skip
STEP_KEYS = {
    "set_v", "measured_v", "inrush_a", "inrush_is_lower_bound", "idle_a", "idle_u_a", "acceptance_a",
    "acceptance_source", "stop_a", "stop_source",
    "verdict", "decided_by", "decision_reason",
    "settled_after_s", "forecast_next_a",
}  # fmt: skip
FORBIDDEN = re.compile(r"\b(healthy|safe|passed|ok)\b", re.IGNORECASE)


@pytest.fixture(scope="module", params=CELLS, ids=lambda cell: cell.name)
def rehearsed(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> tuple[Cell, Any, int]:
    """One rehearsal and what it reported."""
    cell: Cell = request.param
    out = tmp_path_factory.mktemp("cell")
    done = command("rehearse", *cell.words(SCALE, 1), "--out", out)
    assert done.out, done.err
    return cell, done.json(), done.code


def test_a_cell_takes_its_course(rehearsed: tuple[Cell, Any, int]) -> None:
    cell, report, code = rehearsed
    assert demands(cell, report, code) == []


def test_the_report_has_its_keys(rehearsed: tuple[Cell, Any, int]) -> None:
    _, report, _ = rehearsed
    assert set(report) >= KEYS
    assert all(set(step) >= STEP_KEYS for step in report["steps"])
    assert all(set(event) == {"t_s", "event", "step", "verdict", "reason"} for event in report["events"])


def test_judged_again_it_takes_the_same_course_at_any_tick(rehearsed: tuple[Cell, Any, int]) -> None:
    _, report, code = rehearsed
    again = [command("rejudge", report["session"], "--tick-ms", tick, "--json") for tick in ("20", "730")]
    for done in again:
        judged = done.json()
        assert done.code == code
        assert judged["warnings"] == []
        for key in (
            "outcome",
            "reason",
            "steps",
            "events",
            "cut_off_at_fraction",
            "not_judged",
            "not_tested",
        ):
            assert judged[key] == report[key], key


def test_the_session_verifies_and_shows(rehearsed: tuple[Cell, Any, int]) -> None:
    _, report, _ = rehearsed
    verified = command("verify", report["session"], "--json")
    assert verified.code == 0
    found = verified.json()
    assert found["ok"] is True
    assert found["faults"] == []
    shown = command("show", report["session"])
    assert found["head"] in shown.out


def test_the_document_claims_no_more_than_was_seen(rehearsed: tuple[Cell, Any, int]) -> None:
    _, report, _ = rehearsed
    pages = subprocess.run(
        ["pdftotext", "-layout", report["document"], "-"], capture_output=True, text=True, check=True
    ).stdout.split("\f")
    text = "\n".join(pages)
    cautions = text.index("Cautions")
    assert not FORBIDDEN.search(text[:cautions])
    assert "Not tested" in pages[0]
    assert re.sub(r"\s+", " ", report["reason"].removeprefix("Cut off. "))[:40] in re.sub(
        r"\s+", " ", pages[0]
    ) or (report["outcome"] == "completed" and "bring-up was completed" in pages[0])
    for page in pages[:-1]:
        assert "Simulated" in page
    assert json.dumps(report["document"])
