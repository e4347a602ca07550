"""Hands-free taking: single contacts, and a sample of the campaign of simulated probings beside this file."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from campaign_taking import CHANNEL, run, u_of

from benchlog.cold.taking import Armed, State, Taking, Took, Unsteady
from benchlog.model.reading import Measured, Reading, Setting, Status, Unusable

SETTING = Setting(range=600.0, resolution=0.1)


def show(taking: Taking, shown: list[float | None], at: int = 0, setting: Setting = SETTING) -> list[object]:
    """Feed ten readings a second; None is an overload."""
    said: list[object] = []
    for k, x in enumerate(shown):
        start, end = (at + k) * 100_000, (at + k) * 100_000 + 90_000
        reading: Reading = (
            Unusable(CHANNEL, Status.OVERLOAD, start, end, setting)
            if x is None
            else Measured(CHANNEL, x, start, end, setting)
        )
        said += taking.feed(reading)
    return said


def test_a_still_value_is_taken_once_and_lifting_arms_the_next() -> None:
    taking = Taking(u_of)
    said = show(taking, [None] * 3 + [120.0] * 40 + [None] * 3 + [330.0] * 20)
    assert [type(s) for s in said] == [Took, Armed, Took]
    first, second = said[0], said[2]
    assert isinstance(first, Took)
    assert isinstance(second, Took)
    assert (first.value, second.value) == (120.0, 330.0)
    assert first.u == pytest.approx(2 / 3**0.5 * (0.008 * 120 + 0.3))
    assert not first.by_foot


def test_one_blank_does_not_lift_the_probe() -> None:
    taking = Taking(u_of)
    said = show(taking, [None] * 3 + [120.0] * 20 + [None] + [120.0] * 20)
    assert [type(s) for s in said] == [Took]
    assert taking.state is State.TAKEN


def test_a_charging_reservoir_is_told_and_not_taken() -> None:
    taking = Taking(u_of)
    said = show(taking, [None] * 3 + [400.0 * (1 - 2.718281828 ** (-k / 100)) for k in range(60)])
    assert [type(s) for s in said] == [Unsteady]
    assert "charges" in said[0].why  # type: ignore[attr-defined]


def test_a_wobbling_contact_is_not_taken() -> None:
    taking = Taking(u_of)
    said = show(taking, [None] * 3 + [120.0 + 8.0 * (k * 7 % 5) for k in range(60)])
    assert not any(isinstance(s, Took) for s in said)


def test_a_change_of_range_begins_anew() -> None:
    taking = Taking(u_of)
    coarse = Setting(range=6000.0, resolution=1.0)
    assert show(taking, [None] * 3 + [121.0] * 8, setting=coarse) == []
    said = show(taking, [120.4] * 20, at=11)
    assert [type(s) for s in said] == [Took]
    assert said[0].value == pytest.approx(120.4)  # type: ignore[attr-defined]


def test_the_foot_switch_takes_at_once() -> None:
    taking = Taking(u_of)
    assert taking.foot() == ()
    show(taking, [None] * 3)
    (took,) = taking.foot()
    assert isinstance(took, Took)
    assert (took.value, took.status, took.by_foot) == (None, Status.OVERLOAD, True)
    taking = Taking(u_of)
    show(taking, [None, None, 55.0])
    (took,) = taking.foot()
    assert isinstance(took, Took)
    assert (took.value, took.by_foot) == (55.0, True)
    assert show(taking, [55.0] * 30, at=3) == []


@pytest.mark.parametrize(("per_second", "median_s"), [(10.0, 1.5), (2.5, 3.0)])
def test_a_sample_of_the_campaign(per_second: float, median_s: float) -> None:
    """The whole campaign is 10 000 probings; at most 4 of those may be wrong, and 2 % missed."""
    found = run(800, per_second, seed=7)
    assert sum(found.wrong.values()) <= 1
    assert found.missed_share <= 0.02
    assert found.median_s <= median_s
    assert found.twice == 0
    assert found.not_armed == 0
    assert found.taken["clean"] > 200
