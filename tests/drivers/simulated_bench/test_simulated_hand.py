"""The hand on the dial: late, and within ± 5 % of full scale of what it was asked."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlog.model.clock import US
from benchlog.model.event import Judged
from benchlog.model.step import StepVerdict
from benchlog_drivers.simulated.hand import DIAL_ERROR, LEAST_TURN, MANNERS, Hand, HandKind
from benchlog_drivers.simulated.technician import Technician, TechnicianKind

FULL = 130.0
TARGETS = [f * 120.0 for f in (0.05, 0.10, 0.15, 0.20, 0.30, 0.40, 0.50, 0.65, 0.80, 0.90, 1.0)]
STANDING = [HandKind.STEADY, HandKind.LATE, HandKind.OVERSHOOTING, HandKind.FORGETFUL]


def hand(kind: HandKind, seed: int = 1, full: float = FULL) -> Hand:
    return Hand(kind, full, 120.0 if full == FULL else 230.0, seed)


@given(
    kind=st.sampled_from(STANDING),
    seed=st.integers(0, 10**6),
    fractions=st.lists(st.floats(0.02, 1.0), min_size=1, max_size=8),
    full=st.sampled_from([130.0, 260.0]),
)
def test_the_dial_stands_within_five_percent_of_full_scale(
    kind: HandKind, seed: int, fractions: list[float], full: float
) -> None:
    one = hand(kind, seed, full)
    for k, fraction in enumerate(fractions):
        target = fraction * one.nominal_v
        at_s = 200.0 * k
        one.instruct("Turn", target, False, at_s)
        assert one.dial_at(at_s + 199.0) == pytest.approx(target, abs=DIAL_ERROR * full + 1e-9)
        assert not one.is_turning(at_s + 199.0)
        assert one.is_on(at_s + 199.0)


@pytest.mark.parametrize("kind", STANDING)
def test_the_hand_is_late_by_its_manner(kind: HandKind) -> None:
    delays = []
    for seed in range(200):
        one = hand(kind, seed)
        one.instruct("Turn", 60.0, False, 10.0)
        delays.append(one.next_change_s(10.0) - 10.0)
    least, most = MANNERS[kind].delay_s
    usual = [d for d in delays if d <= most]
    assert min(delays) >= least
    assert len(usual) >= 0.5 * len(delays)
    missed = 1.0 - len(usual) / len(delays)
    assert missed == pytest.approx(MANNERS[kind].missed, abs=0.1)


def test_the_error_is_spread_over_the_whole_band() -> None:
    errors = []
    for seed in range(500):
        one = hand(HandKind.STEADY, seed)
        one.instruct("Turn", 60.0, False, 0.0)
        errors.append((one.dial_at(60.0) - 60.0) / (DIAL_ERROR * FULL))
    assert np.std(errors) == pytest.approx(1.0 / np.sqrt(3.0), rel=0.08)  # rectangular, JCGM 100:2008 4.3.7
    assert max(np.abs(errors)) > 0.95


def test_asked_to_go_up_it_goes_up() -> None:
    for seed in range(100):
        one, before = hand(HandKind.STEADY, seed), 0.0
        for k, target in enumerate(TARGETS):
            one.instruct("Turn", target, False, 60.0 * k)
            stood = one.dial_at(60.0 * k + 59.0)
            assert stood >= before + LEAST_TURN * FULL - 1e-9
            before = stood


def test_an_overshooting_hand_goes_too_far_and_comes_back() -> None:
    beyond = 0
    for seed in range(50):
        one = hand(HandKind.OVERSHOOTING, seed)
        one.instruct("Turn", 60.0, False, 0.0)
        path = [one.dial_at(0.05 * k) for k in range(400)]
        assert max(path) <= 60.0 + (DIAL_ERROR + 0.06) * FULL + 1e-6
        beyond += max(path) > path[-1] + 0.015 * FULL
    assert beyond > 45


def test_a_sweeping_hand_never_stands_still_until_the_switch_is_to_be_thrown() -> None:
    one = hand(HandKind.SWEEPING)
    one.instruct("Turn", 6.0, False, 0.0)
    one.instruct("Stop turning.", None, True, 30.0)
    one.instruct("Turn", 12.0, False, 40.0)
    places = np.array([one.dial_at(5.0 + k) for k in range(600)])
    assert np.all(np.diff(places) != 0.0)
    assert places.max() <= 1.03 * 120.0 + 1e-6
    one.instruct("Bench switch off. Dial to zero. Unplug.", 0.0, True, 700.0)
    assert not one.is_on(702.0)


@pytest.mark.parametrize("kind", list(HandKind))
def test_an_alarm_is_followed_within_the_reaction_of_the_manner(kind: HandKind) -> None:
    for seed in range(50):
        one = hand(kind, seed)
        one.instruct("Turn", 60.0, False, 0.0)
        one.instruct("Bench switch off. Dial to zero. Unplug.", None, True, 120.0)
        least, most = MANNERS[kind].urgent_delay_s
        assert one.is_on(120.0 + least - 0.01)
        assert not one.is_on(120.0 + most + 0.01)
        after = one.dial_at(160.0)
        assert (after == 0.0) is (kind is not HandKind.FORGETFUL)


def test_stop_turning_makes_a_steady_hand_stand_still() -> None:
    one = hand(HandKind.LATE)
    one.instruct("Turn", 120.0, False, 0.0)
    start_s = one.next_change_s(0.0)
    one.instruct("Stop turning.", None, True, start_s)
    assert one.is_turning(start_s + 0.5)
    assert not one.is_turning(start_s + 6.0)
    assert 0.0 < one.dial_at(start_s + 6.0) < 100.0


def test_the_orderly_end_turns_down_before_the_switch() -> None:
    one = hand(HandKind.STEADY)
    one.instruct("Turn", 120.0, False, 0.0)
    one.instruct("Dial to zero, then switch off.", 0.0, False, 60.0)
    off_s = max(one.next_change_s(t) for t in np.arange(60.0, 75.0, 0.1) if one.next_change_s(t) < 1e6)
    assert one.dial_at(off_s) == pytest.approx(0.0, abs=1e-6)
    assert not one.is_on(off_s)


def test_a_creeping_dial_moves_by_itself() -> None:
    one = hand(HandKind.CREEPING)
    one.instruct("Turn", 60.0, False, 0.0)
    stood = one.dial_at(30.0)
    assert one.dial_at(130.0) - stood == pytest.approx(100.0 * 0.0002 * FULL, rel=1e-6)


def test_the_same_seed_turns_the_same_way() -> None:
    paths = []
    for _ in range(2):
        one = hand(HandKind.FORGETFUL, 9)
        for k, target in enumerate(TARGETS):
            one.instruct("Turn", target, False, 30.0 * k)
        paths.append([one.dial_at(float(k)) for k in range(400)])
    assert paths[0] == paths[1]


def test_other_alarms_move_nothing_and_turning_back_is_quick() -> None:
    one = hand(HandKind.STEADY)
    one.instruct("Turn", 60.0, False, 0.0)
    stood = one.dial_at(30.0)
    one.instruct("Alarm: no reading from the ammeter", None, True, 30.0)
    one.instruct("Within the limit: wait", None, False, 30.0)
    assert one.dial_at(60.0) == stood
    one.instruct("Turn back to 24 V: the step before was not judged", 24.0, True, 60.0)
    assert one.is_turning(60.0 + MANNERS[HandKind.STEADY].urgent_delay_s[1] + 0.05)
    assert one.dial_at(90.0) == pytest.approx(24.0, abs=DIAL_ERROR * FULL)
    assert one.is_on(90.0)


def test_a_technician_accepts_what_the_program_said_last() -> None:
    technician = Technician(TechnicianKind.GOES_ON, 3)
    technician.hear(Judged(2, StepVerdict.WAIT, "Wait: switch-on at 24 V", rule="inrush"), 0)
    due_us = technician.due_us()
    technician.hear(
        Judged(2, StepVerdict.WAIT, "Wait: 0.4 A is above the limit", rule="above-acceptance"), US
    )
    assert technician.due_us() == due_us is not None
    key = technician.act(due_us)
    assert key is not None and key.reason == "seen and accepted: Wait: 0.4 A is above the limit"
