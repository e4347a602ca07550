"""What is exported reads back to the same values."""

import csv
import json
import re
from datetime import datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

import jsonschema
import msgspec
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from session_strategies import (
    CURRENT,
    FORMULAS,
    HEATSINK,
    JOB,
    VOLTAGE,
    WALL,
    Sitting,
    later,
    make,
    measured,
    sittings,
)

from benchlog.exchange.historycsv import HEADER, read_history
from benchlog.exchange.isotime import iso_times
from benchlog.exchange.readingscsv import header_of, read_readings, readings_file_name
from benchlog.exchange.sessioncsv import export_csv
from benchlog.exchange.sessionjson import (
    entries_of,
    export_json,
    make_schema,
    read_json,
    readings_of,
    schema_text,
    wave_of,
)
from benchlog.exchange.wavecsv import read_waveform
from benchlog.model.clock import Anchor
from benchlog.model.errors import SessionFault, UsageError
from benchlog.model.history import Noted
from benchlog.model.reading import Reading, Setting, Status, Unusable
from benchlog.model.wave import Waveform
from benchlog.session.copying import withhold
from benchlog.session.reader import SessionReader
from benchlog.session.timeaxis import wall_of
from benchlog.session.writer import SessionWriter

VALIDATOR = jsonschema.Draft202012Validator(
    json.loads(schema_text()), format_checker=jsonschema.Draft202012Validator.FORMAT_CHECKER
)
"""An independent reader of JSON Schema 2020-12, with the schema as it is shipped."""


def session_of(sitting: Sitting, path: Path) -> Path:
    writer = SessionWriter.create(path, JOB, WALL)
    start = 0
    for readings, payloads, waves in sitting.commits:
        writer.add_readings(later(readings, start))
        start = max([start, *(told + start for _, told in readings)]) + 1_000_000
        for payload in payloads:
            writer.add_entry(payload, start, WALL + timedelta(microseconds=start))
        for wave in waves:
            writer.add_wave(wave, "=note")
        writer.add_anchor(Anchor(start, WALL + timedelta(microseconds=start + 7)))
    assert writer.close()
    return path


@given(sittings)
@settings(max_examples=15, deadline=None, suppress_health_check=list(HealthCheck))
def test_csv_and_json_read_back_to_the_same_values(sitting: Sitting) -> None:
    with TemporaryDirectory() as name:
        folder = Path(name)
        with SessionReader(session_of(sitting, folder / "a.benchlog")) as reader:
            bom = len(sitting.commits) % 2 == 0
            made = export_csv(reader, folder / "csv", bom=bom)
            export_json(reader, folder / "a.json")
            exported = read_json(folder / "a.json")
            VALIDATOR.validate(json.loads((folder / "a.json").read_bytes()))
            assert tuple(read_history(made[0])) == reader.entries() == entries_of(exported)
            channels = reader.channels()
            assert len(made) == 1 + len(channels) + len(reader.waves())
            for channel, path, back in zip(channels, made[1:], exported.channels, strict=False):
                wanted = [(reading, told) for told, reading in reader.each(channel)]
                assert list(read_readings(path)) == wanted
                assert list(readings_of(back)) == wanted
                assert path.read_bytes().startswith(b"\xef\xbb\xbf") is bom
            for record, wave_back in zip(reader.waves(), exported.waveforms, strict=True):
                wave, got = reader.wave(record.number), wave_of(wave_back)
                assert np.array_equal(got.v_v, wave.v_v)
                assert np.array_equal(got.i_a, wave.i_a)
                assert (got.rate_hz, got.start_us, wave_back.note) == (
                    wave.rate_hz,
                    wave.start_us,
                    record.note,
                )


@pytest.fixture
def reader(tmp_path: Path) -> SessionReader:
    writer = SessionWriter.create(tmp_path / "a.benchlog", JOB, WALL)
    writer.add_readings([measured(CURRENT, -0.25, 100_000), measured(CURRENT, 1e-9, 200_000)])
    writer.add_readings(
        [(Unusable(CURRENT, Status.OVERLOAD, 280_000, 300_001, Setting(note="=now()")), 300_009)]
    )
    writer.add_readings([measured(HEATSINK, 31.5, 400_000)])
    for formula in FORMULAS:
        writer.add_entry(Noted(formula, by=formula), 500_000, WALL)
    writer.add_wave(Waveform(np.array([1.0, -2.0, np.nan]), np.array([0.0, 0.5, 1.0]), 20_000.0, 250_000))
    assert writer.close()
    return SessionReader(tmp_path / "a.benchlog")


