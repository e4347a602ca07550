"""Figures as they are printed for people, in one place: no powers of ten, an SI prefix before the unit.

    plain(value, digits) -> text                 0.0000123 → ``0.0000123``; 620.4 with 2 digits → ``620``
    with_prefix(value, unit, digits) -> text     0.62 Ω → ``620 mΩ``
    with_u(value, u, unit) -> text               20.3 V, 0.93 V → ``20.3 V ± 0.93 V``

Prefixes by ISO 80000-1, 6.5.4.
"""

import math
from decimal import Decimal

_PREFIXES = (
    (1e9, "G"), (1e6, "M"), (1e3, "k"), (1.0, ""), (1e-3, "m"), (1e-6, "µ"), (1e-9, "n"), (1e-12, "p"),
)  # fmt: skip
_BARE = frozenset({"", "°C", "%"})
"""Units of measure that take no prefix."""

_SAME_PREFIX = 1e-4
"""Part of the value from which its uncertainty is printed with the same prefix."""
_MOST = 999.5


def plain(value: float, digits: int) -> str:
    """A number rounded to so many significant digits, without trailing zeros and without a power of ten."""
    if not math.isfinite(value):
        return f"{value}"
    text = format(Decimal(f"{value:.{digits}g}"), "f")
    return "0" if float(text) == 0.0 else text


def with_prefix(value: float, unit: str, digits: int = 4) -> str:
    """A value in its unit of measure with an SI prefix, e.g. ``47.2 mΩ``; ratios and degrees as they are."""
    factor, prefix = _prefix(value, unit, digits)
    return f"{plain(value / factor, digits)} {prefix}{unit}".strip()


def with_u(value: float, u: float | None, unit: str, digits: int = 4) -> str:
    """A value with its expanded uncertainty, both with one prefix where that reads well.

    No digit is added to the value: how many were read is not known here.
    """
    text = with_prefix(value, unit, digits)
    if u is None:
        return text
    factor, prefix = _prefix(value, unit, digits)
    if value == 0.0 or u < _SAME_PREFIX * abs(value) or u / factor >= _MOST:
        return f"{text} ± {with_prefix(u, unit, 2)}"
    return f"{text} ± {plain(u / factor, 2)} {prefix}{unit}".strip()


def _prefix(value: float, unit: str, digits: int) -> tuple[float, str]:
    """Factor and prefix, by the value as it will be printed."""
    if unit in _BARE or value == 0.0 or not math.isfinite(value):
        return 1.0, ""
    size = abs(float(f"{value:.{digits}g}")) * (1.0 + 1e-9)
    return next((p for p in _PREFIXES if size >= p[0]), _PREFIXES[-1])
