"""Lists of test points: there and back as TOML, the templates, before and after."""

from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlog.cold.discharge import feeders, is_reservoir
from benchlog.cold.judge import judge
from benchlog.cold.known import KINDS, Seen
from benchlog.cold.points import (
    find_point,
    pairs_of,
    points_of,
    points_text,
    read_points,
    still_to_take,
    template,
    template_names,
    with_point,
    without_point,
)
from benchlog.limits.fuse import parse_fuse
from benchlog.model.errors import UsageError
from benchlog.model.history import Entry, Payload, PointsListed, Taken
from benchlog.model.known import Check, Known
from benchlog.model.point import PointKind, TestPoint

texts = st.text(st.characters(codec="utf-8", exclude_categories=["Cs", "Cc"]), max_size=20)
knowns = st.builds(
    Known,
    check=st.none() | st.sampled_from(Check),
    farad=st.none() | st.floats(1e-12, 1),
    rated_v=st.none() | st.floats(1, 1000),
    used=st.booleans(),
    device=st.sampled_from(["", "bipolar"]),
    fuse=st.sampled_from([None, parse_fuse("T2AL250V")]),
)
points = st.builds(
    TestPoint, name=texts.filter(str.strip), kind=st.sampled_from(PointKind), group=texts, fed_by=texts,
    expected=texts, known=knowns,
)  # fmt: skip
lists = st.lists(points, max_size=6, unique_by=lambda p: (p.group, p.name, p.kind)).map(tuple)


@given(lists)
def test_a_list_comes_back_as_it_was_saved(found: tuple[TestPoint, ...]) -> None:
    assert read_points(points_text(found)) == found


@pytest.mark.parametrize(
    "text",
    ["", "point = 3", "[[point]]\nname = 'a'", "[[point]]\nname = 'a'\nkind = 'teapot'", "[[point", "x = 1",
     "[[point]]\nname = ' '\nkind = 'ohms'", "[[point]]\nname = 'a'\nkind = 'ohms'\n" * 2],
)  # fmt: skip
def test_a_list_that_is_none_is_refused(text: str) -> None:
    with pytest.raises(UsageError):
        read_points(text)


def test_the_four_templates() -> None:
    assert set(template_names()) == {
        "powered-subwoofer", "stereo-solid-state", "switch-mode-supply", "valve-head",
    }  # fmt: skip
    with pytest.raises(UsageError, match="There is: powered-subwoofer"):
        template("teapot")


@pytest.mark.parametrize("name", template_names())
def test_a_template_makes_sense(name: str) -> None:
    """Every feeder is a reservoir of the list, and every check can be made by the kind of its point."""
    found = template(name)
    own = {p.name for p in found if is_reservoir(p)}
    assert own
    for point in found:
        assert set(feeders(point)) <= own
        if point.known.check is not None:
            assert point.kind in KINDS[point.known.check]
        judge(Seen(point.kind, 1.0, u=0.01), point.known)


def test_the_stereo_template_is_the_same_on_both_channels() -> None:
    found = template("stereo-solid-state")

    def channel(side: str) -> list[tuple[str, PointKind]]:
        return [(p.name, p.kind) for p in found if p.group == side]

    assert channel("left") == channel("right")
    assert len(channel("left")) > 10


def entries(*payloads: Payload) -> list[Entry]:
    return [Entry(n, n, datetime(2026, 1, 5, tzinfo=UTC), p) for n, p in enumerate(payloads, 1)]


def taken(point: TestPoint, value: float, **more: object) -> Taken:
    return Taken(point, point.kind.quantity, value, **more)  # type: ignore[arg-type]


A = TestPoint("output pin to + rail", PointKind.OHMS, "left")
B = TestPoint("output pin to + rail", PointKind.OHMS, "right")
J = TestPoint("B-E, upper device", PointKind.JUNCTION, "left")


def test_before_and_after_by_point_and_polarity() -> None:
    found = pairs_of(
        entries(
            taken(A, 3.1), taken(B, 14e3), taken(J, 0.6, polarity="forward"),
            taken(J, 0.0, polarity="reverse"), taken(A, 3.0), taken(A, 15e3),
        )
    )  # fmt: skip
    assert [(p.point, p.before.value, p.after.value, p.before_seq, p.after_seq) for p in found] == [
        (A, 3.1, 15e3, 1, 6)
    ]


def test_the_list_as_it_stands_and_what_is_still_to_take() -> None:
    history = entries(PointsListed((A,)), taken(A, 3.1), PointsListed((A, B, J)), taken(J, 0.6))
    now = points_of(history)
    assert now == (A, B, J)
    assert still_to_take(now, history) == (B,)
    assert still_to_take(now, history, after_seq=3) == (A, B)
    assert find_point(now, J.name) == J
    assert find_point(now, A.name, group="right") == B
    assert find_point(now, "nowhere") is None
    with pytest.raises(UsageError, match="Several points"):
        find_point(now, A.name)
    better = TestPoint(A.name, A.kind, A.group, "reservoir +")
    assert with_point(now, better) == (better, B, J)
    assert without_point(now, B) == (A, J)
