"""Settings of the whole suite, and quiet for tests of time where several processes run it.

Tests marked ``alone`` hold promises in real time against a machine of two cores: with ``-n 2`` the other
process waits while one of them runs.
"""

import os
import sys
from collections.abc import Generator, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from hypothesis import settings

settings.register_profile("suite", derandomize=True, deadline=None)
settings.register_profile("hunt", deadline=None, max_examples=2000, print_blob=True)
settings.load_profile("suite")

GATE, ROOM = Path(__file__), Path(__file__).parent / "house"
"""What the processes of one run lock among themselves; nothing is written there."""


@pytest.hookimpl(wrapper=True, tryfirst=True)
def pytest_runtest_protocol(item: pytest.Item) -> Generator[None, object, object]:
    """Hold the others up for a test that wants to be alone, its fixtures of any scope included."""
    if "PYTEST_XDIST_WORKER" not in os.environ or sys.platform == "win32":
        return (yield)
    with _turn(item.get_closest_marker("alone") is not None):
        return (yield)


@contextmanager
def _turn(alone: bool) -> Iterator[None]:
    """Everyone passes the gate; who wants to be alone stays in it, so that nobody overtakes."""
    import fcntl

    gate, room = (os.open(path, os.O_RDONLY) for path in (GATE, ROOM))
    try:
        fcntl.flock(gate, fcntl.LOCK_EX)
        fcntl.flock(room, fcntl.LOCK_EX if alone else fcntl.LOCK_SH)
        if not alone:
            fcntl.flock(gate, fcntl.LOCK_UN)
        yield
    finally:
        os.close(room)
        os.close(gate)
