"""The device side of Modbus: function codes 3, 4 and 5 over RTU and TCP.

Frames after the Modbus Application Protocol V1.1b3 (6.3, 6.4, 6.5, 7) and Modbus over Serial Line V1.02.
"""

import struct
from collections.abc import Callable, Mapping

from benchlog_drivers.simulated.encode import modbus_crc
from benchlog_drivers.simulated.link import Outlet, Write
from benchlog_drivers.simulated.trouble import Trouble

READ_HOLDING, READ_INPUT, WRITE_COIL = 3, 4, 5
ILLEGAL_FUNCTION, ILLEGAL_ADDRESS, ILLEGAL_VALUE = 1, 2, 3
_MOST_REGISTERS = 125
_REQUEST = 6
"""Bytes of a request: unit, function, two words."""

Registers = Callable[[], Mapping[int, int]]
"""The present words by address."""
Coil = Callable[[int, bool], bool]
"""Switches a coil; false where there is none of that address."""


def answer_body(function: int, first: int, second: int, registers: Registers, coil: Coil) -> bytes:
    """Function and data of the answer to a request with two words."""
    if function in (READ_HOLDING, READ_INPUT):
        if not 1 <= second <= _MOST_REGISTERS:
            return bytes([function | 0x80, ILLEGAL_VALUE])
        words = registers()
        if any(address not in words for address in range(first, first + second)):
            return bytes([function | 0x80, ILLEGAL_ADDRESS])
        data = b"".join(struct.pack(">H", words[first + i]) for i in range(second))
        return bytes([function, len(data)]) + data
    if function == WRITE_COIL:
        if second not in (0x0000, 0xFF00):
            return bytes([function | 0x80, ILLEGAL_VALUE])
        if not coil(first, second == 0xFF00):
            return bytes([function | 0x80, ILLEGAL_ADDRESS])
        return struct.pack(">BHH", function, first, second)
    return bytes([function | 0x80, ILLEGAL_FUNCTION])


class ModbusTalk:
    """One connection or line of a device that answers as ``unit``."""

    def __init__(
        self, outlet: Outlet, registers: Registers, coil: Coil, over_tcp: bool, unit: int = 1
    ) -> None:
        """``registers`` and ``coil`` are called on the server's thread."""
        self._outlet = outlet
        self._registers = registers
        self._coil = coil
        self._over_tcp = over_tcp
        self._unit = unit
        self._buffer = b""
        self.taken = 0

    def take(self, data: bytes, send: Write) -> None:
        """Answer every whole request; what can't be one is thrown away."""
        self._buffer += data
        while self._next(send):
            pass

    def _next(self, send: Write) -> bool:
        """Take one request from the buffer; false when none is whole."""
        head = 6 if self._over_tcp else 0
        tail = 0 if self._over_tcp else 2
        whole = head + _REQUEST + tail
        if len(self._buffer) < whole:
            return False
        frame, self._buffer = self._buffer[:whole], self._buffer[whole:]
        adu = frame[head : head + _REQUEST]
        if not self._over_tcp and modbus_crc(adu) != frame[-2:]:
            self._buffer = b""
            return False
        unit, function, first, second = struct.unpack(">BBHH", adu)
        if unit != self._unit or self._outlet.acts(Trouble.SILENT):
            return True
        self.taken += 1
        body = bytes([unit]) + answer_body(function, first, second, self._registers, self._coil)
        if self._over_tcp:
            body = frame[:4] + struct.pack(">H", len(body)) + body
        else:
            body += modbus_crc(body)
        self._outlet.deliver(body, send)
        return True


def no_coil(_address: int, _on: bool) -> bool:
    """A device without coils."""
    return False


def no_registers() -> dict[int, int]:
    """A device without registers."""
    return {}
