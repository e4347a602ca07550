"""Recorded readings played back, from a session file and from CSV tables."""

import itertools
import time
from datetime import UTC, datetime
from pathlib import Path

import pytest

from benchlog.bench.adaptor import Meter
from benchlog.bench.file import InstrumentConfig
from benchlog.model.clock import RealClock
from benchlog.model.errors import LinkLost, PortRefused
from benchlog.model.reading import Measured, Reading, Unusable
from benchlog.model.role import Role
from benchlog.session.schema import CODE_STATUS
from benchlog_drivers import registry
from benchlog_drivers.adaptors.played_back import STATUS_CODES

TABLE = """t_s,source_current_a,status
10.0,0.100,valid
10.1,0.110,valid
10.2,,overload
10.3,0.120,valid
"""


def player(path: Path, clock: RealClock) -> Meter:
    made = registry.make(
        InstrumentConfig(
            name="tape", adaptor="played-back", roles=(Role.SOURCE_CURRENT,), connection=str(path)
        ),
        clock,
    )
    assert isinstance(made, Meter)
    return made


def play(meter: Meter) -> list[Reading]:
    found: list[Reading] = []
    until = time.monotonic() + 5.0
    try:
        while time.monotonic() < until:
            found.extend(meter.read())
    except LinkLost:
        pass
    return found


def test_a_table_is_played_at_its_own_pace(tmp_path: Path, clock: RealClock) -> None:
    path = tmp_path / "table.csv"
    path.write_text(TABLE, encoding="utf-8")
    meter = player(path, clock)
    begun = time.monotonic()
    assert meter.open().description == "played back from table.csv"
    readings = play(meter)
    meter.close()
    assert 0.28 < time.monotonic() - begun < 2.0
    assert [r.value if isinstance(r, Measured) else r.status.value for r in readings] == [
        0.1,
        0.11,
        "overload",
        0.12,
    ]
    gaps = [b.end_us - a.end_us for a, b in itertools.pairwise(readings)]
    assert gaps == [100_000] * 3


def test_a_session_file_is_played_read_only(tmp_path: Path, clock: RealClock) -> None:
    from benchlog.model.job import Job
    from benchlog.model.quantity import Quantity
    from benchlog.model.reading import Channel, Status
    from benchlog.session.writer import SessionWriter

    path = tmp_path / "one.benchlog"
    channel = Channel(Role.SOURCE_CURRENT, Quantity.AC_CURRENT, "clamp")
    writer = SessionWriter.create(path, Job(number="1"), datetime(2026, 1, 5, 9, 0, tzinfo=UTC))
    taken: list[Reading] = [
        Measured(channel, 0.1 + i / 100, i * 20_000, i * 20_000 + 10_000) for i in range(5)
    ]
    taken.append(Unusable(channel, Status.OVERLOAD, 100_000, 110_000))
    writer.add_readings([(reading, reading.end_us) for reading in taken])
    writer.commit()
    writer.close()
    before = path.read_bytes()
    meter = player(path, clock)
    meter.open()
    readings = play(meter)
    meter.close()
    assert [getattr(r, "value", None) for r in readings] == [getattr(r, "value", None) for r in taken]
    assert isinstance(readings[-1], Unusable)
    assert readings[-1].status is Status.OVERLOAD
    assert path.read_bytes() == before


def test_statuses_are_stored_as_the_session_file_says() -> None:
    assert STATUS_CODES == CODE_STATUS


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("t_s,other_a\n1,2\n", "no column 'source_current_a'"),
        ("t_s,source_current_a\n1,1_0\n", "line 2: '1_0' is no number"),
        ("t_s,source_current_a\nx,1\n", "line 2: its time"),
        ("t_s,source_current_a\n", "holds no readings of source-current"),
        ("", "no column"),
    ],
)
def test_what_can_not_be_played_is_said(tmp_path: Path, clock: RealClock, text: str, says: str) -> None:
    path = tmp_path / "bad.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(PortRefused, match=says):
        player(path, clock).open()


def test_a_missing_file_is_said(tmp_path: Path, clock: RealClock) -> None:
    with pytest.raises(PortRefused, match="can't be played back"):
        player(tmp_path / "nothing.csv", clock).open()