def test_csv_is_as_the_standard_has_it(reader: SessionReader, tmp_path: Path) -> None:
    # RFC 4180, section 2: lines end in CR LF (1), a header line (3), as many fields a line (4), quotes (5-7).
    history, current, heatsink, wave = export_csv(reader, tmp_path / "csv")
    assert current.name == readings_file_name(CURRENT) == "readings-source-current-ac-current-clamp-meter.csv"
    assert heatsink.name == "readings-heatsink-temperature-probe.csv"
    text = current.read_bytes().decode()
    assert text.count("\r\n") == text.count("\n") == 4
    lines = text.split("\r\n")
    assert lines[0] == ",".join(f'"{name}"' for name in header_of(CURRENT))
    assert lines[0].startswith('"time","t_s","source_current_a","status"')
    assert all(name.isascii() and re.fullmatch(r"[a-z_]+", name) for name in header_of(HEATSINK))
    assert lines[1].startswith('"2026-01-05T09:00:00.090000-05:00",0.09,-0.25,"valid",0.08,0.1,0.1015,10.0,')
    assert lines[3].startswith('"2026-01-05T09:00:00.290001-05:00",0.290001,"","overload",')
    assert '"\'=now()"' in lines[3]
    with history.open(encoding="utf-8", newline="") as file:
        rows = list(csv.reader(file))
    assert tuple(rows[0]) == HEADER
    assert {len(row) for row in rows} == {len(HEADER)}
    assert wave.read_bytes() == b'"t_s","v_v","i_a"\r\n0.25,1.0,0.0\r\n0.25005,-2.0,0.5\r\n0.2501,nan,1.0\r\n'
    reader.close()


def test_no_cell_of_free_text_is_a_formula(reader: SessionReader, tmp_path: Path) -> None:
    for path in export_csv(reader, tmp_path / "csv"):
        with path.open(encoding="utf-8", newline="") as file:
            for row in csv.DictReader(file):
                for name, cell in row.items():
                    risky = cell.lstrip().startswith(("=", "+", "@", "-", "＝")) or cell[:1] in ("\t", "\r")
                    assert not risky or float(cell) < 0, (path.name, name, cell)
    reader.close()


def test_a_waveform_reads_back_by_the_reader_of_waveforms(tmp_path: Path) -> None:
    path = make(tmp_path / "a.benchlog", 5)
    with SessionReader(path) as reader:
        made = export_csv(reader, tmp_path / "csv")
        got, wave = read_waveform(made[-1]).wave, reader.wave(1)
    assert np.array_equal(got.v_v, wave.v_v)
    assert np.array_equal(got.i_a, wave.i_a)
    assert got.rate_hz == pytest.approx(20_000.0)


def test_times_are_those_of_the_wall_clock() -> None:
    from benchlog.session.timeaxis import TimeAnchor

    summer = WALL.replace(tzinfo=WALL.tzinfo) + timedelta(hours=1)
    anchors = (
        TimeAnchor(0, WALL),
        TimeAnchor(60_000_000, summer.astimezone(tz=None).astimezone(), 20.0),
        TimeAnchor(90_000_000, datetime.fromisoformat("2026-06-01T10:00:00.5+05:30")),
    )
    t_us = np.array([-5, 0, 1, 59_999_999, 60_000_000, 60_000_010, 90_000_000, 10**12], np.int64)
    for at, text in zip(t_us.tolist(), iso_times(anchors, t_us), strict=True):
        assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{6}[+-]\d\d:\d\d", text)
        assert datetime.fromisoformat(text) == wall_of(anchors, at)
        assert datetime.fromisoformat(text).utcoffset() == wall_of(anchors, at).utcoffset()


def _refuse(constant: str) -> float:
    raise ValueError(constant)


def test_json_has_no_number_that_is_none(reader: SessionReader, tmp_path: Path) -> None:
    path = tmp_path / "a.json"
    export_json(reader, path)
    content = json.loads(path.read_text(encoding="utf-8"), parse_constant=_refuse)
    assert content["waveforms"][0]["v_v"] == [1.0, -2.0, None]
    channel = content["channels"][0]
    assert channel["value"] == [-0.25, 1e-9, None]
    assert channel["status"] == ["valid", "valid", "overload"]
    assert channel["time"][0] == "2026-01-05T09:00:00.090000-05:00"
    assert content["head"] == reader.head()
    assert (content["format"], content["version"], content["invented"]) == ("benchlog-session", 1, True)
    reader.close()


