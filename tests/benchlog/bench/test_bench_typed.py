"""Typed readings, against the code of IEC 60062 and what can't be meant."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlog.bench.typed import SPANS, parse_typed
from benchlog.model.errors import UsageError
from benchlog.model.quantity import Quantity
from benchlog.model.reading import Status

OHMS = Quantity.RESISTANCE


@pytest.mark.parametrize(
    ("text", "ohms"),
    # IEC 60062 letter-and-digit code, published examples
    [("R47", 0.47), ("4R7", 4.7), ("470R", 470.0), ("4K7", 4700.0), ("47K", 47e3), ("47K3", 47300.0),
     ("470K", 470e3),
     ("4M7", 4.7e6)],
)  # fmt: skip
def test_examples_of_the_letter_code(text: str, ohms: float) -> None:
    typed = parse_typed(text, OHMS)
    assert typed.value == ohms
    assert typed.doubts == ()


@pytest.mark.parametrize(
    ("text", "quantity", "value", "resolution"),
    [
        ("7.6", OHMS, 7.6, 0.1),
        ("7R6", OHMS, 7.6, 0.1),
        ("2k2", OHMS, 2200.0, 100.0),
        (".25", Quantity.ESR, 0.25, 0.01),
        ("220u", Quantity.CAPACITANCE, 220e-6, 1e-6),
        ("220µ", Quantity.CAPACITANCE, 220e-6, 1e-6),
        ("220 uF", Quantity.CAPACITANCE, 220e-6, 1e-6),
        ("4n7", Quantity.CAPACITANCE, 4.7e-9, 1e-10),
        ("512m", Quantity.JUNCTION_VOLTAGE, 0.512, 0.001),
        ("-12 mV", Quantity.DC_VOLTAGE, -0.012, 0.001),
        ("−12mV", Quantity.DC_VOLTAGE, -0.012, 0.001),
        ("7.6 Ω", OHMS, 7.6, 0.1),
        ("7.6 ohm", OHMS, 7.6, 0.1),
        ("23.5 °C", Quantity.TEMPERATURE, 23.5, 0.1),
        ("0", OHMS, 0.0, 1.0),
    ],
)
def test_trade_notation(text: str, quantity: Quantity, value: float, resolution: float) -> None:
    typed = parse_typed(text, quantity)
    assert (typed.value, typed.status) == (value, None)
    assert typed.resolution == pytest.approx(resolution, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "status"), [("OL", Status.OVERLOAD), ("o.l", Status.OVERLOAD), ("open", Status.OPEN_LEADS)]
)
def test_words_have_a_status_and_no_value(text: str, status: Status) -> None:
    typed = parse_typed(text, OHMS)
    assert (typed.value, typed.status) == (None, status)


def test_short_is_asked_back() -> None:
    typed = parse_typed("short", Quantity.CONTINUITY)
    assert typed.value == 0.0
    assert typed.doubts


@pytest.mark.parametrize(
    ("text", "quantity"),
    [
        ("1_0", OHMS), ("nan", OHMS), ("inf", OHMS), ("1e3", OHMS), ("", OHMS), ("R", OHMS), ("k", OHMS),
        ("٣", OHMS), ("2k2k", OHMS), ("7.6.1", OHMS), ("7R6 V", OHMS), ("7.6 V", OHMS), ("-3", OHMS),
        ("7R6", Quantity.DC_VOLTAGE),
        ("512", Quantity.JUNCTION_VOLTAGE), ("short", Quantity.AC_CURRENT), ("open", Quantity.AC_VOLTAGE),
        ("1.2", Quantity.POWER_FACTOR), ("2 2k", OHMS), ("7;6", OHMS),
    ],
)  # fmt: skip
def test_what_can_not_be_meant_is_refused(text: str, quantity: Quantity) -> None:
    with pytest.raises(UsageError):
        parse_typed(text, quantity)


def test_a_decimal_comma_only_where_it_is_set() -> None:
    assert parse_typed("7,6", OHMS, decimal_comma=True).value == 7.6
    with pytest.raises(UsageError, match="comma"):
        parse_typed("7,6", OHMS)
    with pytest.raises(UsageError):
        parse_typed("1.000,5", OHMS, decimal_comma=True)
    assert parse_typed("7.6", OHMS, decimal_comma=True).doubts, "a point there may part thousands"


def test_a_capacitance_without_a_prefix_is_asked_back() -> None:
    typed = parse_typed("220", Quantity.CAPACITANCE)
    assert typed.doubts == ("220 what: µF, nF or pF?",)
    assert typed.suggestion == "220u"


def test_an_unusual_size_is_asked_back_with_what_may_be_meant() -> None:
    assert parse_typed("0m47", OHMS).suggestion == "0M47"
    assert parse_typed("40", Quantity.AC_CURRENT).suggestion == "40m"
    assert parse_typed("0.4", Quantity.AC_CURRENT).doubts == ()


@given(st.text(max_size=10), st.sampled_from(list(Quantity)))
def test_nothing_typed_raises_anything_else(text: str, quantity: Quantity) -> None:
    try:
        typed = parse_typed(text, quantity)
    except UsageError:
        return
    assert (typed.value is None) != (typed.status is None)
    assert typed.value is None or abs(typed.value) < SPANS[quantity].impossible


@given(st.integers(1, 999), st.integers(0, 99), st.sampled_from("kM"))
def test_letter_and_suffix_forms_agree(whole: int, rest: int, prefix: str) -> None:
    letter = parse_typed(f"{whole}{prefix}{rest:02d}", OHMS)
    suffix = parse_typed(f"{whole}.{rest:02d}{prefix}", OHMS)
    assert (letter.value, letter.resolution) == (suffix.value, suffix.resolution)
