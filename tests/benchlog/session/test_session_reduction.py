"""A picture of fewer points loses no peak and closes no gap."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from session_strategies import CURRENT, JOB, VOLTAGE, WALL, measured

from benchlog.model.errors import UsageError
from benchlog.model.reading import Channel, Status, Unusable
from benchlog.model.role import Role
from benchlog.session.reader import SessionReader
from benchlog.session.reduction import open_gaps, reduce_points, usual_gap
from benchlog.session.series import Trace
from benchlog.session.writer import SessionWriter

points = st.lists(
    st.tuples(st.integers(0, 10**9), st.one_of(st.floats(-1e6, 1e6), st.just(float("nan")))),
    min_size=1,
    max_size=400,
    unique_by=lambda point: point[0],
).map(sorted)


@given(points, st.integers(5, 60))
@settings(max_examples=150, deadline=None)
def test_reduced_points_keep_peaks_gaps_and_ends(given_points: list[tuple[int, float]], most: int) -> None:
    t = np.array([p[0] for p in given_points], np.int64)
    v = np.array([p[1] for p in given_points])
    got_t, got_v = reduce_points(t, v, most)
    assert got_t.size <= most
    assert np.all(np.diff(got_t) > 0)
    where = np.searchsorted(t, got_t)
    assert np.array_equal(t[where], got_t)
    assert np.array_equal(v[where], got_v, equal_nan=True)
    if t.size <= most:
        assert got_t.size == t.size
        return
    assert (got_t[0], got_t[-1]) == (t[0], t[-1])
    if not np.isnan(v).all():
        assert np.nanmax(got_v) == np.nanmax(v)
        assert np.nanmin(got_v) == np.nanmin(v)
    # a bin is a column of the picture: each keeps its own greatest, least and whether the line breaks there
    bins = max(1, (most - 2) // 3)
    span = int(t[-1] - t[0]) + 1
    column, got_column = ((x - t[0]) * (bins / span) // 1 for x in (t, got_t))
    for b in np.unique(column):
        whole, kept = v[column == b], got_v[got_column == b]
        assert np.isnan(whole).any() == np.isnan(kept).any()
        if not np.isnan(whole).all():
            assert (np.nanmax(kept), np.nanmin(kept)) == (np.nanmax(whole), np.nanmin(whole))


def test_a_spike_in_the_newest_point_beside_a_gap_and_between_gaps() -> None:
    t = np.arange(10_000, dtype=np.int64) * 1000
    v = np.zeros(10_000)
    v[9_999] = 5.0
    v[4_000], v[4_001] = np.nan, -7.0
    v[6_000], v[6_001], v[6_002] = np.nan, 9.0, np.nan
    _, got_v = reduce_points(t, v, 100)
    assert got_v[-1] == 5.0
    assert {-7.0, 9.0} <= set(got_v)
    assert np.isnan(got_v).sum() == 2
    at = int(np.flatnonzero(got_v == 9.0)[0])
    assert np.isnan(got_v[at - 1])


def test_silence_opens_a_gap_at_its_middle() -> None:
    t = np.array([0, 100_000, 200_000, 9_000_000, 9_100_000], np.int64)
    assert usual_gap(t) == 1_000_000
    got_t, got_v = open_gaps(t, np.ones(5), usual_gap(t))
    assert got_t.tolist() == [0, 100_000, 200_000, 4_600_000, 9_000_000, 9_100_000]
    assert np.flatnonzero(np.isnan(got_v)).tolist() == [3]
    assert usual_gap(np.arange(9, dtype=np.int64) * 2_000_000) == 10_000_000


COUNT = 100_000
SPIKES = {5: 40.0, 256: -40.0, 12_345: 50.0, 70_000: 60.0, COUNT - 1: 70.0}
LOST = (30_000, 30_001, 99_990)
SILENCE_AFTER = 50_000


@pytest.fixture(scope="module")
def long_session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """100 000 readings at 10 a second with spikes, lost readings and a silence of an hour."""
    path = tmp_path_factory.mktemp("long") / "a.benchlog"
    writer = SessionWriter.create(path, JOB, WALL)
    rng = np.random.default_rng(1)
    noise = rng.normal(0.0, 1.0, COUNT).tolist()
    for start in range(0, COUNT, 5000):
        for k in range(start, start + 5000):
            at = (k + 1) * 100_000 + (3_600_000_000 if k > SILENCE_AFTER else 0)
            reading = measured(CURRENT, SPIKES.get(k, noise[k]), at)
            if k in LOST:
                lost = Unusable(CURRENT, Status.OVERLOAD, at - 20_000, at)
                reading = (lost, at)
            writer.add_readings([reading])
        writer.commit()
    writer.add_readings([measured(VOLTAGE, 120.0, 100_000)])
    assert writer.close()
    return path


def breaks(trace: Trace) -> list[int]:
    return trace.t_us[np.isnan(trace.value)].tolist()


def test_first_graph_from_the_summary_has_every_spike_and_gap(long_session: Path) -> None:
    with SessionReader(long_session) as reader:
        graphs = reader.overview(4000)
    assert set(graphs) == {CURRENT, VOLTAGE}
    trace = graphs[CURRENT]
    assert trace.count == COUNT
    assert trace.reduced
    assert trace.t_us.size <= 4000
    assert set(SPIKES.values()) <= set(trace.value.tolist())
    assert np.all(np.diff(trace.t_us) >= 0)
    at_overload = [(k + 1) * 100_000 - 10_000 + (3_600_000_000 if k > SILENCE_AFTER else 0) for k in LOST]
    silence = (SILENCE_AFTER + 1) * 100_000 + 1_800_050_000
    found = breaks(trace)
    assert at_overload[0] in found
    assert at_overload[2] in found
    assert any(abs(at - silence) < 100_000 for at in found)
    spike = int(trace.t_us[np.flatnonzero(trace.value == 50.0)[0]])
    assert spike == 12_346 * 100_000 - 10_000


@pytest.mark.parametrize("most", [50, 1000, 5000])
@pytest.mark.parametrize(
    ("first", "last"), [(0, 99), (200, 300), (12_000, 13_000), (0, 65_000), (3, COUNT - 2), (0, COUNT)]
)
def test_window_agrees_with_the_readings(long_session: Path, first: int, last: int, most: int) -> None:
    with SessionReader(long_session) as reader:
        ends = reader.readings(CURRENT).t_us
        t0, t1 = int(ends[first]), int(ends[min(last, COUNT - 1)])
        trace = reader.window(CURRENT, t0, t1, most)
        series = reader.readings(CURRENT, t0, t1)
    assert trace.count == series.t_us.size
    assert trace.t_us.size <= most
    assert np.nanmax(trace.value) == np.nanmax(series.value)
    assert np.nanmin(trace.value) == np.nanmin(series.value)
    usable = trace.t_us[~np.isnan(trace.value)]
    assert np.isin(usable, series.mid_us).all()
    assert (usable.min(), usable.max()) == (
        series.mid_us[~np.isnan(series.value)].min(),
        series.mid_us[~np.isnan(series.value)].max(),
    )


def test_a_short_window_is_drawn_point_by_point(long_session: Path) -> None:
    with SessionReader(long_session) as reader:
        trace = reader.window(CURRENT, 100_000, 1_000_000, 1000)
        assert not trace.reduced
        assert trace.t_us.tolist() == [100_000 * k - 10_000 for k in range(1, 11)]
        empty = reader.window(CURRENT, 1, 2, 1000)
        assert (empty.t_us.size, empty.count) == (0, 0)
        with pytest.raises(UsageError, match="no channel rail-plus"):
            reader.window(Channel(Role.RAIL_PLUS, CURRENT.quantity, "x"), 0, 1, 9)
