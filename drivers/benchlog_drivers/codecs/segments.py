"""Segment-coded display frames: what an LCD shows, sent segment by segment.

Nothing is hard-wired: length, digits, the table of seven-segment patterns and the annunciators come from the
profile. A pattern that shows no character, two units, a prefix that the unit does not have, or a bit that has
no name is no reading.
"""

from collections.abc import Sequence
from decimal import Decimal

from benchlog.bench.profile import SegmentDisplay
from benchlog.model.quantity import Quantity
from benchlog.model.reading import Status
from benchlog_drivers.codecs.decoded import Decoded, Garbled, Result
from benchlog_drivers.codecs.text import PREFIX_EXPONENT


class SegmentCodec:
    """Decodes frames whose bytes carry their index in the high nibble."""

    checked = False

    def __init__(self, display: SegmentDisplay) -> None:
        """``display`` from a profile that was checked."""
        self._display = display
        self._characters = {int(pattern, 16): shown for pattern, shown in display.segments.items()}
        self._indices = tuple(range(display.first, display.first + display.length))
        self._unnamed = _unnamed_bits(display)
        self.request = b""
        self.longest = display.length
        self.quantities: Sequence[Quantity] = tuple(dict.fromkeys(display.quantities.values()))

    def decode(self, buffer: bytes) -> tuple[int, Result | None]:
        """One frame; bytes before its first index are skipped as garbled."""
        start = next((i for i, byte in enumerate(buffer) if byte >> 4 == self._display.first), len(buffer))
        if start > 0:
            return start, Garbled("bytes outside a frame", buffer[:start])
        frame = buffer[: self._display.length]
        for place, byte in enumerate(frame):
            if byte >> 4 != self._indices[place]:
                return place, Garbled("a byte is missing or out of order", frame[: place + 1])
        if len(frame) < self._display.length:
            return 0, None
        return len(frame), self._frame({byte >> 4: byte & 0x0F for byte in frame}, frame)

    def _frame(self, nibbles: dict[int, int], raw: bytes) -> Result:
        if any(nibbles[index] & mask for index, mask in self._unnamed.items()):
            return Garbled("an annunciator that the meter does not have", raw)
        shown = self._shown(nibbles)
        if shown is None:
            return Garbled("a pattern that shows no character", raw)
        names = [a.name for a in self._display.annunciators if nibbles[a.index] >> a.bit & 1]
        meaning = self._meaning(names)
        if meaning is None:
            return Garbled(f"impossible unit or prefix: {' '.join(names) or 'none'}", raw)
        (text, minus), (quantity, exponent, flags) = shown, meaning
        return self._value(text, minus, quantity, exponent, flags, raw)

    def _shown(self, nibbles: dict[int, int]) -> tuple[str, bool] | None:
        """(text on the display with its point, minus sign); None for a pattern that is no character."""
        text, minus = "", False
        for place, (high, low) in enumerate(self._display.digits):
            bits = nibbles[high] << 4 | nibbles[low]
            point = bits >> self._display.point_bit & 1
            character = self._characters.get(bits & ~(1 << self._display.point_bit))
            if character is None:
                return None
            if place == 0:
                minus = bool(point)
            elif point:
                text += "."
            text += character
        return text, minus

    def _meaning(self, names: Sequence[str]) -> tuple[Quantity, int, tuple[str, ...]] | None:
        """(quantity, power of ten, flags) of the annunciators; None for an impossible combination."""
        units = [name[5:] for name in names if name.startswith("unit:")]
        prefixes = [name[7:] for name in names if name.startswith("prefix:")]
        kinds = [name for name in names if name in ("ac", "dc")]
        if len(units) != 1 or len(prefixes) > 1 or len(kinds) > 1:
            return None
        unit, prefix = units[0], prefixes[0] if prefixes else ""
        quantity = self._display.quantities.get(f"{kinds[0] if kinds else ''} {unit}".strip())
        if quantity is None or prefix not in self._display.prefixes.get(unit, ("",)):
            return None
        flags = tuple(
            n for n in names if n and not n.startswith(("unit:", "prefix:")) and n not in ("ac", "dc")
        )
        return quantity, PREFIX_EXPONENT[prefix], flags

    def _value(
        self, text: str, minus: bool, quantity: Quantity, exponent: int, flags: tuple[str, ...], raw: bytes
    ) -> Result:
        bare = text.replace(".", "").strip()
        if text.count(".") > 1:
            return Garbled("two decimal points", raw)
        if bare in self._display.overload:
            return Decoded(quantity, None, Status.OVERLOAD, None, None, flags)
        if not bare and not minus:
            return Decoded(quantity, None, Status.AUTORANGING, None, None, flags)
        digits = text.lstrip(" ")
        if not bare.isdecimal() or " " in digits or digits.endswith(".") or int(bare) > self._display.counts:
            return Garbled(f"no number: {text!r}", raw)
        power = exponent - len(digits.partition(".")[2])
        value = float(Decimal(int(bare)).scaleb(power))
        full = float(Decimal(self._display.counts).scaleb(power))
        return Decoded(
            quantity, -value if minus else value, None, full, float(Decimal(1).scaleb(power)), flags
        )


def _unnamed_bits(display: SegmentDisplay) -> dict[int, int]:
    """For each byte index, the bits that neither a digit nor an annunciator uses."""
    used = dict.fromkeys(range(display.first, display.first + display.length), 0)
    for high, low in display.digits:
        used[high] = used[low] = 0x0F
    for one in display.annunciators:
        used[one.index] |= 1 << one.bit
    return {index: 0x0F & ~mask for index, mask in used.items()}
