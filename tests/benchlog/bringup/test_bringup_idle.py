"""The uncertainty that is shown of a settled step, beside the bound that its verdict was given with."""

import math

import msgspec
import pytest

from benchlog.bringup.claims import no_short_claim
from benchlog.bringup.watch import BringUp
from benchlog.model.instrument import Accuracy, MeterSheet, Response
from benchlog.model.quantity import Quantity
from benchlog.model.role import Role
from benchlog.model.step import Outcome

HANDHELD = Accuracy(Quantity.AC_CURRENT, 0.01, 5, 0.001, range=10.0)


def first_record(rig, sheet: MeterSheet, current_a=0.1):
    r = rig(ammeter=sheet)
    r.to_step(0.10, current_a)
    return r.watch.records[0]


def trapezoid_95(h1: float, h2: float) -> float:
    """95 % half-width of two rectangles; EA-4/02 M:2022, S2, eq. S9.6 for the trapezoid's tail."""
    return h1 + h2 - math.sqrt(4.0 * h1 * h2 * 0.05)


def test_it_is_the_full_budget_and_the_bound_stands_beside_it(rig) -> None:
    found = first_record(rig, MeterSheet((HANDHELD,)))
    assert found.idle_bound_a == pytest.approx(2.0 / math.sqrt(3.0) * (0.01 * 0.1 + 5 * 0.001))
    assert found.idle_u_a == pytest.approx(trapezoid_95(0.005, 0.001), rel=0.02)
    assert found.idle_u_a < found.idle_bound_a


def test_scatter_widens_it_and_a_lone_drift_does_not(rig) -> None:
    sheet = MeterSheet((Accuracy(Quantity.AC_CURRENT, 0.001, 1, 0.001),))
    quiet = first_record(rig, sheet).idle_u_a
    wild = iter(range(10**6))
    noisy = first_record(rig, sheet, lambda v, t: 0.1 + 0.002 * math.sin(2.4 * next(wild))).idle_u_a
    drifting = first_record(rig, sheet, lambda v, t: 0.1 + 0.00005 * t).idle_u_a
    assert noisy > 1.2 * quiet
    assert drifting == pytest.approx(quiet, rel=0.03)


def test_turns_through_a_clamp_divide_the_counts(rig) -> None:
    clamp = Accuracy(Quantity.AC_CURRENT, 0.02, 5, 0.010, least=0.05, range=40.0)
    one = first_record(rig, MeterSheet((clamp,)), 0.05).idle_u_a
    five = first_record(rig, MeterSheet((clamp,), turns=5), 0.05).idle_u_a
    assert one == pytest.approx(5.0 * five, rel=0.05)


def test_peaky_currents_are_allowed_for_where_the_sheet_states_it(rig) -> None:
    peaky = msgspec.structs.replace(HANDHELD, crest_from=2.0, crest_extra=0.05)
    assert (
        first_record(rig, MeterSheet((peaky,))).idle_u_a > first_record(rig, MeterSheet((HANDHELD,))).idle_u_a
    )


def test_an_average_responding_meter_states_nothing_of_such_a_current(rig) -> None:
    found = first_record(rig, MeterSheet((HANDHELD,), response=Response.AVERAGE))
    assert found.idle_u_a is None
    assert found.idle_bound_a > 0.0


def test_the_range_that_the_meter_stood_on_is_the_one_that_counts(rig) -> None:
    coarse = msgspec.structs.replace(HANDHELD, counts=50.0, range=100.0)
    found = first_record(rig, MeterSheet((HANDHELD, coarse)))
    assert found.idle_u_a == pytest.approx(trapezoid_95(0.005, 0.001), rel=0.02)


def test_a_step_left_behind_by_a_fast_hand_keeps_its_own(rig) -> None:
    r = rig(hand_set=True, ammeter=MeterSheet((HANDHELD,)))
    r.begin().level[Role.SOURCE_CURRENT] = 0.05
    r.run(1.0).turn(6.0)
    r.run(30.0, until=lambda r: r.watch.records)
    r.turn(12.0)
    r.run(4.0)
    assert r.watch.records[0].idle_u_a == pytest.approx(trapezoid_95(0.005, 0.0005), rel=0.03)


def test_a_claim_rests_on_the_bound_and_not_on_the_narrower_interval(rig, setup) -> None:
    """A current between the two was not seen to stand above what the meter may err by."""
    r = rig(ammeter=MeterSheet((HANDHELD,)))
    r.to_step(0.30, 0.05)
    between = tuple(
        msgspec.structs.replace(s, idle_a=0.5 * (s.idle_u_a + s.idle_bound_a)) for s in r.watch.records
    )
    assert no_short_claim(r.setup, r.watch.records, Outcome.UNDECIDED, False) is not None
    assert no_short_claim(r.setup, between, Outcome.UNDECIDED, False) is None
    older = tuple(msgspec.structs.replace(s, idle_u_a=s.idle_bound_a, idle_bound_a=None) for s in between)
    assert no_short_claim(r.setup, older, Outcome.UNDECIDED, False) is None


def test_watts_are_forecast_beside_amperes_once_they_stand_above_their_uncertainty(rig) -> None:
    r = rig(periods={Role.SOURCE_POWER: 0.1}, ammeter=MeterSheet((HANDHELD,)))
    r.level[Role.SOURCE_POWER] = lambda v, t: 0.0 if v < 10.0 else 0.02 * v
    r.to_step(0.20, 0.05)
    first, second = r.watch.records[:2]
    assert first.forecast_next_w is None
    low, middle, high = second.forecast_next_w
    assert 0.0 <= low < middle < high
    assert second.forecast_next_a is not None


def test_a_record_without_a_usual_curve_forecasts_as_it_did(rig) -> None:
    r = rig(ammeter=MeterSheet((HANDHELD,)))
    older = rig(ammeter=MeterSheet((HANDHELD,)))
    older.watch = BringUp(msgspec.structs.replace(older.setup, typical=None))
    for one in (r, older):
        one.to_step(0.30, 0.05)
    assert [s.verdict for s in r.watch.records] == [s.verdict for s in older.watch.records]
    now, then = r.watch.records[-1].forecast_next_a, older.watch.records[-1].forecast_next_a
    assert now != then
