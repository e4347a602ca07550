"""A session file from a stranger, whatever is in it, is read or refused: no crash, no bug."""

import sqlite3
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from session_strategies import WALL, make

from benchlog.exchange.sessioncsv import export_csv
from benchlog.exchange.sessionjson import export_json
from benchlog.model.errors import SessionFault
from benchlog.model.history import Noted
from benchlog.session.reader import EVER, SessionReader
from benchlog.session.salvage import salvage
from benchlog.session.verification import verify
from benchlog.session.writer import SessionWriter

TABLES = (
    "meta",
    "anchor",
    "channel",
    "setting",
    "reading",
    "summary",
    "entry",
    "wave",
    "wave_block",
    "chain",
)


@pytest.fixture(scope="module")
def original(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make(tmp_path_factory.mktemp("hostile") / "a.benchlog", 300)


def uses(path: Path) -> tuple[Callable[[], object], ...]:
    """Everything that is done with a session."""

    def look() -> None:
        with SessionReader(path) as reader:
            _ = (
                reader.job(),
                reader.head(),
                reader.simulated,
                reader.invented,
                reader.span_us,
                reader.entries(),
            )
            _ = (reader.runs(), reader.told(), reader.overview(100), reader.settings, reader.wall_at(5))
            for channel in reader.channels():
                _ = (reader.window(channel, *EVER, 50), list(reader.each(channel)), reader.count(channel))
            for wave in reader.waves():
                reader.wave(wave.number)

    def export() -> None:
        with SessionReader(path, untrusted=True) as reader:
            export_csv(reader, path.parent / "csv")
            export_json(reader, path.parent / "a.json")

    def go_on() -> None:
        writer = SessionWriter.append_to(path, WALL)
        try:
            writer.add_entry(Noted("x"), None, WALL)
        finally:
            writer.close()

    return look, export, lambda: verify(path), lambda: salvage(path), go_on


anything = st.one_of(
    st.sampled_from([0, -1, 1 << 40, (1 << 63) - 1, -(1 << 63), 9, 0.0, -1.5, 1e308, float("inf")]),
    st.sampled_from(["", "x", b"", b"abc"]),
    st.integers(-(1 << 63), (1 << 63) - 1),
    st.floats(allow_nan=False),
    st.text(st.characters(codec="utf-8"), max_size=9),
    st.binary(max_size=40),
    st.none(),
)  # fmt: skip


@given(st.sampled_from(TABLES), st.integers(0, 20), st.integers(0, 10_000), anything)
@settings(max_examples=120, deadline=None, suppress_health_check=list(HealthCheck))
def test_any_value_anywhere_is_read_or_refused(
    original: Path, tmp_path_factory: pytest.TempPathFactory, table: str, column: int, row: int, value: object
) -> None:
    path = tmp_path_factory.mktemp("value") / "a.benchlog"
    path.write_bytes(original.read_bytes())
    db = sqlite3.connect(path, isolation_level=None)
    names = [found[1] for found in db.execute(f"pragma table_info({table})")]
    rows = db.execute(f"select {', '.join(names)} from {table}").fetchall()
    where = " and ".join(f"{name} is ?" for name in names)
    try:
        sql = f"update {table} set {names[column % len(names)]} = ? where {where}"
        db.execute(sql, (value, *rows[row % len(rows)]))
    except sqlite3.Error:
        return
    finally:
        db.close()
    with np.errstate(all="ignore"):
        for use in uses(path):
            try:
                use()
            except SessionFault as fault:
                assert len(str(fault)) < 2000


@given(st.lists(st.tuples(st.integers(0, 10**9), st.integers(0, 255)), min_size=1, max_size=30))
@settings(max_examples=40, deadline=None, suppress_health_check=list(HealthCheck))
def test_any_bytes_anywhere_are_read_or_refused(
    original: Path, tmp_path_factory: pytest.TempPathFactory, changes: list[tuple[int, int]]
) -> None:
    path = tmp_path_factory.mktemp("bytes") / "a.benchlog"
    content = bytearray(original.read_bytes())
    for at, byte in changes:
        content[at % len(content)] = byte
    path.write_bytes(content)
    with np.errstate(all="ignore"):
        for use in uses(path):
            try:
                use()
            except SessionFault as fault:
                assert str(fault)


@pytest.mark.parametrize(
    "name", ["a b#c?d%20e.benchlog", "Ω µ ü.benchlog", "'quoted'.benchlog", "-x.benchlog"]
)
def test_any_name_of_a_file_serves(tmp_path: Path, name: str) -> None:
    path = make(tmp_path / name, 5)
    assert verify(path).ok
    with SessionReader(path) as reader:
        reader.copy_to(tmp_path / ("copy " + name))
    assert verify(tmp_path / ("copy " + name)).ok
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted([name, "copy " + name])


def test_an_entry_larger_than_any_is_refused_when_it_is_added(tmp_path: Path) -> None:
    writer = SessionWriter.append_to(make(tmp_path / "a.benchlog", 5), WALL)
    with pytest.raises(ValueError, match="larger than 16 MB"):
        writer.add_entry(Noted("x" * 17_000_000), None, WALL)
    writer.add_entry(Noted("x" * 9_000_000), None, WALL)
    assert writer.close()
    assert verify(tmp_path / "a.benchlog").ok
