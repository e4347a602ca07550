"""Preferred numbers and value codes: what a part's marking says and the nearest value one can buy.

decode(code) -> float                    4K7 → 4700, R47 → 0.47, 100n → 1e-7 (IEC 60062)
encode(value) -> str
series(name) -> tuple[float, ...]        E3 … E192 (IEC 60063)
nearest(value, name) -> float
"""

import math
import re

from benchlog.model.errors import UsageError

_LETTER = {
    "p": 1e-12, "n": 1e-9, "u": 1e-6, "µ": 1e-6, "μ": 1e-6, "m": 1e-3, "R": 1.0, "F": 1.0, "L": 1e-3,
    "K": 1e3, "k": 1e3, "M": 1e6, "G": 1e9, "T": 1e12,
}  # fmt: skip
_CODE = re.compile(r"(\d*)([pnuµμmRFLKkMGT])(\d*)")
_E24 = (
    1.0, 1.1, 1.2, 1.3, 1.5, 1.6, 1.8, 2.0, 2.2, 2.4, 2.7, 3.0, 3.3, 3.6, 3.9, 4.3, 4.7, 5.1, 5.6, 6.2, 6.8,
    7.5, 8.2, 9.1,
)  # fmt: skip


def decode(code: str) -> float:
    """Value of a code whose letter stands at the decimal point (IEC 60062): Ω, or F for p, n, µ, m.

    ``L`` is 0.001 Ω. `UsageError` for anything else.
    """
    match = _CODE.fullmatch(code.strip())
    if match is None or not (match[1] or match[3]):
        raise UsageError(f"{code!r} is no value code. Write it as 4K7, R47 or 100n.")
    return float(f"{match[1] or 0}.{match[3] or 0}") * _LETTER[match[2]]


def encode(ohms: float) -> str:
    """Code of a resistance in Ω, up to four figures: 4700 → ``4K7``. `UsageError` unless above zero."""
    if not (ohms > 0.0 and math.isfinite(ohms)):
        raise UsageError("A resistance must be above zero to have a code.")
    letter, unit = next(
        (pair for pair in (("G", 1e9), ("M", 1e6), ("K", 1e3)) if ohms >= pair[1]), ("R", 1.0)
    )
    text = f"{float(f'{ohms / unit:.4g}'):.10g}"
    whole, _, part = text.partition(".")
    return f"{'' if whole == '0' else whole}{letter}{part}"


def series(name: str) -> tuple[float, ...]:
    """The values of one decade of a series, E3 to E192 (IEC 60063:2015).

    E3 to E24 by table; E48 to E192 are 10^(k/n) to three figures, with the standard's one exception (9.20).
    """
    step = {"E24": 1, "E12": 2, "E6": 4, "E3": 8}.get(name.upper())
    if step is not None:
        return _E24[::step]
    count = {"E48": 48, "E96": 96, "E192": 192}.get(name.upper())
    if count is None:
        raise UsageError(
            f"{name!r} is no series of preferred numbers. Use E3, E6, E12, E24, E48, E96 or E192."
        )
    values = [round(10.0 ** (k / count), 2) for k in range(count)]
    return tuple(9.2 if x == 9.19 else x for x in values)


def nearest(value: float, name: str = "E24") -> float:
    """The preferred value nearest in ratio. `UsageError` unless above zero."""
    if not (value > 0.0 and math.isfinite(value)):
        raise UsageError("Only values above zero have a preferred neighbour.")
    decade = 10.0 ** math.floor(math.log10(value))
    candidates = [x * d for d in (decade / 10.0, decade, 10.0 * decade) for x in series(name)]
    return min(candidates, key=lambda x: abs(math.log(x / value)))
