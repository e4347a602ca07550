"""A photograph of the greatest size goes through the recorder that holds its session, by both ways in."""

from pathlib import Path

import pytest

from benchlog.job.photograph import MOST_STORED
from benchlog.model.history import Payload
from benchlog.model.protocol import EntryAdded, encode
from benchlog.model.work import Photographed
from benchlog.recorder import window
from benchlog.recorder.control import Control, send_entry
from benchlog.recorder.switchboard import ENTRIES

PHOTOGRAPH = Photographed("IMG 1", "image/jpeg", 4000, 3000, "0" * 64, bytes(MOST_STORED))


def test_a_photograph_of_the_greatest_size_is_taken(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("platformdirs.user_state_dir", lambda *_, **__: str(tmp_path))
    session = tmp_path / "job.benchlog"
    entered: list[Payload] = []

    def enter(payload: Payload) -> int:
        entered.append(payload)
        return 7

    control = Control(session, enter, lambda _: None, lambda name, error: pytest.fail(f"{name}: {error}"))
    control.start()
    try:
        assert send_entry(session, PHOTOGRAPH) == 7
    finally:
        control.stop()
    assert entered == [PHOTOGRAPH]
    assert isinstance(PHOTOGRAPH, ENTRIES)
    assert len(encode(EntryAdded(PHOTOGRAPH))) < window.MOST_LINE
