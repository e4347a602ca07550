"""What goes into a session comes out of it."""

import sqlite3
from datetime import timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from session_strategies import CURRENT, JOB, VOLTAGE, WALL, Sitting, later, make, measured, sittings

from benchlog.model.clock import RealClock
from benchlog.model.event import Key, KeyPressed, ReadingTaken
from benchlog.model.history import JobEntered, Noted, Payload, RunTold, Withheld
from benchlog.model.job import Job
from benchlog.model.reading import Channel, Measured, Reading, Status, Unusable
from benchlog.session.reader import SessionReader
from benchlog.session.verification import verify
from benchlog.session.writer import SessionWriter

Readings = list[tuple[Reading, int]]


def put(writer: SessionWriter, sitting: Sitting) -> tuple[Readings, list[Payload]]:
    put_in: Readings = []
    entries: list[Payload] = []
    start = writer.start_us
    for readings, payloads, waves in sitting.commits:
        moved = later(readings, start)
        start = max([start, *(told for _, told in moved)]) + 1_000_000
        writer.add_readings(moved)
        for payload in payloads:
            writer.add_entry(payload, start, WALL + timedelta(microseconds=start))
        for wave in waves:
            writer.add_wave(wave, "a wave")
        writer.commit()
        put_in += moved
        entries += payloads
    return put_in, entries


def by_channel(readings: Readings) -> dict[Channel, Readings]:
    found: dict[Channel, Readings] = {}
    for reading, told in readings:
        found.setdefault(reading.channel, []).append((reading, told))
    return found


def alike(given: tuple[Reading, int], got: tuple[Reading, int]) -> bool:
    """The same but for an end that was moved because the channel had a reading at that instant already."""
    (a, a_told), (b, b_told) = given, got
    same_time = a.start_us == b.start_us and a.end_us <= b.end_us and a_told == b_told
    if isinstance(a, Measured):
        return same_time and isinstance(b, Measured) and a.value == b.value and a.setting == b.setting
    return same_time and isinstance(b, Unusable) and a.status is b.status and a.setting == b.setting


@given(sittings, sittings)
@settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
def test_two_sittings_come_out_as_they_went_in(first: Sitting, second: Sitting) -> None:
    with TemporaryDirectory() as folder:
        path = Path(folder) / "a.benchlog"
        writer = SessionWriter.create(path, JOB, WALL)
        readings, payloads = put(writer, first)
        assert writer.close()
        writer = SessionWriter.append_to(path, WALL + timedelta(days=2))
        more, more_payloads = put(writer, second)
        head = writer.head()
        assert writer.close()
        readings, payloads = readings + more, payloads + more_payloads
        found = verify(path)
        assert (found.ok, found.faults, found.head) == (True, (), head)
        assert found.readings == len(readings)
        with SessionReader(path, untrusted=True) as reader:
            assert [e.payload for e in reader.entries()] == [JobEntered(JOB), *payloads]
            wanted = by_channel(readings)
            assert set(reader.channels()) == set(wanted)
            for channel, given_in in wanted.items():
                got = [(r, t) for t, r in reader.each(channel)]
                assert len(got) == len(given_in)
                assert all(alike(a, b) for a, b in zip(given_in, got, strict=True))
                ends = reader.readings(channel).t_us
                assert np.all(np.diff(ends) > 0)
            waves = [w for s in (first, second) for _, _, ws in s.commits for w in ws]
            for record, wave in zip(reader.waves(), waves, strict=True):
                back = reader.wave(record.number)
                assert np.array_equal(back.v_v, wave.v_v)
                assert np.array_equal(back.i_a, wave.i_a)
                assert (back.rate_hz, back.start_us, record.note) == (wave.rate_hz, wave.start_us, "a wave")


def test_what_the_watch_was_told_comes_back_in_order(tmp_path: Path) -> None:
    writer = SessionWriter.create(tmp_path / "a.benchlog", JOB, WALL)
    key = KeyPressed(Key.MOVED)
    writer.add_readings([measured(CURRENT, 0.3, 100_000), measured(VOLTAGE, 12.0, 100_300)])
    writer.add_entry(RunTold(key), 101_900, WALL)
    writer.add_entry(Noted("not for the watch"), 101_950, WALL)
    writer.add_readings([measured(CURRENT, 0.31, 200_000)])
    writer.close()
    with SessionReader(tmp_path / "a.benchlog") as reader:
        told = reader.told()
        assert [at for at, _ in told] == [101_500, 101_800, 101_900, 201_500]
        assert told[2][1] == key
        assert told[0][1] == ReadingTaken(measured(CURRENT, 0.3, 100_000)[0])
        assert [at for at, _ in reader.told(101_800, 101_900)] == [101_800, 101_900]


