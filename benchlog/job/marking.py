"""Markings of parts as they are typed: value, tolerance, and the series of preferred numbers it belongs to.

Codes after IEC 60062: the letter at the decimal point (4K7, R47, 100n), a letter for the tolerance behind
it, three figures for a capacitor in pF (104 is 100 nF). Series after IEC 60063.
"""

import math
import re
from enum import StrEnum

import msgspec

from benchlog.bench.typed import parse_typed
from benchlog.limits.preferred import decode, nearest, series
from benchlog.model.errors import UsageError
from benchlog.model.quantity import Quantity

SERIES = ("E3", "E6", "E12", "E24", "E48", "E96", "E192")
TOLERANCE = {
    "B": 0.001, "C": 0.0025, "D": 0.005, "F": 0.01, "G": 0.02, "J": 0.05, "K": 0.10, "M": 0.20,
}  # fmt: skip
"""Letters of IEC 60062 for a tolerance that is the same both ways."""

_LETTERED = re.compile(r"(?P<value>\d*[pnuµμmRFLKkMG]\d*)(?P<tolerance>[BCDFGJKM]?)")
_FIGURES = re.compile(r"(?P<figures>\d\d)(?P<zeros>[0-8])(?P<tolerance>[BCDFGJKM]?)")


class Kind(StrEnum):
    """Kinds of part whose value is read."""

    RESISTOR = "resistor"
    CAPACITOR = "capacitor"


class Marking(msgspec.Struct, frozen=True):
    """What a marking says."""

    value: float
    """Ω or F."""
    tolerance: float | None
    """Fraction; None where it is not marked."""
    series: str
    """Coarsest series that has the value; empty where none has."""
    doubts: tuple[str, ...] = ()
    """Questions to put back; empty where nothing is doubtful."""


def read_marking(text: str, kind: Kind) -> Marking:
    """The value of a part as marked or typed. `UsageError` where it can't be meant, or in two ways."""
    typed = text.strip()
    figures = _FIGURES.fullmatch(typed)
    if figures is not None and kind is Kind.RESISTOR and figures["tolerance"] in ("K", "M"):
        figures = None  # 470K is a value with its letter
    if figures is not None and kind is Kind.RESISTOR and not figures["tolerance"]:
        coded = float(figures["figures"]) * 10.0 ** int(figures["zeros"])
        raise UsageError(
            f"'{typed}' can be {typed} Ω or, as a code of three figures, {coded:g} Ω. Write {typed}R, or the "
            "value with its letter, e.g. 4K7."
        )
    if figures is not None:
        ohm = kind is Kind.RESISTOR
        value = float(figures["figures"]) * 10.0 ** int(figures["zeros"]) * (1.0 if ohm else 1e-12)
        return _marking(value, figures["tolerance"])
    lettered = _LETTERED.fullmatch(typed)
    if lettered is not None and kind is Kind.CAPACITOR and lettered["tolerance"] == "F":
        lettered = _LETTERED.fullmatch(typed[:-1])  # 100nF ends in its unit of measure
    if lettered is not None and any(c.isdigit() for c in typed):
        return _marking(_lettered(lettered["value"], kind), lettered["tolerance"])
    return _typed(typed, kind)


def _lettered(code: str, kind: Kind) -> float:
    letter = next(c for c in code if not c.isdigit())
    capacitor = kind is Kind.CAPACITOR
    if capacitor != (letter in "pnuµμmF"):
        fit = "p, n, u or m" if capacitor else "R, K, M or G"
        raise UsageError(f"'{code}' is no {kind.value}: its letter is {fit}, e.g. {_EXAMPLE[kind]}.")
    return decode(code)


_EXAMPLE = {Kind.RESISTOR: "4K7", Kind.CAPACITOR: "220u"}


def _typed(text: str, kind: Kind) -> Marking:
    quantity = Quantity.CAPACITANCE if kind is Kind.CAPACITOR else Quantity.RESISTANCE
    found = parse_typed(text, quantity)
    if found.value is None:
        raise UsageError(f"'{text}' is no value of a {kind.value}. Write it like {_EXAMPLE[kind]}.")
    made = _marking(found.value, "")
    return msgspec.structs.replace(made, doubts=(*found.doubts, *made.doubts))


def _marking(value: float, letter: str) -> Marking:
    if not value > 0.0:
        raise UsageError("A part's value is above zero.")
    name = series_of(value)
    doubts = () if name else (f"{value:g} is in no series of preferred numbers; nearest {nearest(value):g}.",)
    return Marking(value, TOLERANCE.get(letter), name, doubts)


def series_of(value: float) -> str:
    """The coarsest series of preferred numbers that has a value, e.g. ``E12``; empty where none has."""
    mantissa = value / 10.0 ** math.floor(math.log10(value) + 1e-12)
    for name in SERIES:
        if any(abs(mantissa / x - 1.0) < 1e-6 for x in (*series(name), 10.0)):
            return name
    return ""