def test_the_schema_that_is_shipped_is_the_one_that_holds() -> None:
    assert schema_text() == make_schema(), "make it again: python -m benchlog.exchange.sessionjson"
    schema = json.loads(schema_text())
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert "ExportedChannel" in schema["$defs"]
    assert msgspec.json.decode(schema_text())["title"] == "benchlog-session 1"


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('"version":1', '"version":2'),
        ('"format":"benchlog-session"', '"format":"something"'),
        ('"kind":"note"', '"kind":7'),
        ('"scale":1.0', '"scale":NaN'),
        ('"type":"note"', '"type":"none"'),
    ],
)
def test_json_that_is_not_an_export_is_refused(
    reader: SessionReader, tmp_path: Path, old: str, new: str
) -> None:
    path = tmp_path / "a.json"
    export_json(reader, path)
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")
    with pytest.raises(UsageError, match=r"is no export of a session .*Export it again"):
        read_json(path)
    reader.close()


def test_json_arrays_of_unlike_length_are_refused(reader: SessionReader, tmp_path: Path) -> None:
    export_json(reader, tmp_path / "a.json")
    reader.close()
    exported = read_json(tmp_path / "a.json")
    for broken in (
        {"told_s": (1.0,)},
        {"status": ("odd", "valid", "valid")},
        {"setting": (9, 9, 9)},
        {"end_s": (1e300,) * 3},
    ):
        channel = msgspec.structs.replace(exported.channels[0], **broken)
        with pytest.raises(UsageError, match="Export it again"):
            list(readings_of(channel))


def test_the_schema_is_one_and_bites(reader: SessionReader, tmp_path: Path) -> None:
    jsonschema.Draft202012Validator.check_schema(json.loads(schema_text()))
    export_json(reader, tmp_path / "a.json")
    reader.close()
    content = json.loads((tmp_path / "a.json").read_bytes())
    assert VALIDATOR.is_valid(content)
    for key, wrong in (("version", 2), ("head", None), ("entries", [{"seq": "one"}]), ("channels", {})):
        assert not VALIDATOR.is_valid({**content, key: wrong}), key
    assert not VALIDATOR.is_valid({k: v for k, v in content.items() if k != "anchors"})


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('"status",', '"state",', "lacks the columns status"),
        (',"valid",', ',"odd",', "line 2: 'odd' is not a valid Status"),
        (",-0.25,", ",much,", "line 2: could not convert"),
        (",-0.25,", ",nan,", "line 2: the value 'nan'"),
        (",-0.25,", ",", "line 2: 15 cells where the header has 16"),
        (",0.1015,", ",1e999,", "line 2: "),
        ('"clamp meter"', '"clamp meter', "no CSV file|cells where"),
    ],
)
def test_csv_that_can_not_be_read_is_told_with_its_line(
    reader: SessionReader, tmp_path: Path, old: str, new: str, says: str
) -> None:
    path = export_csv(reader, tmp_path / "csv")[1]
    reader.close()
    text = path.read_bytes().decode()
    assert old in text
    path.write_bytes(text.replace(old, new, 1).encode())
    with pytest.raises(UsageError, match=says):
        list(read_readings(path))


def test_files_that_are_not_there_or_no_text(reader: SessionReader, tmp_path: Path) -> None:
    reader.close()
    (tmp_path / "x").write_bytes(b"\xff\xfe\x00")
    for reading in (lambda p: list(read_readings(p)), lambda p: list(read_history(p)), read_json):
        with pytest.raises(UsageError, match="can't be read"):
            reading(tmp_path / "none")
        with pytest.raises(UsageError, match=r"no CSV file|no export"):
            reading(tmp_path / "x")


def test_a_place_that_can_not_be_written_is_told(reader: SessionReader, tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(SessionFault, match="Choose another folder or make room"):
        export_csv(reader, tmp_path / "file" / "csv")
    with pytest.raises(SessionFault, match="Choose another folder or make room"):
        export_json(reader, tmp_path / "none" / "a.json")
    reader.close()


def test_withheld_entries_stay_withheld(tmp_path: Path) -> None:
    withhold(make(tmp_path / "a.benchlog"), tmp_path / "b.benchlog")
    with SessionReader(tmp_path / "b.benchlog") as reader:
        made = export_csv(reader, tmp_path / "csv")
        export_json(reader, tmp_path / "b.json")
        assert tuple(read_history(made[0])) == entries_of(read_json(tmp_path / "b.json")) == reader.entries()


def test_two_instruments_of_like_names_get_two_files(tmp_path: Path) -> None:
    writer = SessionWriter.create(tmp_path / "a.benchlog", JOB, WALL)
    readings: list[tuple[Reading, int]] = []
    for instrument in ("meter 1", "meter-1"):
        readings.append(measured(msgspec.structs.replace(VOLTAGE, instrument=instrument), 1.0, 100_000))
    writer.add_readings(readings)
    assert writer.close()
    with SessionReader(tmp_path / "a.benchlog") as reader:
        made = export_csv(reader, tmp_path / "csv")
    assert len(set(made)) == 3
    assert [next(read_readings(p)) for p in made[1:]] == readings
