"""What is known of a part, typed in one line the way the trade says it, and back.

    known_of("220u 50V new", kind, base) -> Known      in any order, blanks between
    known_words(known, kind) -> str

``220u 50V`` a capacitor, ``8R voice-coil``, ``bipolar``, ``T5AH250V``, ``R22 5%``, ``lead=0.1``, ``35C``,
``300VA 230V winding``, ``new``, and any word for a check, a device, a family or a topology.
"""

import re
from collections.abc import Callable

import msgspec

from benchlog.bench.typed import parse_typed
from benchlog.cold.junctions import COLLECTOR_EMITTER
from benchlog.limits.fuse import parse_fuse
from benchlog.limits.parts import junction_low
from benchlog.model.errors import UsageError
from benchlog.model.known import Check, Known
from benchlog.model.point import PointKind
from benchlog.model.quantity import Quantity
from benchlog.model.unit import OutputTopology

FAMILIES = ("general", "low-impedance", "chip")
_NUMBER = r"(\d+(?:\.\d+)?)"
_FIELDS: tuple[tuple[re.Pattern[str], str, float], ...] = (
    (re.compile(_NUMBER + "VA", re.IGNORECASE), "transformer_va", 1.0),
    (re.compile(_NUMBER + "V", re.IGNORECASE), "rated_v", 1.0),
    (re.compile(_NUMBER + "°?C"), "celsius", 1.0),
    (re.compile("±?" + _NUMBER + "%"), "tolerance", 0.01),
)
_FUSE = re.compile(r"(?:UL|FF|TT|F|M|T)\s?\d.*", re.IGNORECASE)
_CAPACITIVE = (PointKind.ESR, PointKind.CAPACITANCE)


def known_of(text: str, kind: PointKind, base: Known | None = None) -> Known:
    """What the words say; the rest comes from ``base``. `UsageError` names a word that says nothing."""
    changes: dict[str, object] = {}
    for word in text.split():
        found = next((said for read in _READERS if (said := read(word, kind))), None)
        if found is None:
            raise UsageError(
                f"'{word}' says nothing of a part here. Write e.g. 220u 50V, 8R voice-coil, bipolar."
            )
        changes |= found
    if changes.get("check") is Check.WINDING and "rated_v" in changes:
        changes["winding_v"] = changes.pop("rated_v")
    return msgspec.structs.replace(base or Known(), **changes)


def _word(word: str, kind: PointKind) -> dict[str, object] | None:
    plain = word.casefold()
    if plain in ("new", "used"):
        return {"used": plain == "used"}
    if plain in tuple(Check):
        return {"check": Check(plain)}
    if kind is PointKind.JUNCTION and _is_device(plain):
        return {"device": plain}
    if plain in FAMILIES:
        return {"family": plain}
    return {"topology": OutputTopology(plain)} if plain in tuple(OutputTopology) else None


def _is_device(word: str) -> bool:
    if word == COLLECTOR_EMITTER:
        return True
    try:
        junction_low(word)
    except UsageError:
        return False
    return True


def _number(word: str, kind: PointKind) -> dict[str, object] | None:
    for shape, field, times in _FIELDS:
        match = shape.fullmatch(word)
        if match is not None:
            return {field: float(match[1]) * times}
    name, equals, value = word.partition("=")
    if equals and name.casefold() in ("lead", "leads"):
        return {"lead_zero_ohm": _typed(value, Quantity.RESISTANCE)}
    if equals and name.casefold() == "across":
        return {"across_ohm": _typed(value, Quantity.RESISTANCE)}
    return None


def _part(word: str, kind: PointKind) -> dict[str, object] | None:
    if kind in _CAPACITIVE:
        return {"farad": _typed(word, Quantity.CAPACITANCE)}
    if kind in (PointKind.OHMS, PointKind.CONTINUITY):
        if _FUSE.fullmatch(word):
            return {"fuse": parse_fuse(word)}
        return {"rated_ohm": _typed(word, Quantity.RESISTANCE)}
    return None


_READERS: tuple[Callable[[str, PointKind], dict[str, object] | None], ...] = (_word, _number, _part)


def _typed(text: str, quantity: Quantity) -> float:
    found = parse_typed(text, quantity)
    if found.value is None or found.doubts:
        raise UsageError(f"'{text}': {' '.join(found.doubts) or 'a number is needed.'}")
    return found.value


def known_words(known: Known, kind: PointKind) -> str:
    """The words that say what is known; `known_of` reads them back."""
    empty = Known()
    found: list[str] = []
    if known.farad is not None:
        found.append(f"{known.farad * 1e6:.10g}u")
    if known.rated_ohm is not None:
        found.append(f"{known.rated_ohm:.10g}R")
    if known.fuse is not None:
        found.append(known.fuse.marking.replace(" ", ""))
    volts = known.winding_v if known.winding_v is not None else known.rated_v
    found += [f"{volts:.10g}V"] if volts is not None else []
    found += [f"{known.transformer_va:.10g}VA"] if known.transformer_va is not None else []
    found += [known.device] if known.device else []
    found += [known.check.value] if known.check is not None else []
    found += [known.family] if known.family != empty.family else []
    found += [known.topology.value] if known.topology is not empty.topology else []
    found += [f"{100.0 * known.tolerance:.10g}%"] if known.tolerance != empty.tolerance else []
    found += [f"{known.celsius:.10g}C"] if known.celsius != empty.celsius else []
    found += [f"lead={known.lead_zero_ohm:.10g}"] if known.lead_zero_ohm is not None else []
    found += [f"across={known.across_ohm:.10g}"] if known.across_ohm is not None else []
    return " ".join([*found, *([] if known.used else ["new"])])
