"""The spreadsheet and the waveform file, read back without the libraries that wrote them."""

import math
import zipfile
from pathlib import Path

import msgspec
import numpy as np
import pytest
from session_strategies import CURRENT, FORMULAS, HEATSINK, JOB, MARKUP, WALL, make, measured
from xlsx_reading import sheets

from benchlog.exchange.sessionxlsx import CUT, MOST_IN_CELL, export_xlsx, split_sheets
from benchlog.exchange.wavenpz import export_npz, read_npz
from benchlog.model.errors import SessionFault, UsageError
from benchlog.model.history import Noted
from benchlog.model.job import Customer
from benchlog.model.reading import Status, Unusable
from benchlog.session.copying import withhold
from benchlog.session.reader import SessionReader
from benchlog.session.writer import SessionWriter

TEXTS = (*FORMULAS, *MARKUP, "a\x07b", "_x0041_", "http://example.invalid/", "12", "😀 שלום")


@pytest.fixture
def session(tmp_path: Path) -> Path:
    job = msgspec.structs.replace(JOB, customer=Customer("=cmd()"))
    writer = SessionWriter.create(tmp_path / "a.benchlog", job, WALL)
    values = (0.1, -0.25, 1e-9, math.pi, 1 / 3, 12345.678901234567)
    writer.add_readings([measured(CURRENT, v, 100_000 * (k + 1)) for k, v in enumerate(values)])
    writer.add_readings([(Unusable(CURRENT, Status.OVERLOAD, 880_000, 900_000), 900_009)])
    writer.add_readings([measured(HEATSINK, 31.5, 950_000)])
    for text in TEXTS:
        writer.add_entry(Noted(text), 960_000, WALL)
    writer.add_entry(Noted("x" * 40_000), 960_000, WALL)
    assert writer.close()
    return writer.path


def test_a_spreadsheet_reads_back(session: Path, tmp_path: Path) -> None:
    with SessionReader(session) as reader:
        names = export_xlsx(reader, tmp_path / "a.xlsx")
        found = sheets(tmp_path / "a.xlsx")
        assert tuple(found) == names == ("session", "history", "source-current", "heatsink")
        rows = found["source-current"]
        for row, (_, reading) in zip(rows, reader.each(CURRENT), strict=True):
            value = getattr(reading, "value", None)
            assert row.get("source_current_a") == (None if value is None else pytest.approx(value, rel=1e-15))
            assert row["t_s"] == (reading.start_us + reading.end_us) / 2e6
        assert [row["status"] for row in rows] == ["valid"] * 6 + ["overload"]
        assert rows[0]["time"] == "2026-01-05T09:00:00.090000-05:00"
        texts = [row.get("text", "").replace("\r\n", "\n") for row in found["history"][1:-1]]
        assert texts == [t.replace("\r\n", "\n") for t in TEXTS]
        assert {row["what"]: row.get("value") for row in found["session"]}["customer"] == "=cmd()"
        assert {row["what"]: row.get("value") for row in found["session"]}[
            "head of the chain"
        ] == reader.head()


def test_what_no_cell_holds_is_cut_visibly(session: Path, tmp_path: Path) -> None:
    with SessionReader(session) as reader:
        export_xlsx(reader, tmp_path / "a.xlsx")
    last = sheets(tmp_path / "a.xlsx")["history"][-1]
    assert len(last["text"]) == MOST_IN_CELL
    assert last["text"].endswith(CUT)


def test_each_channel_has_a_chart_of_its_readings(session: Path, tmp_path: Path) -> None:
    with SessionReader(session) as reader:
        export_xlsx(reader, tmp_path / "a.xlsx")
    with zipfile.ZipFile(tmp_path / "a.xlsx") as archive:
        charts = [archive.read(n).decode() for n in archive.namelist() if n.startswith("xl/charts/chart")]
    assert len(charts) == 2
    assert "'source-current'!$B$2:$B$8" in charts[0]
    assert "'source-current'!$C$2:$C$8" in charts[0]


def test_more_readings_than_a_sheet_has_rows(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("benchlog.exchange.sessionxlsx.MOST_ROWS", 40)
    with SessionReader(make(tmp_path / "a.benchlog")) as reader:
        names = export_xlsx(reader, tmp_path / "a.xlsx")
    assert names[2:5] == ("source-current", "source-current 2", "source-current 3")
    assert [len(rows) for rows in sheets(tmp_path / "a.xlsx").values()][2:5] == [40, 40, 20]


def test_of_many_readings_the_chart_is_a_curve_that_keeps_its_spike(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("benchlog.exchange.sessionxlsx.MOST_IN_CHART", 500)
    monkeypatch.setattr("benchlog.exchange.sessionxlsx.CURVE_POINTS", 60)
    writer = SessionWriter.create(tmp_path / "a.benchlog", JOB, WALL)
    values = [40.0 if k == 1777 else 0.1 + 0.001 * (k % 7) for k in range(3000)]
    writer.add_readings([measured(CURRENT, v, 100_000 * (k + 1)) for k, v in enumerate(values)])
    assert writer.close()
    with SessionReader(writer.path) as reader:
        assert export_xlsx(reader, tmp_path / "a.xlsx")[2:] == ("source-current", "source-current curve")
    found = sheets(tmp_path / "a.xlsx")
    assert len(found["source-current"]) == 3000
    curve = found["source-current curve"]
    assert len(curve) <= 60
    assert max(curve, key=lambda row: row["source_current_a"])["t_s"] == pytest.approx(177.8, abs=0.02)
    assert max(row["source_current_a"] for row in curve) == 40.0
    with zipfile.ZipFile(tmp_path / "a.xlsx") as archive:
        charts = [archive.read(n).decode() for n in archive.namelist() if n.startswith("xl/charts/chart")]
    assert len(charts) == 1
    assert f"'source-current curve'!$C$2:$C${len(curve) + 1}" in charts[0]


def test_what_is_said_of_more_readings_than_a_sheet_has_rows() -> None:
    assert split_sheets({"source-current": 1_000_000}) == ()
    (said,) = split_sheets({"source-current": 2_000_001, "inlet-voltage": 5})
    assert said == "source-current: 2000001 readings are on 3 sheets, as a sheet ends at 1 048 576 rows"


def test_a_withheld_copy(tmp_path: Path) -> None:
    withhold(make(tmp_path / "a.benchlog"), tmp_path / "b.benchlog")
    with SessionReader(tmp_path / "b.benchlog") as reader:
        export_xlsx(reader, tmp_path / "a.xlsx")
    assert b"Invented" not in zipfile.ZipFile(tmp_path / "a.xlsx").read("xl/worksheets/sheet1.xml")


def test_waveforms_as_arrays(tmp_path: Path) -> None:
    with SessionReader(make(tmp_path / "a.benchlog")) as reader:
        assert export_npz(reader, tmp_path / "a.npz") == 1
        wave = reader.wave(1)
        ((got, note),) = read_npz(tmp_path / "a.npz")
    assert np.array_equal(got.v_v, wave.v_v)
    assert np.array_equal(got.i_a, wave.i_a)
    assert (got.rate_hz, got.start_us, note) == (wave.rate_hz, wave.start_us, "inrush")


def test_what_can_not_be_written_or_read(tmp_path: Path) -> None:
    with SessionReader(make(tmp_path / "a.benchlog")) as reader:
        for export in (export_xlsx, export_npz):
            with pytest.raises(SessionFault):
                export(reader, tmp_path / "none" / "a")
    (tmp_path / "x.npz").write_bytes(b"PK\x03\x04 nothing")
    with pytest.raises(UsageError):
        read_npz(tmp_path / "x.npz")
