"""Text lines of serial meters, by the declarative pattern of a profile."""

import re
from collections.abc import Sequence
from decimal import Decimal

import msgspec

from benchlog.bench.profile import TextPattern
from benchlog.model.quantity import Quantity
from benchlog.model.reading import Status
from benchlog_drivers.codecs.decoded import Decoded, Garbled, Result
from benchlog_drivers.codecs.number import strict_float

PREFIX_EXPONENT = {"": 0, "p": -12, "n": -9, "u": -6, "µ": -6, "μ": -6, "m": -3, "k": 3, "M": 6, "G": 9}
"""SI prefixes; ``u`` and both micro signs are 10⁻⁶ (SI brochure, table 7)."""

_UNITS = ("A", "V", "W", "VA", "Ω", "ohm", "Ohm", "R", "F", "Hz", "°C", "C", "%", "")


class TextCodec:
    """Decodes lines that match one regular expression in full."""

    checked = False

    def __init__(self, pattern: TextPattern, terminator: bytes) -> None:
        """``pattern`` from a profile that was checked."""
        self._pattern = pattern
        self._expression = re.compile(pattern.pattern, re.ASCII)
        self._terminator = terminator
        self.request = pattern.request.encode("ascii")
        self.longest = pattern.longest + len(terminator)
        self.quantities: Sequence[Quantity] = tuple(dict.fromkeys(pattern.quantities.values()))

    def decode(self, buffer: bytes) -> tuple[int, Result | None]:
        """One line, or garbled when it grows longer than the profile allows."""
        end = buffer.find(self._terminator)
        if end < 0 and len(buffer) < self.longest:
            return 0, None
        used = end + len(self._terminator) if end >= 0 else len(buffer)
        raw = buffer[: end if end >= 0 else used]
        if end < 0 or end > self._pattern.longest:
            return used, Garbled("no end of line where one should be", raw)
        return used, self._line(raw)

    def _line(self, raw: bytes) -> Result:
        try:
            text = raw.decode("utf-8")
        except UnicodeDecodeError:
            return Garbled("not text: wrong baud rate or parity?", raw)
        found = self._expression.fullmatch(text)
        if found is None:
            return Garbled("not a line of this meter", raw)
        groups = {name: (part or "").strip() for name, part in found.groupdict().items()}
        return self._meaning(groups, raw)

    def _meaning(self, groups: dict[str, str], raw: bytes) -> Result:
        flags = tuple(
            name for letter, name in self._pattern.flags.items() if letter in groups.get("flags", "")
        )
        hertz = _hertz(groups.get("frequency", ""))
        if groups.get("frequency") and hertz is None:
            return Garbled(f"no frequency: {groups['frequency']!r}", raw)
        shown: list[Decoded] = []
        for place in ("", "2"):
            if place and not groups.get("value2"):
                continue
            display = self._display(groups, place, flags, hertz, raw)
            if isinstance(display, Garbled):
                return display
            shown.append(display)
        return msgspec.structs.replace(shown[0], beside=tuple(shown[1:])) if len(shown) > 1 else shown[0]

    def _display(
        self, groups: dict[str, str], place: str, flags: tuple[str, ...], hertz: float | None, raw: bytes
    ) -> Result:
        """One display: its unit of measure, status or number."""
        unit, text = groups.get("unit" + place, ""), groups["value" + place]
        key = f"{groups.get('kind' + place, '')} {unit}".strip()
        quantity = self._pattern.quantities.get(key)
        exponent = prefix_exponent(unit)
        if quantity is None or exponent is None:
            return Garbled(f"impossible unit or kind: {key!r}", raw)
        full = None if place else scaled(groups.get("range", ""), exponent)
        status = self._status(text)
        if status is not None:
            return Decoded(quantity, None, status, full, None, flags, hertz)
        text = text.replace(",", ".") if self._pattern.decimal_comma else text
        text = text.replace(" ", "")
        value = scaled(text, exponent)
        if value is None:
            return Garbled(f"not a number: {text!r}", raw)
        if full is not None and abs(value) > full * 1.25:
            return Garbled("more than its range can show", raw)
        return Decoded(quantity, value, None, full, _one_count(text, exponent), flags, hertz)

    def _status(self, text: str) -> Status | None:
        word = text.lstrip("+-") if text.lstrip("+-") else text
        if word in self._pattern.open_leads:
            return Status.OPEN_LEADS
        if word in self._pattern.overload:
            return Status.OVERLOAD
        return Status.AUTORANGING if text in self._pattern.autoranging else None


def _hertz(text: str) -> float | None:
    """Frequency with an optional ``k`` or ``M``, in Hz; None for anything else."""
    exponent = {"k": 3, "M": 6}.get(text[-1:], 0)
    return scaled(text[:-1] if exponent else text, exponent)


def prefix_exponent(unit: str) -> int | None:
    """Power of ten of a unit of measure with its prefix, e.g. ``mA`` -3; None for an unknown one."""
    for known in _UNITS:
        if unit.endswith(known) and (prefix := unit[: len(unit) - len(known)]) in PREFIX_EXPONENT:
            return PREFIX_EXPONENT[prefix]
    return None


def scaled(text: str, exponent: int) -> float | None:
    """Number × 10**exponent, rounded once, so that 0.123 mA is the float 0.000123; None for no number."""
    if strict_float(text) is None:
        return None
    return float(Decimal(text).scaleb(exponent))


def _one_count(text: str, exponent: int) -> float:
    decimals = len(text.partition(".")[2])
    return float(Decimal(1).scaleb(exponent - decimals))
