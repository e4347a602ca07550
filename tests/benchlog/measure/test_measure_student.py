"""Quantiles against scipy, and against the table printed in JCGM 100."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import special, stats

from benchlog.measure.student import (
    incomplete_beta,
    normal_cdf,
    normal_quantile,
    student_cdf,
    student_quantile,
    t95,
)
from benchlog.model.errors import UsageError

DOFS = [0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 5.7, 10.0, 16.75, 23.0, 78.0, 118.0, 500.0, 1000.0]
SHARES = [1e-6, 0.001, 0.025, 0.2, 0.45, 0.6, 0.9, 0.95, 0.975, 0.995, 0.9999]


@pytest.mark.parametrize("dof", DOFS)
@pytest.mark.parametrize("share", SHARES)
def test_quantile_agrees_with_scipy(dof: float, share: float) -> None:
    assert student_quantile(share, dof) == pytest.approx(float(stats.t.ppf(share, dof)), rel=1e-10)


@pytest.mark.parametrize("dof", [1e4, 1e6, 1e8])
def test_many_degrees_of_freedom(dof: float) -> None:
    for share in (0.9, 0.975, 0.995):
        assert student_quantile(share, dof) == pytest.approx(float(stats.t.ppf(share, dof)), rel=1e-7)


# JCGM 100:2008, table G.2 (degrees of freedom, 95 %, 99 %); printed to two decimals.
@pytest.mark.parametrize(
    ("dof", "t95_printed", "t99_printed"),
    [(1, 12.71, 63.66), (2, 4.30, 9.92), (3, 3.18, 5.84), (5, 2.57, 4.03), (8, 2.31, 3.36), (16, 2.12, 2.92),
     (20, 2.09, 2.85), (50, 2.01, 2.68), (100, 1.984, 2.626)],
)  # fmt: skip
def test_printed_table(dof: int, t95_printed: float, t99_printed: float) -> None:
    assert t95(float(dof)) == pytest.approx(t95_printed, abs=0.005)
    assert student_quantile(0.995, float(dof)) == pytest.approx(t99_printed, abs=0.005)


def test_without_end_it_is_the_normal() -> None:
    assert t95(math.inf) == pytest.approx(1.959963984540054, rel=1e-14)
    assert student_cdf(1.0, math.inf) == normal_cdf(1.0)


@given(dof=st.floats(0.5, 1e3), t=st.floats(-50, 50))
def test_cdf_agrees_with_scipy(dof: float, t: float) -> None:
    assert student_cdf(t, dof) == pytest.approx(float(stats.t.cdf(t, dof)), rel=1e-10, abs=1e-14)


@given(a=st.floats(0.1, 200), b=st.floats(0.1, 200), x=st.floats(0, 1))
def test_incomplete_beta_agrees_with_scipy(a: float, b: float, x: float) -> None:
    assert incomplete_beta(a, b, x) == pytest.approx(float(special.betainc(a, b, x)), rel=1e-9, abs=1e-13)


@given(z=st.floats(-30, 30))
def test_normal_cdf_agrees_with_scipy(z: float) -> None:
    assert normal_cdf(z) == pytest.approx(float(stats.norm.cdf(z)), rel=1e-11, abs=1e-300)


@given(p=st.floats(1e-9, 1 - 1e-9))
def test_quantile_and_cdf_undo_each_other(p: float) -> None:
    assert normal_cdf(normal_quantile(p)) == pytest.approx(p, rel=1e-9)
    assert student_cdf(student_quantile(p, 7.0), 7.0) == pytest.approx(p, rel=1e-9)


@pytest.mark.parametrize(("p", "dof"), [(0.0, 5.0), (1.0, 5.0), (-1.0, 5.0), (0.5, 0.0), (0.5, math.nan)])
def test_outside_its_domain_it_refuses(p: float, dof: float) -> None:
    with pytest.raises(UsageError):
        student_quantile(p, dof)
