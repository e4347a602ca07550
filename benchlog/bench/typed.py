"""Readings as a technician types them: ``7.6``, ``7R6``, ``2k2``, ``4M7``, ``220u``, ``.25``, ``OL``.

Strict: what could be meant in two ways is refused or asked back, never guessed. The letter in place of the
decimal point is the code of IEC 60062 ("RKM code").
"""

import re
from decimal import Decimal

import msgspec

from benchlog.model.errors import UsageError
from benchlog.model.quantity import Quantity
from benchlog.model.reading import Status


class Typed(msgspec.Struct, frozen=True):
    """What was understood. Either ``value`` (SI) or ``status`` is there."""

    value: float | None
    status: Status | None
    resolution: float | None
    """One unit in the last place typed, SI."""
    doubts: tuple[str, ...] = ()
    """Questions to put back before the reading is taken; empty when nothing is doubtful."""
    suggestion: str = ""
    """What may have been meant, as one would type it; empty where there is none."""


class Span(msgspec.Struct, frozen=True):
    """Magnitudes of a quantity on a repair bench, SI."""

    least: float
    """Below it (but not zero): doubtful."""
    greatest: float
    """Above it: doubtful."""
    impossible: float
    """At or above it: refused."""
    negative: bool = False


SPANS: dict[Quantity, Span] = {
    Quantity.AC_CURRENT: Span(1e-5, 30.0, 1e3),
    Quantity.DC_CURRENT: Span(1e-6, 30.0, 1e3, True),
    Quantity.PEAK_CURRENT: Span(1e-4, 300.0, 1e4, True),
    Quantity.AC_VOLTAGE: Span(1e-4, 500.0, 1e4),
    Quantity.DC_VOLTAGE: Span(1e-5, 700.0, 1e4, True),
    Quantity.PEAK_VOLTAGE: Span(1e-4, 1000.0, 2e4, True),
    Quantity.ACTIVE_POWER: Span(1e-3, 3e3, 1e5, True),
    Quantity.APPARENT_POWER: Span(1e-3, 3e3, 1e5),
    Quantity.POWER_FACTOR: Span(1e-3, 1.0, 1.05, True),
    Quantity.RESISTANCE: Span(1e-3, 1e8, 1e13),
    Quantity.JUNCTION_VOLTAGE: Span(1e-3, 4.0, 100.0, True),
    Quantity.CONTINUITY: Span(1e-3, 1e3, 1e9),
    Quantity.ESR: Span(1e-3, 100.0, 1e5),
    Quantity.CAPACITANCE: Span(1e-12, 0.15, 1e3),
    Quantity.DISSIPATION_FACTOR: Span(1e-5, 2.0, 1e3),
    Quantity.FREQUENCY: Span(0.1, 1e6, 1e10),
    Quantity.TEMPERATURE: Span(0.0, 150.0, 1000.0, True),
}
"""Common practice, no source: wide enough for everything met in audio repair."""

_EXPONENTS = {"p": -12, "n": -9, "u": -6, "µ": -6, "μ": -6, "m": -3, "k": 3, "K": 3, "M": 6, "G": 9}

_UNITS: dict[str, tuple[str, ...]] = {
    "A": ("A",),
    "V": ("V",),
    "W": ("W",),
    "VA": ("VA",),
    "Ω": ("Ω", "Ω", "ohm", "ohms", "Ohm", "R"),
    "F": ("F",),
    "Hz": ("Hz",),
    "°C": ("°C", "C"),
    "": (),
}

_WORDS = {"ol": "overload", "o.l": "overload", "overload": "overload", "open": "open", "short": "short"}

_SHAPE = re.compile(
    r"(?P<sign>[+-]?)(?:(?P<whole>[0-9]*)(?P<letter>[pnuµμmkKMGR])(?P<rest>[0-9]+)"
    r"|(?P<number>[0-9]+(?:\.[0-9]*)?|\.[0-9]+)\s?(?P<prefix>[pnuµμmkKMG]?))",
    re.ASCII,
)

_DIGIT = re.compile("[0-9]")
_SHORTED = frozenset({Quantity.RESISTANCE, Quantity.CONTINUITY, Quantity.JUNCTION_VOLTAGE})
_OPENED = _SHORTED | {Quantity.ESR, Quantity.CAPACITANCE, Quantity.DISSIPATION_FACTOR}
_ASKED_WITH_UNIT = frozenset({Quantity.CAPACITANCE})


def parse_typed(text: str, quantity: Quantity, decimal_comma: bool = False, *, sized: bool = True) -> Typed:
    """Understand one typed reading of a quantity. `UsageError` says what is wrong and how to type it.

    ``sized`` False: no question about its size; somebody asks who knows better what is usual there.
    """
    typed = text.strip().replace("−", "-")
    word = _WORDS.get(typed.lower())
    if word is not None:
        return _word(word, typed, quantity)
    number, asked = _decimal_point(typed, decimal_comma)
    found = _SHAPE.fullmatch(_without_unit(number, typed, quantity)) if _DIGIT.search(number) else None
    if found is None:
        raise _not_understood(typed, quantity)
    value, count = _value(found, typed, quantity)
    bare = found["letter"] is None and not found["prefix"] and not _has_unit(number, quantity)
    doubts, suggestion = _doubts(float(value), found, quantity, bare) if sized else ((), "")
    return Typed(float(value), None, float(count), (*asked, *doubts), suggestion)


