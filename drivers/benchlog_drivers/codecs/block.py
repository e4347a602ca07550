"""Waveforms as IEEE 488.2 blocks or lists of numbers, with the scaling of their preamble."""

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt

from benchlog_drivers.codecs.number import strict_float

TYPES = {
    "int8": "i1", "uint8": "u1", "int16": "i2", "uint16": "u2", "int32": "i4", "uint32": "u4",
    "float32": "f4", "float64": "f8",
}  # fmt: skip
"""Codes of binary samples; ``ascii`` stands beside them."""


def take_block(
    buffer: bytes | bytearray, line_end: bytes = b"\n", is_over: bool = False
) -> tuple[int, bytes | None]:
    """(bytes used, content) of ``#<n><length><data>``, of ``#0<data>`` up to the line's end, or of a line.

    (0, None) while it is not whole. The line's end behind a definite block belongs to it (IEEE 488.2, 8.7.9).
    ``is_over``: nothing more comes. Then a definite block may lack its line's end, and only then is one of
    indefinite length (8.7.10) known to be whole, since its data may hold the byte of the line's end too.
    """
    if not buffer:
        return 0, None
    if buffer[:1] != b"#":
        end = buffer.find(line_end)
        return (end + len(line_end), bytes(buffer[:end]).rstrip(b"\r\n")) if end >= 0 else (0, None)
    if len(buffer) < 2:
        return 0, None
    digits = buffer[1] - 0x30
    if digits == 0:
        whole = is_over and len(buffer) > 2 and bytes(buffer[-len(line_end) :]) == line_end
        return (len(buffer), bytes(buffer[2 : -len(line_end)])) if whole else (0, None)
    length = bytes(buffer[2 : 2 + digits])
    if len(length) < digits or not 1 <= digits <= 9 or not length.isdigit():
        return 0, None
    begin, end = 2 + digits, 2 + digits + int(length)
    if len(buffer) < end or (not is_over and len(buffer) < end + len(line_end)):
        return 0, None
    return min(len(buffer), end + len(line_end)), bytes(buffer[begin:end])


def samples(content: bytes, code: str, little_endian: bool) -> npt.NDArray[np.float64] | None:
    """Numbers of a block's content or of a list; None where it can't be ``code``."""
    if code == "ascii":
        values = [strict_float(text.strip()) for text in content.decode("ascii", errors="replace").split(",")]
        return None if None in values else np.array(values, dtype=np.float64)
    kind = np.dtype(("<" if little_endian else ">") + TYPES[code])
    if not content or len(content) % kind.itemsize:
        return None
    found = np.frombuffer(content, dtype=kind).astype(np.float64)
    return found if bool(np.all(np.isfinite(found))) else None


def parse_preamble(reply: str, fields: Sequence[str]) -> dict[str, float] | None:
    """Numbers by name; None where the reply has not so many, or a needed one is no number."""
    texts = [text.strip() for text in reply.split(",")]
    if len(texts) != len(fields):
        return None
    found: dict[str, float] = {}
    for name, text in zip(fields, texts, strict=True):
        value = strict_float(text)
        if value is not None:
            found[name] = value
        elif name in ("points", "interval_s", "scale", "offset", "reference"):
            return None
    return found


def scaled_samples(raw: npt.NDArray[np.float64], preamble: Mapping[str, float]) -> npt.NDArray[np.float64]:
    """(number - reference) × scale + offset."""
    reference, scale = preamble.get("reference", 0.0), preamble.get("scale", 1.0)
    return (raw - reference) * scale + preamble.get("offset", 0.0)
