"""Where sessions are kept and whether there is room."""

from collections import namedtuple
from pathlib import Path

import pytest
from session_strategies import WALL

from benchlog.model.errors import SessionFault
from benchlog.session import place


def test_sessions_are_kept_in_the_local_data_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(place.platformdirs, "user_data_path", lambda name, **_: tmp_path / name)
    folder = place.sessions_folder()
    assert folder == tmp_path / "benchlog" / "sessions"
    assert folder.is_dir()
    assert place.sessions_folder() == folder


def test_names_are_free_and_plain(tmp_path: Path) -> None:
    first = place.new_session_path(tmp_path, WALL, "../17: Ω/x")
    assert first == tmp_path / "2026-01-05-17-x.benchlog"
    first.touch()
    assert place.new_session_path(tmp_path, WALL, "17 x").name == "2026-01-05-17-x-2.benchlog"
    assert place.new_session_path(tmp_path, WALL).name == "2026-01-05-0900.benchlog"


def test_too_little_room_is_told_before_power(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    usage = namedtuple("usage", "free")
    monkeypatch.setattr(place.shutil, "disk_usage", lambda folder: usage(60_000_000))
    place.check_space(tmp_path / "a.benchlog", place.space_needed(10.0, 3600.0))
    with pytest.raises(SessionFault, match=r"60 MB free; this recording may need 223 MB. Make room"):
        place.check_space(tmp_path / "a.benchlog", place.space_needed(1000.0, 3600.0))
    with pytest.raises(SessionFault, match="There is no folder"):
        monkeypatch.undo()
        place.check_space(tmp_path / "no" / "a.benchlog", 1)
