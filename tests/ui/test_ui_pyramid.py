"""The drawn reduction against the plain samples: nothing that a pixel column held may be missing from it."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchlog_ui.pyramid import Pyramid


def filled(t, v, sizes, chunk=64, gap_s=float("inf")):
    """A pyramid fed in batches of the given sizes, over and over."""
    pyramid = Pyramid(gap_s=gap_s, chunk=chunk)
    done, turn = 0, 0
    while done < len(t):
        size = sizes[turn % len(sizes)]
        pyramid.append(t[done : done + size], v[done : done + size])
        done, turn = done + size, turn + 1
    return pyramid


def joined_over(line, from_s, to_s):
    """Whether two drawn points are joined across the whole of a stretch of time."""
    number = ~np.isnan(line.v)
    joined = number[:-1] & number[1:]
    return bool((joined & (line.t_s[:-1] <= from_s) & (line.t_s[1:] >= to_s)).any())


@st.composite
def courses(draw):
    """Uneven rates, values that are not numbers, spikes."""
    parts = draw(st.lists(st.tuples(st.integers(1, 300), st.floats(1e-3, 5.0)), min_size=1, max_size=5))
    steps = np.concatenate([np.full(n, dt) for n, dt in parts])
    t = np.cumsum(steps)
    seed = draw(st.integers(0, 2**32 - 1))
    rng = np.random.default_rng(seed)
    v = rng.normal(size=len(t)).cumsum()
    for at in draw(st.lists(st.integers(0, len(t) - 1), max_size=4)):
        v[at] += 1000.0
    for at in draw(st.lists(st.integers(0, len(t) - 1), max_size=6)):
        v[at] = np.nan
    return t, v


@settings(max_examples=60, deadline=None)
@given(
    courses(),
    st.lists(st.integers(1, 40), min_size=1, max_size=3),
    st.integers(3, 400),
    st.floats(0, 1),
    st.floats(0, 1),
)
def test_every_sample_in_view_is_covered_within_two_pixels(course, sizes, pixels, a, b):
    t, v = course
    low, high = sorted((a, b))
    from_s, to_s = t[0] + low * (t[-1] - t[0]), t[0] + high * (t[-1] - t[0])
    if to_s - from_s < 1e-6:
        return
    line = filled(t, v, sizes).view(from_s, to_s, pixels)
    pixel_s = (to_s - from_s) / pixels
    inside = (t >= from_s) & (t <= to_s) & ~np.isnan(v)
    drawn = ~np.isnan(line.v)
    some = np.random.default_rng(1).permutation(int(inside.sum()))[:150]
    extreme = [int(np.argmax(v[inside])), int(np.argmin(v[inside]))] if inside.any() else []
    for ts, vs in zip(t[inside][[*some, *extreme]], v[inside][[*some, *extreme]], strict=True):
        near = drawn & (np.abs(line.t_s - ts) <= 2 * pixel_s + 1e-9)
        assert near.any()
        assert line.v[near].min() <= vs <= line.v[near].max()


@settings(max_examples=60, deadline=None)
@given(courses(), st.lists(st.integers(1, 40), min_size=1, max_size=3), st.integers(3, 400))
def test_nothing_is_drawn_that_was_not_read(course, sizes, pixels):
    t, v = course
    line = filled(t, v, sizes).view(t[0], t[-1], pixels)
    assert np.all(np.diff(line.t_s) >= 0)
    values = set(v[~np.isnan(v)].tolist())
    assert {x for x in line.v.tolist() if x == x} <= values
    assert set(line.t_s.tolist()) <= set(t.tolist())


@settings(max_examples=40, deadline=None)
@given(courses(), st.integers(3, 200))
def test_the_way_it_was_fed_does_not_show(course, pixels):
    t, v = course
    one = filled(t, v, [1]).view(t[0], t[-1], pixels)
    other = filled(t, v, [7, 1, 64]).view(t[0], t[-1], pixels)
    assert np.array_equal(one.t_s, other.t_s)
    assert np.array_equal(one.v, other.v, equal_nan=True)


def test_a_spike_in_the_newest_sample_shows_at_any_zoom():
    t = np.arange(100_001) * 0.1
    v = np.ones(len(t))
    v[-1] = 50.0
    pyramid = filled(t, v, [1000], chunk=1 << 14)
    for pixels in (2, 50, 1000, 5000):
        assert pyramid.view(0, t[-1], pixels).v.max() == 50.0


def test_a_spike_beside_a_gap_shows_and_the_gap_stays_open():
    t = np.arange(10_000) * 0.1
    v = np.ones(len(t))
    v[5000] = 9.0
    v[5001:5400] = np.nan
    line = filled(t, v, [37], chunk=1 << 10).view(0, t[-1], 500)
    assert line.v.max(initial=0, where=~np.isnan(line.v)) == 9.0
    assert not joined_over(line, 500.1, 539.9)


@pytest.mark.parametrize("pixels", [20, 200, 2000])
def test_a_silence_is_a_gap(pixels):
    t = np.concatenate([np.arange(500) * 0.1, 200 + np.arange(500) * 0.1])
    pyramid = filled(t, np.ones(1000), [13], gap_s=1.0)
    line = pyramid.view(0, 250, pixels)
    assert not joined_over(line, 50.0, 199.9)
    assert joined_over(line, 20.0, 20.05)


def test_drawn_points_stay_bounded():
    n = 1_000_000
    rng = np.random.default_rng(3)
    pyramid = filled(np.arange(n) * 0.01, rng.normal(size=n), [100_000], chunk=1 << 18)
    for pixels in (300, 1500):
        assert len(pyramid.view(0, n * 0.01, pixels).t_s) <= 8 * pixels + 100


def test_late_samples_are_left_out_and_extremes_found():
    pyramid = Pyramid()
    pyramid.append([0.0, 1.0, 2.0], [1.0, 5.0, 2.0])
    pyramid.append([1.5, 2.5], [99.0, 3.0])
    assert pyramid.count == 4
    assert pyramid.extremes(0, 3) == (1.0, 5.0)
    assert pyramid.extremes(2.2, 3) == (3.0, 3.0)
    assert pyramid.extremes(50, 60) is None
    assert pyramid.samples(1.0).v.tolist() == [2.0, 3.0]
