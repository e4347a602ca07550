"""Exports read in again: the same history, readings and waveforms, with a chain of its own that holds."""

from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
from report_sessions import whole_job
from session_strategies import JOB, WALL, fill, make

from benchlog.cli.main import main
from benchlog.exchange.sessioncsv import export_csv
from benchlog.exchange.sessionimport import import_csv, import_json
from benchlog.exchange.sessionjson import export_json
from benchlog.model.clock import Anchor
from benchlog.model.errors import SessionFault, UsageError
from benchlog.model.history import Noted
from benchlog.session.copying import withhold
from benchlog.session.reader import SessionReader
from benchlog.session.verification import verify
from benchlog.session.writer import SessionWriter

NOW = datetime.fromisoformat("2026-02-01T10:00:00+01:00")


def same(before: SessionReader, after: SessionReader) -> None:
    assert after.entries()[:-1] == before.entries()
    assert set(after.channels()) == set(before.channels())
    for channel in before.channels():
        assert list(after.each(channel)) == list(before.each(channel))
        for t_us in (0, 5_000_000):
            assert after.wall_at(t_us) == before.wall_at(t_us)
    assert len(after.waves()) == len(before.waves())
    for one, two in zip(before.waves(), after.waves(), strict=True):
        a, b = before.wave(one.number), after.wave(two.number)
        assert np.array_equal(a.v_v, b.v_v, equal_nan=True)
        assert np.array_equal(a.i_a, b.i_a, equal_nan=True)
        assert b.rate_hz == pytest.approx(a.rate_hz)
        assert a.start_us == b.start_us


def test_json_reads_in(tmp_path: Path) -> None:
    with SessionReader(make(tmp_path / "a.benchlog", 300)) as before:
        export_json(before, tmp_path / "a.json")
        made = import_json(tmp_path / "a.json", tmp_path / "b.benchlog", NOW)
        assert (made.entries, made.readings, made.waveforms) == (len(before.entries()), 600, 1)
        with SessionReader(tmp_path / "b.benchlog") as after:
            same(before, after)
            note = after.entries()[-1]
            assert isinstance(note.payload, Noted)
            assert before.head() in note.payload.text
            assert note.wall == NOW
            assert after.invented
    assert verify(tmp_path / "b.benchlog").ok


def test_a_folder_of_csv_reads_in(tmp_path: Path) -> None:
    with SessionReader(make(tmp_path / "a.benchlog", 300)) as before:
        export_csv(before, tmp_path / "csv", bom=True)
        import_csv([tmp_path / "csv"], tmp_path / "b.benchlog", NOW)
        with SessionReader(tmp_path / "b.benchlog") as after:
            same(before, after)
    assert verify(tmp_path / "b.benchlog").ok


@pytest.mark.parametrize("form", ["json", "csv"])
def test_a_whole_job_reads_in(tmp_path: Path, form: str) -> None:
    """Photographs, estimate, adjustments, final checks and safety figures are the same afterwards."""
    with SessionReader(whole_job(tmp_path / "a.benchlog", photographs=2)) as before:
        if form == "json":
            export_json(before, tmp_path / "a.json")
            import_json(tmp_path / "a.json", tmp_path / "b.benchlog", NOW)
        else:
            export_csv(before, tmp_path / "csv")
            import_csv([tmp_path / "csv"], tmp_path / "b.benchlog", NOW)
        with SessionReader(tmp_path / "b.benchlog") as after:
            same(before, after)
            assert [e.payload for e in after.photographs()] == [e.payload for e in before.photographs()]
    assert verify(tmp_path / "b.benchlog").ok


def test_readings_alone_read_in(tmp_path: Path) -> None:
    with SessionReader(make(tmp_path / "a.benchlog", 30)) as before:
        path = export_csv(before, tmp_path / "csv")[1]
        import_csv([path], tmp_path / "b.benchlog", NOW)
        with SessionReader(tmp_path / "b.benchlog") as after:
            (channel,) = after.channels()
            assert list(after.each(channel)) == list(before.each(channel))


def test_time_scales_are_kept(tmp_path: Path) -> None:
    writer = SessionWriter.create(tmp_path / "a.benchlog", JOB, WALL)
    fill(writer, 20)
    writer.add_anchor(Anchor(4_000_000, WALL), scale=20.0)
    assert writer.close()
    with SessionReader(tmp_path / "a.benchlog") as before:
        export_json(before, tmp_path / "a.json")
        import_json(tmp_path / "a.json", tmp_path / "b.benchlog", NOW)
        with SessionReader(tmp_path / "b.benchlog") as after:
            assert after.anchors == before.anchors


def test_withheld_entries_leave_a_note_and_keep_the_numbers(tmp_path: Path) -> None:
    withhold(make(tmp_path / "a.benchlog"), tmp_path / "w.benchlog")
    with SessionReader(tmp_path / "w.benchlog") as before:
        export_json(before, tmp_path / "a.json")
        count = len(before.entries())
    import_json(tmp_path / "a.json", tmp_path / "b.benchlog", NOW)
    with SessionReader(tmp_path / "b.benchlog") as after:
        texts = [e.payload.text for e in after.entries() if isinstance(e.payload, Noted)]
        assert sum("was withheld" in text for text in texts) == count
        assert after.invented


def test_the_command(tmp_path: Path, capfdbinary: pytest.CaptureFixture[bytes]) -> None:
    session = make(tmp_path / "a.benchlog", 30)
    assert main(["export", str(session), "--json", str(tmp_path / "a.json")]) == 0
    words = ["import", str(tmp_path / "a.json"), "-o", str(tmp_path / "b.benchlog")]
    assert main([*words, "--json"]) == 0
    assert b'"readings": 60' in capfdbinary.readouterr().out
    assert main(words) == 1
    assert b"exists already" in capfdbinary.readouterr().err


def test_what_can_not_be_read_in_leaves_nothing_behind(tmp_path: Path) -> None:
    out = tmp_path / "b.benchlog"
    with SessionReader(make(tmp_path / "a.benchlog", 30)) as reader:
        path = export_csv(reader, tmp_path / "csv")[1]
    path.write_bytes(path.read_bytes().replace(b'"valid"', b'"odd"', 1))
    (tmp_path / "letter.csv").write_text("dear,customer\n1,2\n", encoding="utf-8")
    (tmp_path / "empty").mkdir()
    for paths in ([path], [tmp_path / "letter.csv"], [tmp_path / "empty"], [tmp_path / "none.csv"]):
        with pytest.raises(UsageError):
            import_csv(paths, out, NOW)
        assert not list(tmp_path.glob("b.benchlog*"))
    with pytest.raises(SessionFault):
        import_csv([tmp_path / "csv" / "history.csv"], tmp_path / "none" / "b.benchlog", NOW)
