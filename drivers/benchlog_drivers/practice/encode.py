"""What an instrument of each family sends for a value: the codecs the other way round.

Written from the profiles alone and kept apart from the codecs, so that a mistake in one shows in the other.
"""

import struct
from collections.abc import Callable, Mapping

from benchlog.bench.profile import FrameField, FrameLayout, Profile, Register, SegmentDisplay
from benchlog.model.errors import UsageError
from benchlog.model.quantity import Quantity
from benchlog.model.reading import Status
from benchlog_drivers.codecs.checksum import CHECKSUMS

Shown = float | Status
"""A value in SI, or why there is none."""

_PREFIXES = {"": 0, "p": -12, "n": -9, "u": -6, "µ": -6, "m": -3, "k": 3, "M": 6}
_NO_NUMBER = {Status.OVERLOAD: "9.9E37", Status.NOT_A_NUMBER: "9.91E37"}


def scpi_text(shown: Shown) -> str:
    """A number as SCPI writes it."""
    return _NO_NUMBER.get(shown, "9.91E37") if isinstance(shown, Status) else f"{shown:.9G}"


def encode_text(profile: Profile, values: Mapping[Quantity, Shown]) -> bytes:
    """One line of a text dialect that comes with the program. `UsageError` for any other."""
    writer = _WRITERS.get(profile.name)
    if writer is None:
        raise UsageError(
            f"There is no practice instrument with the text lines of {profile.name!r}; there is one for "
            f"{', '.join(_WRITERS)}."
        )
    return writer(values).encode("ascii") + (profile.link.ends or profile.link.terminator).encode("ascii")


def _handheld(values: Mapping[Quantity, Shown]) -> str:
    quantity, shown = next(iter(values.items()))
    kind = "DC" if quantity in (Quantity.DC_CURRENT, Quantity.DC_VOLTAGE) else "AC"
    full, places = ("6", 4) if quantity.unit == "A" else ("600", 1)
    if isinstance(shown, Status):
        text = "OL" if shown is Status.OVERLOAD else "----"
    else:
        text = f"{shown:+.{places}f}"
    return f"{kind} {text} {quantity.unit} R{full} ---"


def _esr(values: Mapping[Quantity, Shown]) -> str:
    ohms, farads = values[Quantity.ESR], values[Quantity.CAPACITANCE]
    first = "OL" if isinstance(ohms, Status) else f"{ohms:.3f}"
    second = "----" if isinstance(farads, Status) else f"{farads * 1e6:.1f}"
    return f"Z {first} R {second} uF F100k --"


def _stranger(values: Mapping[Quantity, Shown]) -> str:
    quantity, shown = next(iter(values.items()))
    kind = "AC" if quantity in (Quantity.AC_CURRENT, Quantity.AC_VOLTAGE) else "DC"
    text = f"{shown:+.2f}" if isinstance(shown, float) else "OVER" if shown is Status.OVERLOAD else "BUSY"
    return f"{kind}{quantity.unit};{text};A"


_WRITERS: dict[str, Callable[[Mapping[Quantity, Shown]], str]] = {
    "simulated-handheld": _handheld,
    "simulated-esr-meter": _esr,
    "stranger": _stranger,
}


def encode_segments(display: SegmentDisplay, quantity: Quantity, shown: Shown) -> bytes:
    """A frame of a segment-coded display, on the finest range that shows the value."""
    kind, _, unit = next(k for k, q in display.quantities.items() if q is quantity).rpartition(" ")
    prefix, text, minus = _digits(display, unit, shown)
    names = {n for n in (kind, f"unit:{unit}", f"prefix:{prefix}" if prefix else "") if n}
    nibbles = dict.fromkeys(range(display.first, display.first + display.length), 0)
    for one in display.annunciators:
        if one.name in names:
            nibbles[one.index] |= 1 << one.bit
    patterns = {shown: int(pattern, 16) for pattern, shown in display.segments.items()}
    for place, (high, low) in enumerate(display.digits):
        character, point = text[place]
        bits = patterns[character] | ((point or (place == 0 and minus)) << display.point_bit)
        nibbles[high], nibbles[low] = bits >> 4, bits & 0x0F
    return bytes(index << 4 | nibble for index, nibble in nibbles.items())


def _digits(display: SegmentDisplay, unit: str, shown: Shown) -> tuple[str, list[tuple[str, bool]], bool]:
    """(prefix, [(character, point before it)], minus sign) of a display."""
    size = len(display.digits)
    prefixes = sorted(display.prefixes.get(unit, ("",)), key=lambda p: _PREFIXES[p])
    if isinstance(shown, Status):
        word = display.overload[0] if shown is Status.OVERLOAD else ""
        return "" if "" in prefixes else prefixes[0], [(c, False) for c in word.center(size)], False
    for prefix in prefixes:
        for places in range(size - 1, -1, -1):
            count = round(abs(shown) * 10.0 ** (places - _PREFIXES[prefix]))
            if count <= display.counts:
                text = f"{count:0{places + 1}d}".rjust(size)
                return prefix, [(c, places > 0 and i == size - places) for i, c in enumerate(text)], shown < 0
    return _digits(display, unit, Status.OVERLOAD)


def encode_frame(layout: FrameLayout, values: Mapping[Quantity, Shown]) -> bytes:
    """A frame with its checksum; each display on the finest range that shows the value."""
    frame = bytearray(layout.length)
    start, end = bytes.fromhex(layout.start), bytes.fromhex(layout.end)
    frame[: len(start)] = start
    flags = 0
    for digits, code, (quantity, shown) in zip(layout.digits, layout.function, values.items(), strict=False):
        functions = sorted((f for f in layout.functions if f.quantity is quantity), key=lambda f: f.exponent)
        count = 0
        chosen = functions[0]
        if isinstance(shown, Status):
            flags |= 1 << layout.flag_bits["overload"]
        else:
            sized = [(f, round(abs(shown) * 10.0**-f.exponent)) for f in functions]
            chosen, count = next((one for one in sized if one[1] <= layout.counts), (functions[-1], 0))
            flags |= (1 << layout.flag_bits["minus"]) if shown < 0 else 0
        _put(frame, digits, count)
        _put(frame, code, chosen.code)
    if layout.flags is not None:
        _put(frame, layout.flags, flags)
    size = len(CHECKSUMS[layout.checksum](b"")) * (2 if layout.ascii_checksum else 1)
    place = layout.length - len(end) - size
    check = CHECKSUMS[layout.checksum](bytes(frame[layout.checksum_from : place]))
    frame[place : place + size] = check.hex().upper().encode() if layout.ascii_checksum else check
    frame[place + size :] = end
    return bytes(frame)


def _put(frame: bytearray, field: FrameField, number: int) -> None:
    if field.code == "bcd":
        data = bytes.fromhex(f"{number:0{2 * field.length}d}")
    elif field.code == "ascii":
        data = f"{number:0{field.length}d}".encode("ascii")
    else:
        data = number.to_bytes(field.length, "big")
    frame[field.at : field.at + field.length] = data


def encode_register(register: Register, shown: Shown) -> list[int]:
    """The words of one value."""
    form = {"u16": ">H", "s16": ">h", "u32": ">I", "s32": ">i", "f32": ">f"}[register.type]
    if isinstance(shown, Status):
        number = float(register.overload) if register.overload is not None else float("inf")
    else:
        number = shown / register.scale
    data = struct.pack(form, number if register.type == "f32" else round(number))
    words = list(struct.unpack(f">{len(data) // 2}H", data))
    return words[::-1] if register.low_word_first else words
