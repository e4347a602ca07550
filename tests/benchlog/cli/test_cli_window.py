"""The window's command where none can be shown."""

from pathlib import Path

import pytest
from inline_commands import command


def test_without_a_display_no_job_is_begun(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setattr("sys.platform", "linux")
    session = tmp_path / "job.benchlog"
    done = command("open", session, "--no-bench")
    assert done.code == 1
    assert "no job was begun" in done.err
    assert not session.exists()
