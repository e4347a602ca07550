"""Strict numbers: what an instrument may say, and nothing that only Python takes for a number."""

import math
import re

from benchlog.model.reading import Status

_DECIMAL = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?", re.ASCII)
_WHOLE = re.compile(r"[+-]?[0-9]{1,15}", re.ASCII)

INFINITY = 9.9e37
NOT_A_NUMBER = 9.91e37
_TOLERANCE = 1e-4
_IMPOSSIBLE = 1e36

_WORDS = {
    "INF": Status.OVERLOAD, "INFINITY": Status.OVERLOAD, "NINF": Status.OVERLOAD,
    "NINFINITY": Status.OVERLOAD, "+INF": Status.OVERLOAD, "-INF": Status.OVERLOAD,
    "NAN": Status.NOT_A_NUMBER,
}  # fmt: skip
_BASES = {"H": 16, "Q": 8, "B": 2}


def strict_float(text: str) -> float | None:
    """Number of a decimal text; None for ``1_0``, ``nan``, ``inf``, hexadecimal, blanks, or overflow."""
    if _DECIMAL.fullmatch(text) is None:
        return None
    value = float(text)
    return value if math.isfinite(value) else None


def strict_int(text: str) -> int | None:
    """Whole number of at most 15 digits; None for anything else. ``1.000000E+01`` counts as 10."""
    if _WHOLE.fullmatch(text) is not None:
        return int(text)
    value = strict_float(text)
    return int(value) if value is not None and value.is_integer() and abs(value) < 1e15 else None


def register_int(text: str) -> int | None:
    """Content of a register: a whole number, or ``#H``, ``#Q``, ``#B`` digits (IEEE 488.2, 8.7.5 to 8.7.7).

    None for anything else, and for a negative number.
    """
    if text[:1] == "#":
        base, digits = _BASES.get(text[1:2].upper(), 0), text[2:]
        if base == 0 or not re.fullmatch(r"[0-9A-Fa-f]{1,16}", digits, re.ASCII):
            return None
        try:
            return int(digits, base)
        except ValueError:
            return None
    value = strict_int(text)
    return value if value is not None and value >= 0 else None


def scpi_value(text: str) -> float | Status:
    """An SCPI number (NR1, NR2 or NR3), or why it is none.

    ±9.9E37 is infinity (overload), 9.91E37 not-a-number (SCPI-1999 vol. 1, 7.2.1.5). Instruments that hold
    them as float32 miss the exact figure, so the comparison is relative, 1e-4. The words INF, NINF and NAN,
    which the standard gives for what is sent to an instrument, are understood too. Other numbers that large
    are garbled, as is every text that is not strictly a number.
    """
    text = text.strip(" \t\r\n")
    value = strict_float(text)
    if value is None:
        return _WORDS.get(text, Status.GARBLED)
    size = abs(value)
    if math.isclose(size, INFINITY, rel_tol=_TOLERANCE):
        return Status.OVERLOAD
    if math.isclose(size, NOT_A_NUMBER, rel_tol=_TOLERANCE):
        return Status.NOT_A_NUMBER
    return Status.GARBLED if size > _IMPOSSIBLE else value
