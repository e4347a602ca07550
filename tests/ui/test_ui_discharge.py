"""The discharge estimate against the exponential law of a capacitor over a resistor."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlog_ui.discharge import estimate


@given(st.floats(12.0, 400.0), st.floats(1.0, 200.0), st.sampled_from([1, -1]))
def test_exponential(volts, rc_s, sign):
    # V(t) = V0·exp(-t/RC): any text on circuit theory. Time to V1 is RC·ln(V0/V1).
    readings = [(n * 0.1, sign * volts * math.exp(-n * 0.1 / rc_s)) for n in range(60)]
    found = estimate(readings)
    assert found is not None
    last = abs(readings[-1][1])
    wanted = 0.0 if last <= 10 else rc_s * math.log(last / 10)
    assert found.to_touch_s == pytest.approx(wanted, rel=1e-6, abs=1e-6)
    assert found.to_probe_s == pytest.approx(rc_s * math.log(last / 1.0) if last > 1 else 0.0, rel=1e-6)


def test_a_rail_that_does_not_fall_gives_no_time():
    found = estimate([(n * 0.1, 48.0) for n in range(60)])
    assert found is not None
    assert found.to_touch_s is None
    assert found.volts == 48.0


def test_too_few_readings_give_no_time():
    found = estimate([(0.0, 48.0), (0.1, 47.0)])
    assert found is not None
    assert found.to_touch_s is None


def test_nothing_read():
    assert estimate([]) is None
