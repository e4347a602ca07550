"""The chain: made again by hand from its description, and every change to what it covers is found."""

import hashlib
import sqlite3
import struct
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from session_strategies import make

from benchlog.session.chain import counts_of, counts_text, payload_digest
from benchlog.session.schema import TABLES
from benchlog.session.verification import verify

COVERED = (
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


def test_digest_of_a_payload_is_plain_sha256() -> None:
    # NIST "Cryptographic Standards and Guidelines: Example Values", SHA-256 of "abc" (FIPS 180-4).
    abc = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert payload_digest(b"a", b"bc").hex() == abc


def test_counts_go_out_and_come_back() -> None:
    assert counts_of(counts_text([(1, 10), (4, 3)])) == ((1, 10), (4, 3))
    assert counts_of("") == ()


def canonical(value: object) -> bytes:
    """A field as the module's description has it, written here a second time."""
    match value:
        case None:
            return b"n"
        case int():
            return b"i" + struct.pack("<q", value)
        case float():
            return b"f" + struct.pack("<d", value)
        case str():
            return b"s" + struct.pack("<I", len(value.encode())) + value.encode()
        case bytes():
            return b"b" + struct.pack("<I", len(value)) + value
        case _:
            raise TypeError(value)


def head_by_hand(path: Path) -> str:
    """The head worked out with nothing but sqlite3, struct and hashlib."""
    db = sqlite3.connect(path)
    columns = {
        "anchor": "t_us, unix_us, offset_s, scale",
        "channel": "id, role, quantity, unit, instrument",
        "setting": "id, channel, range, resolution, aperture_us, turns, test_frequency_hz, note",
        "entry": "seq, t_us, wall, kind, digest",
        "wave": "id, start_us, rate_hz, samples, note, digest",
    }
    taken: dict[int, int] = {}
    before = bytes(32)
    for seq, t_us, text in db.execute("select seq, t_us, readings from chain order by seq").fetchall():
        rows = [("link", seq, t_us, text, before)]
        if seq == 1:
            rows += [("meta", *row) for row in db.execute("select key, value from meta order by key")]
        for table, names in columns.items():
            found = db.execute(f"select {names} from {table} where link = ? order by rowid", (seq,))
            rows += [(table, *row) for row in found]
        data = b"".join(b"".join(map(canonical, row)) + b"." for row in rows)
        for channel, count in (map(int, pair.split(":")) for pair in text.split()):
            readings = db.execute(
                "select t_us, took_us, late_us, value, status, setting from reading where channel = ?"
                " order by t_us limit ? offset ?",
                (channel, count, taken.get(channel, 0)),
            ).fetchall()
            taken[channel] = taken.get(channel, 0) + count
            for t, took, late, value, status, setting in readings:
                data += struct.pack(
                    "<qqqdqq", t, took, late, float("inf") if value is None else value, status, setting
                )
        before = hashlib.sha256(data).digest()
    db.close()
    return before.hex()


def test_head_is_what_its_description_gives(tmp_path: Path) -> None:
    path = make(tmp_path / "a.benchlog", 130)
    assert head_by_hand(path) == verify(path).head


@pytest.fixture(scope="module")
def original(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A session of 600 readings (two summary rows), 8 entries and a waveform."""
    return make(tmp_path_factory.mktemp("chain") / "a.benchlog", 300)


@pytest.fixture
def copy(original: Path, tmp_path: Path) -> Path:
    path = tmp_path / "copy.benchlog"
    path.write_bytes(original.read_bytes())
    return path


def dump(path: Path) -> list[object]:
    """Everything that a file says, with its types."""
    db = sqlite3.connect(path)
    try:
        return [(table, *db.execute(f"select * from {table}").fetchall()) for table in COVERED] + db.execute(
            "select sql from sqlite_master order by sql"
        ).fetchall()
    finally:
        db.close()


def other(value: object, draw: st.DataObject) -> object:
    """Another value of the same type (or none, or some)."""
    if isinstance(value, int):
        return value + draw.draw(st.integers(1, 1000)) * draw.draw(st.sampled_from([1, -1]))
    if isinstance(value, float):
        return draw.draw(st.floats(allow_nan=False, allow_infinity=False).filter(lambda v: v != value))
    if isinstance(value, str):
        return (
            value[:-1] if value and draw.draw(st.booleans()) else value + draw.draw(st.sampled_from("0 x'"))
        )
    if isinstance(value, bytes):
        at = draw.draw(st.integers(0, len(value) - 1))
        return value[:at] + bytes([value[at] ^ (1 << draw.draw(st.integers(0, 7)))]) + value[at + 1 :]
    return draw.draw(st.sampled_from([0, 1]))


@given(st.data())
@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
def test_any_changed_cell_is_found(
    original: Path, tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    path = tmp_path_factory.mktemp("cell") / "a.benchlog"
    path.write_bytes(original.read_bytes())
    db = sqlite3.connect(path, isolation_level=None)
    table = data.draw(st.sampled_from(COVERED))
    names = [row[1] for row in db.execute(f"pragma table_info({table})")]
    column = data.draw(st.sampled_from(names))
    rows = db.execute(f"select {', '.join(names)} from {table}").fetchall()
    row = rows[data.draw(st.integers(0, len(rows) - 1))]
    value = row[names.index(column)]
    where = " and ".join(f"{name} is ?" for name in names)
    try:
        changed = db.execute(
            f"update {table} set {column} = ? where {where}", (other(value, data), *row)
        ).rowcount
    except sqlite3.IntegrityError:
        return
    finally:
        db.close()
    assert changed == 1
    found = verify(path)
    assert not found.ok, f"{table}.{column} of {row[:3]} changed and nobody saw it"[:200]


@given(st.integers(0, 10**9), st.integers(1, 255))
@settings(max_examples=120, deadline=None, suppress_health_check=list(HealthCheck))
def test_any_changed_byte_is_found_or_changes_nothing(
    original: Path, tmp_path_factory: pytest.TempPathFactory, at: int, flip: int
) -> None:
    content = bytearray(original.read_bytes())
    content[at % len(content)] ^= flip
    path = tmp_path_factory.mktemp("byte") / "a.benchlog"
    path.write_bytes(content)
    if verify(path).ok:
        assert dump(path) == dump(original)


def test_every_byte_of_a_stored_value_is_covered(original: Path, tmp_path: Path) -> None:
    path = tmp_path / "a.benchlog"
    value = struct.pack(">d", 0.25 + 0.01 * 3)
    content = original.read_bytes()
    at = content.index(value)
    for offset in range(8):
        for flip in (0x01, 0x80):
            changed = bytearray(content)
            changed[at + offset] ^= flip
            path.write_bytes(changed)
            found = verify(path)
            assert not found.ok, (offset, flip)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ("delete from reading where t_us = (select max(t_us) from reading)", "link"),
        ("insert into reading values (1, 5, 1, 1, 0.5, 0, 1)", "link"),
        ("insert into reading select 1, max(t_us) + 1000000, 1, 1, 0.5, 0, 1 from reading", "not covered"),
        ("insert into reading values (9, 5, 1, 1, 0.5, 0, 1)", "not covered"),
        ("delete from entry where seq = 2", "entry 2 is missing"),
        ("update entry set payload = replace(payload, 'note 1', 'note 2')", "entry"),
        ("update entry set payload = null where seq = 2", "entry 2"),
        (
            "insert into entry select 99, t_us, wall, kind, salt, payload, digest, 999 from entry",
            "not in the chain",
        ),
        ("delete from chain where seq = 3", "links 3 to 3 of the chain are missing"),
        ("delete from chain where seq = 1", "links 1 to 1 of the chain are missing"),
        ("delete from chain", "there is no chain"),
        ("update summary set greatest = 99 where channel = 1", "summary"),
        ("delete from summary", "summary"),
        ("update wave_block set i = zeroblob(length(i))", "waveform 1"),
        ("insert into wave_block values (7, 0, x'00', x'00')", "no waveform"),
        ("update channel set unit = 'V' where id = 1", "link"),
        ("update meta set value = 'no' where key = 'invented'", "link 1 "),
        ("update reading set status = 9 where t_us = 100000", "contradict"),
        ("drop view readings", "tables"),
        ("create trigger t after insert on entry begin delete from reading; end", "tables"),
        ("create table extra (a)", "tables"),
    ],
)
def test_changes_that_people_make_are_told_apart(copy: Path, change: str, says: str) -> None:
    db = sqlite3.connect(copy, isolation_level=None)
    if "insert into entry" in change:
        change += " where seq = 1"
    db.execute(change)
    db.close()
    found = verify(copy)
    assert not found.ok
    assert any(says in fault for fault in found.faults), found.faults


def test_a_shortened_chain_verifies_but_has_another_head(copy: Path) -> None:
    head = verify(copy).head
    db = sqlite3.connect(copy, isolation_level=None)
    last = db.execute("select max(seq) from chain").fetchone()[0]
    for table in ("wave", "entry", "setting", "channel", "anchor"):
        db.execute(f"delete from {table} where link = ?", (last,))
    db.execute("delete from wave_block")
    db.execute("delete from chain where seq = ?", (last,))
    db.close()
    found = verify(copy)
    assert found.ok
    assert found.head != head


def test_many_faults_are_counted(copy: Path) -> None:
    db = sqlite3.connect(copy, isolation_level=None)
    db.execute("update reading set value = value + 1 where status = 0")
    db.close()
    found = verify(copy)
    assert len(found.faults) == 21
    assert found.faults[-1].startswith("and ")


def test_tables_are_named_in_the_description() -> None:
    made = {statement.split()[2] for statement in TABLES}
    assert made == {*COVERED, "readings"}
