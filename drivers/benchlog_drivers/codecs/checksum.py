"""Checksums of frames."""

from collections.abc import Callable
from functools import reduce
from operator import xor


def sum8(data: bytes) -> bytes:
    """Sum of the bytes, modulo 256. Catches every single wrong byte."""
    return bytes([sum(data) & 0xFF])


def sum8_complement(data: bytes) -> bytes:
    """What makes the sum 0 modulo 256."""
    return bytes([-sum(data) & 0xFF])


def xor8(data: bytes) -> bytes:
    """Exclusive or of the bytes. Catches every single wrong byte."""
    return bytes([reduce(xor, data, 0)])


def _crc16_table() -> tuple[int, ...]:
    table = []
    for byte in range(256):
        crc = byte
        for _ in range(8):
            crc = crc >> 1 ^ 0xA001 if crc & 1 else crc >> 1
        table.append(crc)
    return tuple(table)


_CRC16 = _crc16_table()


def crc16(data: bytes) -> bytes:
    """CRC-16/MODBUS (polynomial 0x8005 reflected, initial 0xFFFF), low byte first.

    Catches every burst of up to 16 bits. Check value of "123456789": 0x4B37 (Modbus over Serial Line, 6.2.2).
    """
    crc = 0xFFFF
    for byte in data:
        crc = crc >> 8 ^ _CRC16[(crc ^ byte) & 0xFF]
    return crc.to_bytes(2, "little")


CHECKSUMS: dict[str, Callable[[bytes], bytes]] = {
    "sum8": sum8,
    "sum8-complement": sum8_complement,
    "xor8": xor8,
    "crc16": crc16,
}
