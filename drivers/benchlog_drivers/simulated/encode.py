"""What the serial meters of the simulated bench send: pure functions from a finished aperture to bytes.

Each dialect is described in its profile: ``simulated-handheld``, ``simulated-segment-meter``,
``simulated-bcd-meter``, ``simulated-esr-meter``, ``simulated-lcr-meter``. Encoders and the codecs that read
them are written apart from each other.
"""

from collections.abc import Callable

from benchlog.model.quantity import Quantity
from benchlog.model.reading import Status
from benchlog_drivers.simulated.meters import Finished, Indication
from benchlog_drivers.simulated.sheets import InstrumentSheet

_WORDS = {
    Quantity.AC_CURRENT: ("AC", "A"),
    Quantity.DC_CURRENT: ("DC", "A"),
    Quantity.AC_VOLTAGE: ("AC", "V"),
    Quantity.DC_VOLTAGE: ("DC", "V"),
}
_SEGMENTS = {
    " ": 0x00, "0": 0x3F, "1": 0x06, "2": 0x5B, "3": 0x4F, "4": 0x66, "5": 0x6D, "6": 0x7D, "7": 0x07,
    "8": 0x7F, "9": 0x6F, "L": 0x38,
}  # fmt: skip
"""Segments a to g as bits 0 to 6, as on every seven-segment data sheet."""
_UNIT_BITS = {
    Quantity.AC_VOLTAGE: (0b1000, 0b1000),
    Quantity.DC_VOLTAGE: (0b0100, 0b1000),
    Quantity.AC_CURRENT: (0b1000, 0b0100),
    Quantity.DC_CURRENT: (0b0100, 0b0100),
    Quantity.RESISTANCE: (0b0000, 0b0010),
}
"""Bits of the first and of the eleventh place: kind and unit of measure."""
_PREFIX_BITS = {-6: 0b1000, -3: 0b0100, 0: 0, 3: 0b0010, 6: 0b0001}
_BCD_FUNCTION = {
    Quantity.AC_VOLTAGE: ((0x11, -3),),
    Quantity.DC_VOLTAGE: ((0x12, -3),),
    Quantity.AC_CURRENT: ((0x21, -5),),
    Quantity.DC_CURRENT: ((0x22, -5),),
    Quantity.RESISTANCE: ((0x31, -3), (0x32, 0)),
}
"""Function codes with the power of ten of a count."""
_LCR_FUNCTION = {Quantity.ESR: (0x41, -4), Quantity.CAPACITANCE: (0x51, -7)}
_OVERLOAD_BIT, _MINUS_BIT = 0b10, 0b01

Encoder = Callable[[Finished], bytes]


def encoder(sheet: InstrumentSheet) -> Encoder:
    """The bytes of one reading of an instrument. `KeyError` for a profile that no meter here speaks."""
    encoders: dict[str, Encoder] = {
        "simulated-handheld": lambda done: (
            line_text(done.indications[0], sheet.autorange).encode("ascii") + b"\r\n"
        ),
        "simulated-segment-meter": lambda done: segment_frame(done.indications[0], sheet.autorange),
        "simulated-bcd-meter": lambda done: bcd_frame(done.indications[0]),
        "simulated-esr-meter": lambda done: even_parity(
            esr_text(*done.indications).encode("ascii") + b"\r\n"
        ),
        "simulated-lcr-meter": lambda done: lcr_frame(*done.indications),
    }
    return encoders[sheet.profile]


def line_text(indication: Indication, autorange: bool = False) -> str:
    """A hand-held meter's line, without its end. `KeyError` for a quantity it has no words for."""
    kind, unit = _WORDS[indication.quantity]
    milli = indication.range is not None and indication.range < 1.0
    factor = 1e3 if milli else 1.0
    places = max(1, -_exponent(indication.count * factor))
    full_scale = f"{(indication.range or 0.0) * factor:g}"
    flags = f"{'A' if autorange else '-'}--"
    return f"{kind} {_value(indication, factor, places)} {'m' if milli else ''}{unit} R{full_scale} {flags}"


