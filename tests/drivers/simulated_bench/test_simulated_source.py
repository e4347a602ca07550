"""The programmed source's own limit, its rating, its ranges."""

import pytest

from benchlog_drivers.simulated.source import ProgrammedSource, dial_full_scale, programmed_rating


def source(mains_v: float = 120.0) -> ProgrammedSource:
    one = ProgrammedSource(programmed_rating(mains_v))
    one.set_voltage(100.0, 0.0)
    one.switch(True, 0.0)
    one.take_changes()
    return one


def feel(one: ProgrammedSource, current_a: float, seconds: float) -> float | None:
    """Seconds until it trips; None when it does not."""
    for k in range(round(seconds / 0.1)):
        if one.observe(current_a, 0.1 * (k + 1), 0.1):
            return 0.1 * (k + 1)
    return None


def test_ratings() -> None:
    assert (programmed_rating(120.0).current_a, programmed_rating(230.0).current_a) == (10.0, 5.0)
    assert (dial_full_scale(120.0), dial_full_scale(230.0)) == (130.0, 260.0)


@pytest.mark.parametrize("delay_s", [0.5, 2.0, 5.0])
def test_it_trips_once_the_delay_is_over(delay_s: float) -> None:
    one = source()
    assert one.set_limit(2.5)
    assert one.set_delay(delay_s)
    assert feel(one, 2.4, 60.0) is None
    assert delay_s - 1e-9 <= (feel(one, 2.6, 60.0) or 0.0) <= delay_s + 0.1 + 1e-9
    assert one.tripped
    assert not one.output_on
    assert one.take_changes()[-1].volts == 0.0


def test_a_pulse_shorter_than_the_delay_does_not_trip() -> None:
    one = source()
    one.set_limit(2.5)
    one.set_delay(3.0)
    for _ in range(10):
        assert feel(one, 9.0, 2.9) is None
        assert feel(one, 0.2, 0.3) is None


def test_a_trip_must_be_cleared_before_the_output_comes_back() -> None:
    one = source()
    one.set_limit(1.0)
    one.set_delay(0.0)
    feel(one, 2.0, 1.0)
    assert not one.switch(True, 2.0)
    one.clear_trip()
    assert not one.output_on
    assert one.switch(True, 3.0)


def test_out_of_range_is_not_taken() -> None:
    one = source()
    assert not one.set_voltage(150.1, 1.0)
    assert not one.set_voltage(-1.0, 1.0)
    assert not one.set_limit(10.5)
    assert not one.set_limit(0.0)
    assert not one.set_delay(-0.1)
    assert one.set_v == 100.0


def test_above_its_rating_it_takes_its_voltage_back() -> None:
    one = source()
    one.set_delay(60.0)
    for k in range(20):
        one.observe(20.0 * one.fold, 0.1 * k, 0.1)
    assert 20.0 * one.fold == pytest.approx(10.0, rel=0.06)
    for k in range(60):
        one.observe(1.0, 2.0 + 0.1 * k, 0.1)
    assert one.fold == 1.0
