"""What a codec makes of bytes, and the interface of the codecs of streaming and polled meters."""

from collections.abc import Sequence
from typing import Protocol

import msgspec

from benchlog.model.quantity import Quantity
from benchlog.model.reading import Status

HOLD = "hold"
LOW_BATTERY = "low-battery"
AUTORANGE = "autorange"


class Decoded(msgspec.Struct, frozen=True):
    """One frame that passed every check."""

    quantity: Quantity
    value: float | None
    """In the SI unit of measure; None where ``status`` says why there is none."""
    status: Status | None = None
    range: float | None = None
    """Full scale, SI."""
    resolution: float | None = None
    """One count, SI."""
    flags: tuple[str, ...] = ()
    test_frequency_hz: float | None = None
    beside: tuple["Decoded", ...] = ()
    """What the instrument's other displays show."""


class Garbled(msgspec.Struct, frozen=True):
    """Bytes that are no frame; counted and shown, never a reading."""

    reason: str
    raw: bytes


Result = Decoded | Garbled


class Codec(Protocol):
    """Pure: bytes in; bytes used and what they were out."""

    request: bytes
    """Sent for each reading by a polled meter; empty when it streams."""
    longest: int
    """Bytes of its longest frame."""
    quantities: Sequence[Quantity]
    """What it can tell."""
    checked: bool
    """Whether frames carry a checksum. Without one, a change of unit or range must be seen twice."""

    def decode(self, buffer: bytes) -> tuple[int, Result | None]:
        """(bytes used, result); no result: bytes skipped, or more needed when 0 were used."""
        ...
