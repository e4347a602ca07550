"""Markings, parts and estimates.

Sources: codes with the letter at the decimal point (examples of an IEC 60062 page: R47, 4R7, 470R, 4K7, 47K,
47K3, 470K, 4M7), tolerance letters and three-figure codes (IEC 60062); series E3 to E192 (IEC 60063).
"""

from datetime import UTC, datetime
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlog.job.estimate import (
    amount_in,
    amount_of,
    estimate,
    latest_answer,
    line_of,
    money,
    not_answered,
    over_cap,
)
from benchlog.job.marking import Kind, read_marking, series_of
from benchlog.job.parts import before_fitting, own_check, taken_out, waited_for
from benchlog.model.errors import UsageError
from benchlog.model.history import Approved, Corrected, Entry, PartChanged, Payload, Taken
from benchlog.model.known import Check, Known
from benchlog.model.point import PointKind, TestPoint
from benchlog.model.quantity import Quantity
from benchlog.model.step import PointVerdict
from benchlog.model.work import EstimateLine

R, C = Kind.RESISTOR, Kind.CAPACITOR


@pytest.mark.parametrize(
    ("text", "kind", "value", "tolerance", "series"),
    [
        ("R47", R, 0.47, None, "E3"), ("4R7", R, 4.7, None, "E3"), ("470R", R, 470, None, "E3"),
        ("4K7", R, 4700, None, "E3"), ("47K", R, 47e3, None, "E3"), ("47K3", R, 47.3e3, None, ""),
        ("470K", R, 470e3, None, "E3"), ("4M7", R, 4.7e6, None, "E3"),
        ("4K7J", R, 4700, 0.05, "E3"), ("R22K", R, 0.22, 0.10, "E3"), ("4K99F", R, 4990, 0.01, "E96"),
        ("8k2", R, 8200, None, "E12"), ("0.22", R, 0.22, None, "E3"), ("9k20", R, 9200, None, "E192"),
        ("100n", C, 1e-7, None, "E3"), ("220u", C, 220e-6, None, "E3"), ("4n7K", C, 4.7e-9, 0.10, "E3"),
        ("104", C, 100e-9, None, "E3"), ("473J", C, 47e-9, 0.05, "E3"), ("680u", C, 680e-6, None, "E6"),
        ("10mF", C, 10e-3, None, "E3"), ("473J", R, 47e3, 0.05, "E3"),
    ],
)  # fmt: skip
def test_markings(text: str, kind: Kind, value: float, tolerance: float | None, series: str) -> None:
    found = read_marking(text, kind)
    assert found.value == pytest.approx(value)
    assert found.tolerance == tolerance
    assert found.series == series
    assert bool(found.doubts) == (series == "")


@pytest.mark.parametrize(
    ("text", "kind"),
    [("472", R), ("4u7", R), ("4K7", C), ("teapot", R), ("", C), ("0R0", R), ("OL", R), ("-4K7", R)],
)
def test_markings_that_can_not_be_meant_or_in_two_ways(text: str, kind: Kind) -> None:
    with pytest.raises(UsageError):
        read_marking(text, kind)


def test_a_bare_number_of_a_capacitor_is_asked_back() -> None:
    assert "what" in read_marking("22", C).doubts[0]


@given(st.integers(0, 23), st.integers(-3, 7))
def test_every_e24_value_is_in_a_series(k: int, decade: int) -> None:
    """IEC 60063: E24 in all decades."""
    e24 = (10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91)
    assert series_of(e24[k] * 10.0**decade) in ("E3", "E6", "E12", "E24")


WALL = datetime(2026, 1, 5, 9, 0, tzinfo=UTC)


def history(*payloads: Payload) -> tuple[Entry, ...]:
    return tuple(Entry(n, n, WALL, p) for n, p in enumerate(payloads, 1))


