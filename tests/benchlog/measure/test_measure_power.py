"""Power factor: what it is of, how sure it is, and when it can't be told.

Referee for its uncertainty: the `uncertainties` package (first-order propagation, JCGM 100:2008, 5.1.2).
"""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import ufloat

from benchlog.measure.power import COARSEST, power_factor, power_factor_u

WATTS = st.floats(0.1, 2000.0)
SHARE = st.floats(1e-4, 0.2)


@given(WATTS, st.floats(1.0, 4.0), SHARE, SHARE)
def test_its_uncertainty_is_that_of_a_quotient(watts: float, ratio: float, p: float, s: float) -> None:
    va = watts * ratio
    referee = ufloat(watts, p * watts) / ufloat(va, s * va)
    assert power_factor_u(watts, p * watts, va, s * va) == pytest.approx(referee.std_dev, rel=1e-9)


def test_watts_of_a_few_counts_tell_nothing() -> None:
    assert power_factor(-0.1, 0.58, 0.4, 0.1) is None
    assert power_factor(0.3, 0.58, 0.6, 0.1) is None
    assert power_factor(17.0, 0.68, 31.2, 1.5) == pytest.approx(0.545, abs=0.001)


def test_little_watts_at_many_volt_amperes_are_a_low_power_factor() -> None:
    assert power_factor(-0.2, 0.6, 8.0, 0.4) == 0.0
    assert power_factor(0.4, 0.6, 8.0, 0.4) == pytest.approx(0.05)


def test_watts_below_zero_beyond_their_uncertainty_have_no_power_factor() -> None:
    assert power_factor(-17.0, 0.7, 31.0, 1.0) is None


def test_without_volt_amperes_there_is_none() -> None:
    assert power_factor(0.0, 0.5, 0.0, 0.1) is None
    assert math.isinf(power_factor_u(0.0, 0.5, 0.0, 0.1))


@given(st.floats(-2000.0, 2000.0), st.floats(0.0, 50.0), st.floats(0.0, 5000.0), st.floats(0.0, 50.0))
def test_what_is_told_is_a_power_factor_and_sure_enough(w: float, u_w: float, va: float, u_va: float) -> None:
    found = power_factor(w, u_w, va, u_va)
    if found is not None:
        assert 0.0 <= found <= 1.0
        assert power_factor_u(w, u_w, va, u_va) <= COARSEST
