"""Values in 16-bit registers, and how a map is read in as few transactions as it allows."""

import math
import struct
from collections.abc import Mapping, Sequence

from benchlog.bench.profile import Register, RegisterMap
from benchlog.model.reading import Status

_FORMATS = {"u16": ">H", "s16": ">h", "u32": ">I", "s32": ">i", "f32": ">f"}


def width(register: Register) -> int:
    """Registers that a value takes."""
    return struct.calcsize(_FORMATS[register.type]) // 2


def register_value(words: Mapping[int, int], register: Register) -> float | Status:
    """A value, before scaling, of words by address; a float32 that is no number is a status."""
    size = width(register)
    parts = [words[register.address + i] for i in range(size)]
    if register.low_word_first:
        parts.reverse()
    value = struct.unpack(_FORMATS[register.type], struct.pack(f">{size}H", *parts))[0]
    if register.overload is not None and value == register.overload:
        return Status.OVERLOAD
    if not math.isfinite(value):
        return Status.NOT_A_NUMBER if math.isnan(value) else Status.OVERLOAD
    return float(value)


def blocks(wanted: RegisterMap, registers: Sequence[Register]) -> list[tuple[int, int]]:
    """(first address, count) of each transaction that reads the given registers; one where the map allows."""
    spans = [(r.address, r.address + width(r)) for r in registers]
    if wanted.count_address is not None:
        spans.append((wanted.count_address, wanted.count_address + 1))
    found: list[tuple[int, int]] = []
    for begin, end in sorted(set(spans)):
        if found and end - found[-1][0] <= wanted.longest:
            first, last = found[-1]
            found[-1] = (first, max(last, end))
        else:
            found.append((begin, end))
    return [(begin, end - begin) for begin, end in found]
