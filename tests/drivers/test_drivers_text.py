"""Text lines of serial meters: the shipped dialect, strictness, units and prefixes."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlog.bench.profile import TextPattern
from benchlog.model.quantity import Quantity
from benchlog.model.reading import Status
from benchlog_drivers.codecs.decoded import Decoded, Garbled
from benchlog_drivers.codecs.text import TextCodec, prefix_exponent
from benchlog_drivers.shelf import find_profile


@pytest.fixture(scope="module")
def codec() -> TextCodec:
    pattern = find_profile("simulated-handheld").text
    assert pattern is not None
    return TextCodec(pattern, b"\r\n")


def decoded(codec: TextCodec, line: bytes) -> Decoded:
    used, result = codec.decode(line)
    assert used == len(line)
    assert isinstance(result, Decoded), result
    return result


def test_a_line_of_the_shipped_dialect(codec: TextCodec) -> None:
    found = decoded(codec, b"AC +0.1234 A R6 A--\r\n")
    assert (found.quantity, found.value, found.range) == (Quantity.AC_CURRENT, 0.1234, 6.0)
    assert found.resolution == 0.0001
    assert found.flags == ("autorange",)


def test_prefixes_scale_value_range_and_resolution_exactly(codec: TextCodec) -> None:
    found = decoded(codec, b"DC -123.4 mV R600 --B\r\n")
    assert (found.quantity, found.value, found.range) == (Quantity.DC_VOLTAGE, -0.1234, 0.6)
    assert found.resolution == 0.0001
    assert found.flags == ("low-battery",)


@pytest.mark.parametrize(("word", "status"), [(b"OL", Status.OVERLOAD), (b"----", Status.AUTORANGING)])
def test_words_in_place_of_a_number_are_a_status_without_a_value(
    codec: TextCodec, word: bytes, status: Status
) -> None:
    found = decoded(codec, b"AC " + word + b" A R6 ---\r\n")
    assert (found.value, found.status, found.range) == (None, status, 6.0)


@pytest.mark.parametrize(
    "line",
    [
        b"AC +0.1234 A R6 A-\r\n",
        b"AC +0.12_4 A R6 A--\r\n",
        b"AC  +0.1234 A R6 A--\r\n",
        b"C +0.1234 A R6 A--\r\n",
        b"AC +0.1234 kA R6 A--\r\n",
        b"AC +9.1234 A R6 A--\r\n",
        b"AC nan A R6 A--\r\n",
        b"\xff\xfe\xf0\r\n",
        b"\r\n",
    ],
)
def test_anything_else_is_garbled(codec: TextCodec, line: bytes) -> None:
    used, result = codec.decode(line)
    assert used == len(line)
    assert isinstance(result, Garbled)


def test_half_a_line_waits_and_an_endless_one_does_not(codec: TextCodec) -> None:
    assert codec.decode(b"AC +0.1234 A R") == (0, None)
    used, result = codec.decode(b"x" * 60)
    assert used == 60
    assert isinstance(result, Garbled)


def test_a_decimal_comma_by_declaration() -> None:
    pattern = TextPattern(
        pattern=r"(?P<value>[+-]?\d+,\d+) (?P<unit>mV|V)",
        decimal_comma=True,
        quantities={"V": Quantity.DC_VOLTAGE},
    )
    found = decoded(TextCodec(pattern, b"\n"), b"12,50 V\n")
    assert (found.value, found.resolution) == (12.5, 0.01)
    _, result = TextCodec(pattern, b"\n").decode(b"12,50 mV\n")
    assert isinstance(result, Garbled), "a unit that the profile does not list is impossible"


@pytest.mark.parametrize(
    ("unit", "exponent"),
    # SI brochure, 9th edition, table 7
    [
        ("A", 0),
        ("mA", -3),
        ("µA", -6),
        ("uA", -6),
        ("kΩ", 3),
        ("MΩ", 6),
        ("nF", -9),
        ("pF", -12),
        ("Mohm", 6),
        ("VA", 0),
    ],
)
def test_prefixes(unit: str, exponent: int) -> None:
    assert prefix_exponent(unit) == exponent


def test_an_unknown_prefix_is_none() -> None:
    assert prefix_exponent("xA") is None
    assert prefix_exponent("mmA") is None


@given(st.binary(max_size=120))
def test_no_bytes_raise_and_what_is_used_is_there(data: bytes) -> None:
    pattern = find_profile("simulated-handheld").text
    assert pattern is not None
    used, result = TextCodec(pattern, b"\r\n").decode(data)
    assert 0 <= used <= len(data)
    assert used > 0 or result is None
