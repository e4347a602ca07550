"""Frames of fixed length with packed-BCD, ASCII or binary fields and a checksum."""

from collections.abc import Sequence
from decimal import Decimal

import msgspec

from benchlog.bench.profile import CodedFunction, FrameField, FrameLayout
from benchlog.model.quantity import Quantity
from benchlog.model.reading import Status
from benchlog_drivers.codecs.checksum import CHECKSUMS
from benchlog_drivers.codecs.decoded import Decoded, Garbled, Result


class FrameCodec:
    """Decodes frames by a profile's layout; a checksum that fails is no reading."""

    checked = True

    def __init__(self, layout: FrameLayout) -> None:
        """``layout`` from a profile that was checked."""
        self._layout = layout
        self._start = bytes.fromhex(layout.start)
        self._end = bytes.fromhex(layout.end)
        self._sum = CHECKSUMS[layout.checksum]
        self._sum_length = len(self._sum(b"")) * (2 if layout.ascii_checksum else 1)
        self._functions = {function.code: function for function in layout.functions}
        self._named = sum(1 << bit for bit in layout.flag_bits.values())
        self.request = bytes.fromhex(layout.request)
        self.longest = layout.length
        self.quantities: Sequence[Quantity] = tuple(dict.fromkeys(f.quantity for f in layout.functions))

    def decode(self, buffer: bytes) -> tuple[int, Result | None]:
        """One frame; after a bad one the search goes on at the next byte that may begin one."""
        start = buffer.find(self._start)
        if start < 0:
            keep = _tail(buffer, self._start)
            skipped = len(buffer) - keep
            return skipped, Garbled("bytes outside a frame", buffer[:skipped]) if skipped else None
        if start > 0:
            return start, Garbled("bytes outside a frame", buffer[:start])
        if len(buffer) < self._layout.length:
            return 0, None
        frame = buffer[: self._layout.length]
        fault = self._fault(frame)
        if fault:
            return self._skip(frame), Garbled(fault, frame)
        return len(frame), self._meaning(frame)

    def _skip(self, frame: bytes) -> int:
        """Bytes up to where the next frame may begin."""
        again = frame.find(self._start, 1)
        return again if again > 0 else len(frame) - _tail(frame, self._start)

    def _fault(self, frame: bytes) -> str:
        end = len(frame) - len(self._end)
        if frame[end:] != self._end:
            return "no end where it should be"
        place = end - self._sum_length
        expected = self._sum(frame[self._layout.checksum_from : place])
        told = frame[place:end]
        if self._layout.ascii_checksum:
            expected = expected.hex().upper().encode("ascii")
        return "" if told == expected else "checksum fails"

    def _meaning(self, frame: bytes) -> Result:
        """What the displays of a whole, checked frame show."""
        flags = _field(frame, self._layout.flags) if self._layout.flags is not None else 0
        if flags is None or flags & ~self._named:
            return Garbled("a flag that the meter does not have", frame)
        names = tuple(name for name, bit in self._layout.flag_bits.items() if flags >> bit & 1)
        good: list[Decoded] = []
        for digits, code in zip(self._layout.digits, self._layout.function, strict=True):
            display = self._display(frame, digits, code, names)
            if isinstance(display, Garbled):
                return display
            good.append(display)
        return msgspec.structs.replace(good[0], beside=tuple(good[1:]))

    def _display(self, frame: bytes, digits: FrameField, code: FrameField, names: tuple[str, ...]) -> Result:
        number = _field(frame, code)
        function = self._functions.get(-1 if number is None else number)
        if function is None:
            return Garbled(f"unknown function or range code {number}", frame)
        flags = tuple(name for name in names if name not in ("minus", "overload"))
        full = self._scaled(self._layout.counts, function)
        one = self._scaled(1, function)
        if "overload" in names:
            return Decoded(
                function.quantity, None, Status.OVERLOAD, full, one, flags, function.test_frequency_hz
            )
        count = _field(frame, digits)
        if count is None or count > self._layout.counts:
            return Garbled("digits that the meter can't show", frame)
        value = self._scaled(-count if "minus" in names else count, function)
        return Decoded(function.quantity, value, None, full, one, flags, function.test_frequency_hz)

    @staticmethod
    def _scaled(count: int, function: CodedFunction) -> float:
        return float(Decimal(count).scaleb(function.exponent))


def _tail(buffer: bytes, start: bytes) -> int:
    """How many of the last bytes may be the beginning of a start mark."""
    for size in range(min(len(start) - 1, len(buffer)), 0, -1):
        if buffer.endswith(start[:size]):
            return size
    return 0


def _field(frame: bytes, field: FrameField) -> int | None:
    """Number of a field; None where its bytes are no such code."""
    data = frame[field.at : field.at + field.length]
    if field.code == "u8":
        return int.from_bytes(data, "big")
    text = data.hex() if field.code == "bcd" else data.decode("ascii", errors="replace")
    return int(text) if text.isascii() and text.isdecimal() else None
