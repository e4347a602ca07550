"""Figures for people: prefixes by ISO 80000-1, 6.5.4 (0.1 … 1000), never a power of ten, the same value."""

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlog.model.printed import plain, with_prefix, with_u

_FACTOR = {"G": 1e9, "M": 1e6, "k": 1e3, "": 1.0, "m": 1e-3, "µ": 1e-6, "n": 1e-9, "p": 1e-12}


@pytest.mark.parametrize(
    ("value", "u", "text"),
    [
        (0.62, 0.05, "620 mΩ ± 50 mΩ"),
        (20.3, 0.93, "20.3 Ω ± 0.93 Ω"),
        (-0.006, 0.0035, "-6 mΩ ± 3.5 mΩ"),
        (15e3, 5.9e3, "15 kΩ ± 5.9 kΩ"),
        (123456.0, 0.1, "123.5 kΩ ± 100 mΩ"),
        (0.005, 2.0, "5 mΩ ± 2 Ω"),
        (0.0, 0.001, "0 Ω ± 1 mΩ"),
        (0.999996, None, "1 Ω"),
    ],
)
def test_with_uncertainty(value: float, u: float | None, text: str) -> None:
    assert with_u(value, u, "Ω") == text


def test_bare_units() -> None:
    assert with_prefix(1234.0, "", 2) == "1200"
    assert with_u(25.12, 2.0, "°C") == "25.12 °C ± 2 °C"


@given(st.floats(1e-12, 1e11), st.integers(1, 6))
def test_a_prefix_reads_back(value: float, digits: int) -> None:
    text = with_prefix(value, "F", digits)
    found = re.fullmatch(r"(\d+(?:\.\d+)?) ([GMkmµnp]?)F", text)
    assert found is not None, text
    number, prefix = found.groups()
    assert math.isclose(float(number) * _FACTOR[prefix], value, rel_tol=0.51 * 10.0 ** (1 - digits))
    assert float(number) < 1000.0 or prefix == "G"


@given(st.floats(allow_nan=False, allow_infinity=False), st.integers(1, 6))
def test_plain_is_the_same_number(value: float, digits: int) -> None:
    text = plain(value, digits)
    assert "e" not in text
    assert float(text) == pytest.approx(float(f"{value:.{digits}g}"))
