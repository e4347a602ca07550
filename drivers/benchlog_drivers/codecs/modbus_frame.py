"""The receiving half of Modbus frames, strict: an answer must be exactly what was asked for."""

import msgspec

from benchlog_drivers.codecs.checksum import crc16
from benchlog_drivers.codecs.decoded import Garbled

_HEAD = 7


class Older(msgspec.Struct, frozen=True):
    """An answer to an earlier question: so many bytes to skip."""

    used: int


def take_rtu(buffer: bytes, unit: int, function: int, length: int) -> bytes | Garbled | None:
    """Function and data of an RTU answer; None while it is not whole.

    ``length`` bytes of function and data are expected; an exception answer is shorter. Unit, function, byte
    count, length and CRC must all be right.
    """
    if len(buffer) < 2:
        return None
    refused = buffer[1] == function | 0x80
    if buffer[0] != unit or not (refused or buffer[1] == function):
        return Garbled(f"{buffer[:8].hex(' ')} answers another question", buffer)
    whole = 5 if refused else length + 3
    if len(buffer) < whole:
        return None
    if len(buffer) > whole or crc16(buffer[: whole - 2]) != buffer[whole - 2 : whole]:
        return Garbled(f"{buffer[:16].hex(' ')}: checksum or length is wrong", buffer)
    return buffer[1 : whole - 2]


def take_tcp(buffer: bytes, unit: int, transaction: int) -> bytes | Older | Garbled | None:
    """Function and data of a Modbus TCP answer; None while it is not whole."""
    if len(buffer) < _HEAD:
        return None
    told, protocol, size = (int.from_bytes(buffer[i : i + 2], "big") for i in (0, 2, 4))
    if protocol != 0 or not 3 <= size <= 254:
        return Garbled("no Modbus frame", buffer)
    if len(buffer) < 6 + size:
        return None
    if told != transaction:
        return Older(6 + size)
    if buffer[6] != unit:
        return Garbled(f"unit {buffer[6]} answers, unit {unit} was asked", buffer)
    return buffer[_HEAD : 6 + size]