def reading(verdict: PointVerdict = PointVerdict.WITHIN, part: str = "C31") -> Taken:
    point = TestPoint("new filter", PointKind.ESR, known=Known(farad=220e-6, rated_v=50, used=False))
    return Taken(point, Quantity.ESR, 0.16, typed="0.16", verdict=verdict, part=part)


COIL = Taken(
    TestPoint("voice coil", PointKind.OHMS, known=Known(check=Check.VOICE_COIL, rated_ohm=8)),
    Quantity.RESISTANCE, 6.1,
)  # fmt: skip
IN = PartChanged("C31", "in", "220u")


def test_a_new_part_is_checked_by_itself_before_it_is_fitted() -> None:
    assert "was not checked" in before_fitting(history(), IN)[0]
    assert before_fitting(history(reading()), IN) == ()
    assert own_check(history(reading()), "C31") == (1, reading())
    assert "outside limit" in before_fitting(history(reading(PointVerdict.OUTSIDE)), IN)[0]
    assert own_check(history(reading(), IN), "C31") is None
    assert "was not checked" in before_fitting(history(reading(), Corrected(1, "x", void=True)), IN)[0]
    assert before_fitting(history(), PartChanged("C31", "out", "220u")) == ()


def test_the_voice_coil_comes_before_an_output_device() -> None:
    device = PartChanged("left output pair", "in", "npn and pnp")
    told = before_fitting(history(reading(part="left output pair")), device)
    assert len(told) == 1
    assert "voice coil" in told[0]
    assert before_fitting(history(reading(part="left output pair"), COIL), device) == ()


def test_parts_waited_for_and_places_left_empty() -> None:
    ordered, back = PartChanged("Q1", "ordered", "npn"), PartChanged("Q1", "returned", "npn")
    fitted, out = PartChanged("Q1", "in", "npn"), PartChanged("Q1", "out", "npn")
    assert waited_for(history(out, ordered)) == (ordered,)
    assert waited_for(history(ordered, fitted)) == ()
    assert waited_for(history(ordered, back)) == ()
    assert waited_for(history(ordered, Corrected(1, "wrong job", void=True))) == ()
    assert taken_out(history(out)) == (out,)
    assert taken_out(history(out, fitted)) == ()


@pytest.mark.parametrize("text", ["", "x", "1.234", "1e9", "nan", "inf", "1,2,3", "--5"])
def test_amounts_that_are_none(text: str) -> None:
    with pytest.raises(UsageError):
        amount_of(text)


def test_an_estimate_and_the_cap_that_was_agreed() -> None:
    lines = [line_of("two output devices=58.00"), line_of("labour = 90,50")]
    made = estimate(lines, "EUR", "not above EUR 120")
    assert made.total == Decimal("148.50")
    assert made.over_cap == Decimal("28.50")
    assert estimate(lines, "EUR", "200").over_cap is None
    assert estimate(lines, "EUR", "ask me").over_cap is None
    assert over_cap(Decimal(5), "between 2 and 3") is None
    assert (amount_in("EUR 120.00"), amount_in("120 or 130"), amount_in("")) == (Decimal(120), None, None)
    assert money(Decimal("0.1") + Decimal("0.2"), "EUR") == "0.30 EUR"
    with pytest.raises(UsageError, match="at least one line"):
        estimate([], "EUR", "")
    for wrong in ("labour", "=5", "labour=x"):
        with pytest.raises(UsageError):
            line_of(wrong)


def test_a_changed_estimate_waits_for_another_answer() -> None:
    put = estimate([EstimateLine("labour", Decimal(90))], "EUR", "")
    yes = Approved(True, "90.00 EUR", "Invented", "telephone")
    assert not_answered(history(put))
    assert not not_answered(history(put, yes))
    assert not_answered(history(put, yes, put))
    assert not not_answered(history(put, yes, put, Corrected(3, "not sent", void=True)))
    assert latest_answer(history(put, yes)) == (2, yes)
