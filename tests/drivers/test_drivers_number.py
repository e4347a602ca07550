"""The strict number parser, against IEEE 488.2 NR1/NR2/NR3 forms and SCPI-1999's special numbers."""

import math
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlog.model.reading import Status
from benchlog_drivers.codecs.number import scpi_value, strict_float, strict_int


@pytest.mark.parametrize(
    ("text", "value"),
    # NR1, NR2 and NR3 forms of IEEE 488.2-1992, 8.7.2 to 8.7.4
    [
        ("1", 1.0),
        ("+12", 12.0),
        ("-0.5", -0.5),
        ("12.", 12.0),
        (".5", 0.5),
        ("1.5E-3", 1.5e-3),
        ("+1.2345E+01", 12.345),
    ],
)
def test_forms_of_the_standard_are_numbers(text: str, value: float) -> None:
    assert strict_float(text) == value


@pytest.mark.parametrize(
    "text",
    [
        "1_0",
        "nan",
        "inf",
        "-inf",
        "Infinity",
        "0x10",
        "",
        "+",
        ".",
        "1e",
        "1 0",
        "1,5",
        "٣",
        "1e999",
        "--1",
        "1.2.3",
        "1\n2",
    ],
)
def test_what_only_a_programming_language_takes_is_no_number(text: str) -> None:
    assert strict_float(text) is None
    assert scpi_value(text) is Status.GARBLED


@pytest.mark.parametrize("sign", ["", "+", "-"])
def test_infinity_and_not_a_number_are_found_as_float32_too(sign: str) -> None:
    # SCPI-1999 vol. 1, 7.2.1.4 and 7.2.1.5: 9.9E37 and 9.91E37
    as_float32 = [struct.unpack("f", struct.pack("f", x))[0] for x in (9.9e37, 9.91e37)]
    for infinity in ("9.9E37", "9.900000E+37", repr(as_float32[0])):
        assert scpi_value(sign + infinity) is Status.OVERLOAD
    for nothing in ("9.91E37", "9.910000E+37", repr(as_float32[1])):
        assert scpi_value(sign + nothing) is Status.NOT_A_NUMBER


def test_other_huge_numbers_are_garbled() -> None:
    assert scpi_value("9.8E37") is Status.GARBLED
    assert scpi_value("1E300") is Status.GARBLED


@given(st.floats(allow_nan=False, allow_infinity=False, min_value=-1e30, max_value=1e30))
def test_every_number_written_out_comes_back(value: float) -> None:
    assert scpi_value(repr(value)) == value
    assert math.isclose(scpi_value(f"{value:.6E}"), value, rel_tol=1e-6, abs_tol=1e-300)


@given(st.text(max_size=12))
def test_no_text_raises(text: str) -> None:
    result = scpi_value(text)
    assert isinstance(result, float | Status)
    assert not isinstance(result, float) or math.isfinite(result)


def test_whole_numbers() -> None:
    assert strict_int("12") == 12
    assert strict_int("1.20E+01") == 12
    assert strict_int("1.5") is None
    assert strict_int("1_2") is None
    assert strict_int("9" * 16) is None
