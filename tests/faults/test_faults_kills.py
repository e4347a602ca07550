"""A sample of the kills of `kills.py` on the real line; the command runs all and writes the report."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from kills import run_row
from thousand_kills import bad, one

pytestmark = pytest.mark.alone


@pytest.mark.parametrize("name", ["recorder killed (-9)", "source connection closed"])
def test_a_part_is_killed_in_mid_step(name: str) -> None:
    row = run_row(name)
    assert row["within"], row
    assert row["message"] != "NO MESSAGE"


@pytest.mark.parametrize("number", [1, 2, 3])
def test_a_command_killed_at_a_random_instant_loses_nothing_that_was_stored(number: int) -> None:
    row = one((number, "command", 2026))
    assert not bad(row), row
