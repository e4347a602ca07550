"""What is intact in a damaged file is found, and nothing that is not."""

import random
import sqlite3
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from session_strategies import CHANNELS, CURRENT, JOB, VOLTAGE, WALL, fill, make

from benchlog.model.errors import SessionHeld
from benchlog.model.history import Noted
from benchlog.session.carve import TABLE_LEAF, Pages, carve
from benchlog.session.copying import withhold
from benchlog.session.reader import SessionReader
from benchlog.session.salvage import salvage
from benchlog.session.writer import SessionWriter

cells = st.one_of(
    st.none(),
    st.integers(-(1 << 63), (1 << 63) - 1),
    st.floats(allow_nan=False),
    st.text(st.characters(codec="utf-8")),
    st.binary(),
)


@given(
    st.lists(st.tuples(cells, cells, st.binary(max_size=9000)), max_size=12),
    st.sampled_from([512, 1024, 4096]),
)
@settings(max_examples=40, deadline=None, suppress_health_check=list(HealthCheck))
def test_rows_are_read_as_sqlite_wrote_them(rows: list[tuple[object, object, bytes]], page_size: int) -> None:
    # The outside authority is SQLite itself.
    with TemporaryDirectory() as folder:
        path = Path(folder) / "t.db"
        db = sqlite3.connect(path)
        db.execute(f"pragma page_size = {page_size}")
        db.execute("create table t (a, b, c)")
        db.executemany("insert into t values (?, ?, ?)", rows)
        db.commit()
        wanted = db.execute("select rowid, a, b, c from t order by rowid").fetchall()
        db.close()
        found = carve(Pages(path.read_bytes()), lambda kind: kind == TABLE_LEAF)
        got = sorted((row.rowid, *row.cells) for row in found if len(row.cells) == 3)
    # whole numbers in a column without a type come back as they were put in
    assert [repr(row) for row in got] == [repr(row) for row in wanted]


@given(
    st.binary(max_size=3000), st.binary(max_size=2000), st.sampled_from([b"", b"SQLite format 3\0\x02\x00"])
)
@settings(max_examples=200, deadline=None)
def test_rubbish_gives_no_trouble(rubbish: bytes, log: bytes, start: bytes) -> None:
    for row in carve(Pages(start + rubbish, log), lambda kind: True):
        assert isinstance(row.cells, tuple)


@pytest.fixture(scope="module")
def original(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make(tmp_path_factory.mktemp("whole") / "a.benchlog", 1000)


def test_everything_of_a_whole_file_is_found(original: Path) -> None:
    found = salvage(original)
    with SessionReader(original) as reader:
        assert found.entries == reader.entries()
        for channel in reader.channels():
            assert found.channels[channel].t_us.tolist() == reader.readings(channel).t_us.tolist()
            assert found.channels[channel].value.tolist() == reader.readings(channel).value.tolist()
        assert found.settings == reader.settings
    assert found.verification.ok
    assert found.missing == ()


def test_a_lost_header_loses_no_entry(original: Path, tmp_path: Path) -> None:
    path = tmp_path / "a.benchlog"
    path.write_bytes(bytes(100) + original.read_bytes()[100:])
    found = salvage(path)
    assert len(found.entries) == 11
    assert found.channels[CURRENT].t_us.size == 1000
    assert not found.verification.ok


def test_truncation_keeps_what_is_before_it(original: Path, tmp_path: Path) -> None:
    path = tmp_path / "a.benchlog"
    content = original.read_bytes()
    counts = []
    for part in range(0, 11):
        path.write_bytes(content[: len(content) * part // 10])
        found = salvage(path)
        counts.append(sum(series.t_us.size for series in found.channels.values()))
        with SessionReader(original) as reader:
            assert set(found.entries) <= set(reader.entries())
    assert counts == sorted(counts)
    assert counts[-1] == 2000


def test_flipped_bits_lose_what_they_hit_and_invent_nothing(original: Path, tmp_path: Path) -> None:
    rng = random.Random(7)
    content = original.read_bytes()
    with SessionReader(original) as reader:
        entries = reader.entries()
    for _ in range(15):
        damaged = bytearray(content)
        for _ in range(20):
            damaged[rng.randrange(len(damaged))] ^= 1 << rng.randrange(8)
        path = tmp_path / "a.benchlog"
        path.write_bytes(damaged)
        found = salvage(path)
        payloads = {entry.payload for entry in entries}
        assert {entry.payload for entry in found.entries} <= payloads
        assert not found.verification.ok


def test_entries_that_only_the_log_holds_are_found(tmp_path: Path) -> None:
    path = tmp_path / "a.benchlog"
    writer = SessionWriter.create(path, JOB, WALL)
    fill(writer, 200)
    writer.add_entry(Noted("long " * 4000), None, WALL)
    writer.commit()
    broken = tmp_path / "b.benchlog"
    with pytest.raises(SessionHeld, match="being recorded"):
        salvage(path)
    broken.write_bytes(b"\0" * 100)
    (tmp_path / "b.benchlog-wal").write_bytes(Path(f"{path}-wal").read_bytes())
    writer.close()
    found = salvage(broken)
    assert [entry.seq for entry in found.entries] == [1, 2, 3, 4]
    assert found.channels[VOLTAGE].t_us.size == 200


def test_a_row_that_was_changed_is_not_called_intact(original: Path, tmp_path: Path) -> None:
    path = tmp_path / "a.benchlog"
    path.write_bytes(original.read_bytes().replace(b"note 300", b"note 301"))
    found = salvage(path)
    assert found.missing == ((5, 5),)
    assert len(found.entries) == 10


def test_withheld_entries_are_told_apart(original: Path, tmp_path: Path) -> None:
    numbers = withhold(original, tmp_path / "b.benchlog")
    found = salvage(tmp_path / "b.benchlog")
    assert found.withheld == numbers
    assert found.missing == ()
    assert set(found.channels) <= set(CHANNELS)
