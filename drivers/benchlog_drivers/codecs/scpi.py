"""Replies of SCPI instruments: lines, identity, error queue, lists of numbers."""

import re

import msgspec

from benchlog.bench.adaptor import Identity
from benchlog.model.reading import Status
from benchlog_drivers.codecs.number import register_int, scpi_value, strict_int

_ERROR = re.compile(r'\s*([+-]?\d{1,6})\s*(?:,\s*"?(.*?)"?\s*)?', re.ASCII | re.DOTALL)


class QueuedError(msgspec.Struct, frozen=True):
    """One entry of an instrument's error queue; number 0 means that it is empty."""

    number: int
    text: str


def take_line(buffer: bytes, terminator: bytes = b"\n") -> tuple[int, bytes | None]:
    """(bytes used, line without its terminator and carriage return); (0, None) while it is not complete."""
    end = buffer.find(terminator)
    if end < 0:
        return 0, None
    return end + len(terminator), buffer[:end].rstrip(b"\r\n")


def parse_identity(reply: str) -> Identity:
    """Identity of a ``*IDN?`` reply: maker, model, serial number, firmware (IEEE 488.2, 10.14)."""
    parts = [part.strip() for part in reply.split(",")]
    parts += [""] * (4 - len(parts))
    serial = "" if parts[2] in ("0", "") else parts[2]
    return Identity(" ".join(p for p in parts[:2] if p), serial, ",".join(parts[3:]).strip())


def parse_error(reply: str) -> QueuedError | None:
    """Entry of an error queue, ``-222,"Data out of range"``; None where the reply is no such entry."""
    found = _ERROR.fullmatch(reply)
    return QueuedError(int(found.group(1)), (found.group(2) or "").strip()) if found else None


def parse_values(reply: str, separator: str, fields: int | None = None) -> list[float | Status] | None:
    """Numbers of a list; None where it has not ``fields`` of them (at least one where not given)."""
    texts = reply.split(separator)
    if fields is not None and len(texts) != fields:
        return None
    return [scpi_value(text) for text in texts]


def parse_switch(reply: str) -> bool | None:
    """On or off of a reply 1, 0 (as any number), ON, OFF; None for anything else."""
    text = reply.strip().upper()
    if text in ("ON", "OFF"):
        return text == "ON"
    return {0: False, 1: True}.get(-1 if (number := strict_int(text)) is None else number)


def bit_set(reply: str, bit: int) -> bool | None:
    """Whether a bit of a register is set; None where the reply is no whole number ≥ 0."""
    value = register_int(reply.strip())
    return None if value is None else bool(value >> bit & 1)


def still_busy(reply: str, busy_bit: int, done_bit: int | None) -> bool | None:
    """Whether it is still at work, by the bit that says so or the bit that says it is done; None as above."""
    if done_bit is None:
        return bit_set(reply, busy_bit)
    done = bit_set(reply, done_bit)
    return None if done is None else not done
