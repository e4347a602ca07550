"""Makes the fakes importable, and fails a test that leaves threads of the recorder behind."""

import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

sys.path.append(str(Path(__file__).parent))


@pytest.fixture(autouse=True)
def _no_thread_left(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Iterator[None]:
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path / "runtime"))
    yield
    for _ in range(100):
        left = [t.name for t in threading.enumerate() if t.name.startswith("benchlog-")]
        left = [name for name in left if name not in {"benchlog-terminal", "benchlog-standby-start"}]
        if not left:
            return
        time.sleep(0.02)
    raise AssertionError(f"threads left behind: {left}")
