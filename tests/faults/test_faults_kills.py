"""A sample of the kills of `kills.py` on the real line; the command runs all and writes the report."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from kills import run_row

pytestmark = pytest.mark.alone


@pytest.mark.parametrize("name", ["recorder killed (-9)", "source connection closed"])
def test_a_part_is_killed_in_mid_step(name: str) -> None:
    row = run_row(name)
    assert row["within"], row
    assert row["message"] != "NO MESSAGE"
