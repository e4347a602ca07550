"""Seven bits and parity, checked in software where the port can't."""

BAD = 0xFF
"""Stands for a byte whose parity fails: no text and no frame holds it."""


def seven_bits(data: bytes, parity: str) -> tuple[bytes, int]:
    """(bytes without their eighth bit, how many failed). ``parity``: E, O, M, S, or N for "not checked"."""
    out, failed = bytearray(), 0
    for byte in data:
        good = _right(byte, parity)
        failed += not good
        out.append(byte & 0x7F if good else BAD)
    return bytes(out), failed


def _right(byte: int, parity: str) -> bool:
    odd = bool(byte.bit_count() & 1)
    return {"E": not odd, "O": odd, "M": byte >= 0x80, "S": byte < 0x80}.get(parity, True)


def with_parity(data: bytes, parity: str) -> bytes:
    """The other way round: seven-bit bytes with their parity as the eighth bit."""
    return bytes(b if _right(b, parity) else b | 0x80 for b in (byte & 0x7F for byte in data))
