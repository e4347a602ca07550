"""A sample of `unplug.py`: instruments that go during a bring-up and come back; the command runs all."""

import sys
from pathlib import Path

import pytest

pytest.importorskip("termios")
sys.path.insert(0, str(Path(__file__).parent))

from unplug import run_row

pytestmark = pytest.mark.alone


@pytest.mark.parametrize("name", ["another meter comes back", "source comes back switched off"])
def test_an_instrument_goes_and_comes_back(name: str) -> None:
    row = run_row(name)
    assert not row["faults"], row