def segment_frame(indication: Indication, autorange: bool = False) -> bytes:
    """Fourteen bytes: what the display shows. A blank display while the range changes."""
    full = indication.range or 0.0
    prefix = 0
    if indication.quantity is Quantity.RESISTANCE:
        prefix = 6 if full > 1e6 else 3 if full > 1e3 else 0
    elif full < 1.0:
        prefix = -3
    text, minus = _display(indication, prefix)
    kind, unit = _UNIT_BITS[indication.quantity]
    nibbles = [kind | (0b0010 if autorange else 0)]
    for place, (character, point) in enumerate(text):
        bits = _SEGMENTS[character] | (0x80 if (minus if place == 0 else point) else 0)
        nibbles += [bits >> 4, bits & 0x0F]
    nibbles += [_PREFIX_BITS[prefix], unit, 0, 0, 0]
    return bytes((index + 1) << 4 | nibble for index, nibble in enumerate(nibbles))


def _display(indication: Indication, prefix: int) -> tuple[list[tuple[str, bool]], bool]:
    """Four characters, each with the point to its left, and the minus sign."""
    if indication.value is None:
        word = " 0L " if indication.status is Status.OVERLOAD else "    "
        return [(character, False) for character in word], False
    decimals = max(0, prefix - _exponent(indication.count))
    counts = round(abs(indication.value) / indication.count)
    digits = f"{counts:0{max(decimals + 1, 1)}d}".rjust(4)
    shown = [(digit, place == 4 - decimals) for place, digit in enumerate(digits)]
    return shown, indication.value < 0.0


def bcd_frame(indication: Indication) -> bytes:
    """Nine bytes with packed BCD, the digits zero beyond the range; nothing while the range changes."""
    functions = _BCD_FUNCTION[indication.quantity]
    wanted = _exponent(indication.count)
    code, exponent = next((f for f in functions if f[1] >= wanted), functions[-1])
    flags, counts = 0, 0
    if indication.status is Status.AUTORANGING:
        return b""
    if indication.value is None:
        flags = _OVERLOAD_BIT
    else:
        counts = round(abs(indication.value) / 10.0**exponent)
        flags = _MINUS_BIT if indication.value < 0.0 else 0
    body = bytes([code, flags]) + bytes.fromhex(f"{counts:06d}")
    checked = b"\xaa\x55" + body
    return checked + bytes([sum(checked) & 0xFF]) + b"\x0d"


def esr_text(esr: Indication, farads: Indication) -> str:
    """The line of the ESR meter, without its end. Its leads are zeroed."""
    ohms = "OL" if esr.value is None else f"{esr.value:.3f}"
    micro = "----" if farads.value is None else f"{farads.value * 1e6:.1f}"
    return f"Z {ohms} R {micro} uF F100k Z-"


def lcr_frame(esr: Indication, farads: Indication) -> bytes:
    """Nineteen bytes: two displays, flags, CRC. The first display beyond its range is an overload."""
    flags = 0b100
    body = b"\x55"
    for indication in (esr, farads):
        code, exponent = _LCR_FUNCTION[indication.quantity]
        counts = 0 if indication.value is None else round(abs(indication.value) / 10.0**exponent)
        body += bytes([code]) + f"{counts:05d}".encode("ascii")
    if esr.value is None:
        flags |= _OVERLOAD_BIT
    elif esr.value < 0.0:
        flags |= _MINUS_BIT
    body += bytes([flags, 0, 0, 0])
    return body + modbus_crc(body)


def even_parity(data: bytes) -> bytes:
    """Seven-bit characters with even parity as the eighth bit, as a 7E1 line carries them."""
    return bytes(byte | 0x80 if byte.bit_count() & 1 else byte for byte in data)


def modbus_crc(data: bytes) -> bytes:
    """CRC-16 of Modbus over Serial Line V1.02, 6.2.2, bit by bit, low byte first."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0xA001 if crc & 1 else crc >> 1
    return crc.to_bytes(2, "little")


def _value(indication: Indication, factor: float, places: int) -> str:
    if indication.value is not None:
        return f"{indication.value * factor:+.{places}f}"
    return "OL" if indication.status is Status.OVERLOAD else "----"


def _exponent(count: float) -> int:
    return int(f"{count:e}".partition("e")[2])
