"""Makes the fakes importable, and fails a test that leaves threads of the recorder behind."""

import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from recorder_stand import Stand

sys.path.append(str(Path(__file__).parent))


@pytest.fixture(autouse=True)
def _no_thread_left(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Iterator[None]:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    yield
    for _ in range(350):
        left = [t.name for t in threading.enumerate() if t.name.startswith("benchlog-")]
        if not left:
            return
        time.sleep(0.02)
    raise AssertionError(f"threads left behind: {left}")


@pytest.fixture
def stand(tmp_path: Path) -> Iterator["Stand"]:
    from recorder_fakes import SmallWatch, SourceServer
    from recorder_stand import Stand

    server = SourceServer()
    yield Stand(tmp_path / "unit.benchlog", server, SmallWatch())
    server.close()