def _word(word: str, typed: str, quantity: Quantity) -> Typed:
    if word == "overload":
        return Typed(None, Status.OVERLOAD, None)
    if word == "open" and quantity in _OPENED:
        return Typed(None, Status.OPEN_LEADS, None)
    if word == "short" and quantity in _SHORTED:
        return Typed(0.0, None, None, ("Taken as zero: what did the display show?",))
    raise UsageError(f"{typed!r} says nothing of a {quantity.label}. Type what the display shows.")


def _decimal_point(typed: str, decimal_comma: bool) -> tuple[str, tuple[str, ...]]:
    """Text with a decimal point, and what has to be asked about it."""
    if not decimal_comma:
        if "," in typed:
            raise UsageError(
                f"{typed!r} has a comma. Type a decimal point; a comma is read where the numeric locale "
                "(LC_NUMERIC) has one."
            )
        return typed, ()
    if "," in typed and "." in typed:
        raise UsageError(f"{typed!r} has a comma and a point. Type one decimal comma and no point.")
    asked = (f"Is the point in {typed!r} a decimal point?",) if "." in typed else ()
    return typed.replace(",", "."), asked


def _suffix(number: str, quantity: Quantity) -> str:
    """The unit of measure typed at the end; the longest that fits."""
    fitting = [unit for unit in _UNITS[quantity.unit] if unit != "R" and number.endswith(unit)]
    return max(fitting, key=len, default="")


def _has_unit(number: str, quantity: Quantity) -> bool:
    return bool(_suffix(number, quantity))


def _without_unit(number: str, typed: str, quantity: Quantity) -> str:
    """Text without the unit of measure. `UsageError` for the unit of another quantity."""
    suffix = _suffix(number, quantity)
    rest = number[: len(number) - len(suffix)].rstrip() if suffix else number
    if quantity.unit == "Ω" and rest.endswith("R") and rest[:-1].strip():
        rest = rest[:-1].rstrip()  # 470R
    if rest and rest[-1].isalpha() and rest[-1] not in _EXPONENTS:
        unit = quantity.unit or "no unit of measure"
        raise UsageError(
            f"{typed!r} is no {quantity.label}: that is read in {unit}. Type the number, or {unit}."
        )
    return rest


def _value(found: re.Match[str], typed: str, quantity: Quantity) -> tuple[Decimal, Decimal]:
    """Value and one count, exact. `UsageError` where the letter or the sign can't be."""
    letter = found["letter"]
    if letter == "R" and quantity.unit != "Ω":
        raise UsageError(
            f"{typed!r}: R stands for ohms, but a {quantity.label} is read in {quantity.unit or '1'}."
        )
    if letter is not None:
        digits, decimals = found["whole"] + "." + found["rest"], len(found["rest"])
        exponent = 0 if letter == "R" else _EXPONENTS[letter]
    else:
        digits, decimals = found["number"], len(found["number"].partition(".")[2])
        exponent = _EXPONENTS.get(found["prefix"], 0)
    value = Decimal(digits if digits[0] != "." else "0" + digits).scaleb(exponent)
    if found["sign"] == "-":
        value = -value
    span = SPANS[quantity]
    if (value < 0 and not span.negative) or abs(value) >= Decimal(span.impossible):
        raise UsageError(
            f"{typed!r} would be {float(value):g} {quantity.unit}, which no {quantity.label} can be. "
            "Type it again."
        )
    return value, Decimal(1).scaleb(exponent - decimals)


def _doubts(
    value: float, found: re.Match[str], quantity: Quantity, bare: bool
) -> tuple[tuple[str, ...], str]:
    """What to ask back about the size, with what may have been meant."""
    span, size = SPANS[quantity], abs(value)
    unit = quantity.unit
    if bare and quantity in _ASKED_WITH_UNIT:
        return (f"{found.group()} what: µF, nF or pF?",), f"{found.group()}u"
    if size > span.greatest:
        return (f"{value:g} {unit} is unusually much. Is that meant?",), _other_prefix(found, span)
    if 0.0 < size < span.least:
        return (f"{value:g} {unit} is unusually little. Is that meant?",), _other_prefix(found, span)
    return (), ""


def _other_prefix(found: re.Match[str], span: Span) -> str:
    """The same digits with the prefix that is most often mistyped for the one given, where that is usual."""
    given = found["letter"] or found["prefix"]
    other = {"m": "M", "M": "m", "": "m"}.get(given)
    if other is None:
        return ""
    text = found.group().replace(given, other) if given else found.group() + other
    again = _SHAPE.fullmatch(text)
    if again is None:
        return ""
    digits = (again["whole"] or "0") + "." + again["rest"] if again["letter"] else again["number"]
    size = float(Decimal(digits if digits[0] != "." else "0" + digits).scaleb(_EXPONENTS[other]))
    return text if span.least <= size <= span.greatest else ""


def _not_understood(typed: str, quantity: Quantity) -> UsageError:
    examples = {"Ω": "7.6, 7R6, 2k2, 4M7, OL, open", "F": "220u, 4n7, 220µF"}.get(
        quantity.unit, "7.6, .25, 35m, OL"
    )
    return UsageError(f"{typed!r} is not understood as {quantity.label}. Type it like {examples}.")
