"""The chain: one SHA-256 link per commit over canonical bytes of what was committed.

The bytes do not depend on how SQLite lays a row down. A row is a tag and its fields, each field a letter
for its type and its value: ``n`` none, ``i`` integer (8 bytes), ``f`` number (8 bytes, IEEE 754),
``s`` text and ``b`` bytes (4 bytes length, then UTF-8 or the bytes); everything little-endian.
Readings are rows of `PACK`, channel after channel in the order of the link's own list, a missing value
being infinity. A link's bytes begin with its header row, which holds the digest of the link before it.
Payloads of entries and samples of waveforms enter by their SHA-256 (FIPS 180-4) only.
"""

import hashlib
import struct
from collections.abc import Iterable

PACK = struct.Struct("<qqqdqq")
"""t_us, took_us, late_us, value, status, setting."""

FIRST = bytes(32)
"""What the first link names as the digest before it."""

Field = None | int | float | str | bytes


def _field(value: Field) -> bytes:
    if value is None:
        return b"n"
    if isinstance(value, int):
        return b"i" + value.to_bytes(8, "little", signed=True)
    if isinstance(value, float):
        return b"f" + struct.pack("<d", value)
    letter, data = (b"s", value.encode()) if isinstance(value, str) else (b"b", value)
    return letter + len(data).to_bytes(4, "little") + data


def row_bytes(tag: str, fields: Iterable[Field]) -> bytes:
    """Canonical bytes of one row of any table but ``reading``."""
    return _field(tag) + b"".join(map(_field, fields)) + b"."


def payload_digest(salt: bytes, payload: bytes) -> bytes:
    """What stands for a payload in the chain: 32 bytes that do not tell what it says."""
    return hashlib.sha256(salt + payload).digest()


def wave_digest(blocks: Iterable[tuple[bytes, bytes]]) -> bytes:
    """What stands for a waveform in the chain: over volts, then amperes, block after block."""
    digest = hashlib.sha256()
    for v, i in blocks:
        digest.update(v)
        digest.update(i)
    return digest.digest()


def counts_text(counts: Iterable[tuple[int, int]]) -> str:
    """How many readings of which channel a link covers, e.g. ``1:10 4:3``."""
    return " ".join(f"{channel}:{count}" for channel, count in counts)


def counts_of(text: str) -> tuple[tuple[int, int], ...]:
    """The reverse of `counts_text`. `ValueError` for anything else."""
    pairs = (pair.split(":") for pair in text.split())
    return tuple((int(channel), int(count)) for channel, count in pairs)


class Link:
    """One link in the making: give it the rows in the order of tables, then the readings."""

    def __init__(self, seq: int, t_us: int, readings: str, before: bytes) -> None:
        """``readings`` as `counts_text`; ``before`` the digest of the link before."""
        self._digest = hashlib.sha256(row_bytes("link", (seq, t_us, readings, before)))

    def add(self, tag: str, rows: Iterable[Iterable[Field]]) -> None:
        """Rows of one table."""
        for row in rows:
            self._digest.update(row_bytes(tag, row))

    def add_readings(self, packed: bytes) -> None:
        """Readings of one channel, packed with `PACK` and joined."""
        self._digest.update(packed)

    def digest(self) -> bytes:
        """The link's 32 bytes."""
        return self._digest.digest()