def test_second_sitting_goes_on_along_the_axis(tmp_path: Path) -> None:
    path = make(tmp_path / "a.benchlog", 50)
    writer = SessionWriter.append_to(path, WALL + timedelta(hours=3))
    assert writer.start_us == 3 * 3600 * 10**6
    assert RealClock(start_us=writer.start_us).now() >= writer.start_us
    with pytest.raises(ValueError, match="before the sitting"):
        writer.add_readings([measured(CURRENT, 1.0, 100_000)])
    entry = writer.add_entry(Noted("later"), None, WALL + timedelta(hours=3))
    assert entry.t_us == writer.start_us
    assert (
        writer.add_entry(Noted("x"), None, WALL + timedelta(hours=3, minutes=1)).t_us
        == entry.t_us + 60_000_000
    )
    writer.close()
    with SessionReader(path) as reader:
        assert reader.wall_at(entry.t_us) == WALL + timedelta(hours=3)
        assert reader.wall_at(1_000_000) == WALL + timedelta(seconds=1)


def test_a_wall_clock_that_was_set_back_does_not_mix_sittings(tmp_path: Path) -> None:
    path = make(tmp_path / "a.benchlog", 50)
    writer = SessionWriter.append_to(path, WALL - timedelta(hours=1))
    assert writer.start_us == 5_001_507 + 1_000_000
    writer.close()


def test_sped_up_axis_keeps_the_wall_clock(tmp_path: Path) -> None:
    writer = SessionWriter.create(tmp_path / "a.benchlog", JOB, WALL, scale=20.0)
    writer.add_readings([measured(CURRENT, 1.0, 40_000_000)])
    writer.close()
    with SessionReader(tmp_path / "a.benchlog") as reader:
        assert reader.wall_at(40_000_000) == WALL + timedelta(seconds=2)
        assert reader.anchors[0].scale == 20.0


def test_readings_of_one_instant_are_both_kept(tmp_path: Path) -> None:
    writer = SessionWriter.create(tmp_path / "a.benchlog", JOB, WALL)
    writer.add_readings([measured(CURRENT, 1.0, 100_000), measured(CURRENT, 2.0, 100_000)])
    writer.close()
    with SessionReader(tmp_path / "a.benchlog") as reader:
        series = reader.readings(CURRENT)
        assert series.t_us.tolist() == [100_000, 100_001]
        assert (series.t_us - series.took_us).tolist() == [80_000, 80_000]
        assert (series.t_us + series.late_us).tolist() == [101_500, 101_500]


def test_a_number_that_is_none_is_stored_as_none(tmp_path: Path) -> None:
    writer = SessionWriter.create(tmp_path / "a.benchlog", JOB, WALL)
    writer.add_readings([measured(CURRENT, float("nan"), 100_000), measured(CURRENT, float("inf"), 200_000)])
    writer.close()
    with SessionReader(tmp_path / "a.benchlog") as reader:
        assert [r.status for _, r in reader.each(CURRENT) if isinstance(r, Unusable)] == [
            Status.NOT_A_NUMBER
        ] * 2
        assert np.isnan(reader.readings(CURRENT).value).all()
    assert verify(tmp_path / "a.benchlog").ok


def test_the_view_for_strangers_has_names_units_and_iso_time(tmp_path: Path) -> None:
    make(tmp_path / "a.benchlog", 20)
    db = sqlite3.connect(tmp_path / "a.benchlog")
    row = db.execute(
        "select channel, quantity, value, unit, t_s, time, status, duration_s, range, instrument"
        " from readings where channel = 'source-current' order by t_s limit 1"
    ).fetchone()
    db.close()
    assert row == (
        "source-current", "ac-current", 0.25, "A", 0.1, "2026-01-05T09:00:00.100-05:00",
        "valid", 0.02, 10.0, "clamp meter",
    )  # fmt: skip


def test_facts_job_and_marks(tmp_path: Path) -> None:
    writer = SessionWriter.create(tmp_path / "a.benchlog", Job(), WALL)
    writer.add_entry(JobEntered(JOB), 5, WALL)
    writer.close()
    with SessionReader(tmp_path / "a.benchlog") as reader:
        assert reader.job() == JOB
        assert not reader.simulated
        assert reader.invented
        assert reader.facts["created"] == WALL.isoformat()
        assert len(reader.head()) == 64
        assert [e.seq for e in reader.entries(after=1)] == [2]


def test_a_payload_that_could_not_be_read_back_is_refused(tmp_path: Path) -> None:
    writer = SessionWriter.create(tmp_path / "a.benchlog", JOB, WALL)
    with pytest.raises(ValueError, match="never written"):
        writer.add_entry(Withheld("note"), 1, WALL)
    with pytest.raises(ValueError, match="surrogates"):
        writer.add_entry(Noted("\ud800"), 1, WALL)
    writer.close()
    assert verify(tmp_path / "a.benchlog").ok


def test_adding_goes_on_while_another_thread_commits(tmp_path: Path) -> None:
    from threading import Thread

    writer = SessionWriter.create(tmp_path / "a.benchlog", JOB, WALL)
    adding = Thread(
        target=lambda: (
            [writer.add_readings([measured(CURRENT, 1.0, k * 1000 + 1000)]) for k in range(3000)] and None
        )
    )
    adding.start()
    while adding.is_alive():
        writer.commit()
    adding.join()
    writer.close()
    found = verify(tmp_path / "a.benchlog")
    assert (found.ok, found.readings) == (True, 3000)
