"""Modbus RTU and TCP: frames by pymodbus, bytes by a serial line (``socket://`` for TCP), deadlines ours.

An RTU answer has no transaction number: a late one would be taken for the next. After a timeout the line is
drained for longer than the worst latency, one answer is thrown away, and the line must be quiet again behind
it: had that been the late one, its own would follow it. Of every answer address, function and length are
checked.
"""

import time

from pymodbus.framer import FramerRTU, FramerSocket
from pymodbus.pdu import DecodePDU, ModbusPDU
from pymodbus.pdu.bit_message import WriteSingleCoilRequest
from pymodbus.pdu.register_message import ReadHoldingRegistersRequest, ReadInputRegistersRequest

from benchlog.model.errors import InstrumentTimeout, LinkLost, ProtocolFault
from benchlog_drivers.codecs.decoded import Garbled
from benchlog_drivers.codecs.modbus_frame import Older, take_rtu, take_tcp
from benchlog_drivers.transports.line import Line
from benchlog_drivers.transports.seam import translated

_WRITE_COIL = 5

EXCEPTIONS = {
    1: "it does not know the function",
    2: "it has no such register",
    3: "it does not take that number of registers",
    4: "it failed inside",
    5: "it has taken the order and is not ready yet",
    6: "it is busy",
    8: "its memory has a parity error",
    10: "the gateway has no path to it",
    11: "the gateway gets no answer from it",
}
"""Modbus Application Protocol V1.1b3, chapter 7."""


class ModbusLine:
    """One Modbus device over one line; owned by one thread."""

    def __init__(self, line: Line, unit: int, over_tcp: bool) -> None:
        """The line is not yet open."""
        self.line = line
        self.late = 0
        """Answers that came too late and were thrown away."""
        self._unit = unit
        self._over_tcp = over_tcp
        decoder = DecodePDU(False)
        self._framer = FramerSocket(decoder) if over_tcp else FramerRTU(decoder)
        self._decoder = decoder
        self._transaction = 0
        self._suspect = False
        self.sent_at = 0.0
        """Monotonic instant at which the last question was sent."""
        self._heard = 0.0
        self._between_s = 0.0 if over_tcp else max(0.00175, 38.5 / line.link.baud)

    def open(self) -> None:
        """Open the line; what lies there is thrown away."""
        self.line.open()
        while self.line.read_some(0.0):
            pass

    def close(self) -> None:
        """Close the line; never raises."""
        self.line.close()

    def read_registers(self, function: str, address: int, count: int) -> list[int]:
        """Registers from ``address`` on, read in one transaction."""
        kind = ReadHoldingRegistersRequest if function == "holding" else ReadInputRegistersRequest
        answer = self._exchange(kind(address=address, count=count), 2 + 2 * count)
        if len(answer.registers) != count:
            raise self._wrong(f"answered {len(answer.registers)} registers where {count} were asked for")
        return list(answer.registers)

    def write_coil(self, address: int, on: bool) -> None:
        """Switch a coil; the device echoes the order."""
        request = WriteSingleCoilRequest(address=address, bits=[on])
        answer = self._exchange(request, 5)
        if answer.address != address or list(answer.bits)[:1] != [on]:
            raise self._wrong("did not echo the order to switch a coil")

    def _exchange(self, request: ModbusPDU, length: int) -> ModbusPDU:
        """One transaction; ``length`` bytes of function and data are expected back."""
        self._transaction = self._transaction % 0xFFFF + 1
        request.dev_id, request.transaction_id = self._unit, self._transaction
        with translated(self.line.link):
            frame = self._framer.buildFrame(request)
        if self._suspect and not self._over_tcp:
            self._settle(frame, request.function_code, length)
        body = self._ask(frame, request.function_code, length)
        with translated(self.line.link):
            answer = self._decoder.decode(body)
        if answer is None or answer.isError():
            code = getattr(answer, "exception_code", 0)
            raise self._wrong(f"refused ({code}): {EXCEPTIONS.get(code, 'no reason given')}")
        return answer

    def _ask(self, frame: bytes, function: int, length: int) -> bytes:
        """Function and data of the answer to one frame."""
        time.sleep(max(0.0, self._heard + self._between_s - time.monotonic()))
        self.sent_at = time.monotonic()
        try:
            self.line.write(frame, self.line.link.timeout_s)
            return self._receive(function, length)
        except (InstrumentTimeout, ProtocolFault, LinkLost):
            self._suspect = True
            raise

    def _settle(self, frame: bytes, function: int, length: int) -> None:
        """After a fault on RTU, find the thread; the echo of a coil is no value, so that quiet is enough."""
        self._wait_quiet()
        while function != _WRITE_COIL:
            self._ask(frame, function, length)
            if not self._wait_quiet():
                break
        self._suspect = False

    def _wait_quiet(self) -> int:
        """Wait until nothing came for longer than a late answer may take; how often something came."""
        until = time.monotonic() + 5.0 * self.line.link.timeout_s
        came = 0
        while self.line.read_some(1.5 * self.line.link.timeout_s):
            came += 1
            self.late += 1
            if time.monotonic() > until:
                raise InstrumentTimeout(f"{self.line.link.where}: it does not fall silent. Check its wiring.")
        return came

    def _receive(self, function: int, length: int) -> bytes:
        """Function and data of the answer to the present question, within one deadline."""
        until = time.monotonic() + self.line.link.timeout_s
        buffer = b""
        while True:
            left = until - time.monotonic()
            if left <= 0.0:
                said = f" ({buffer[:16].hex(' ')} came)" if buffer else ""
                raise InstrumentTimeout(
                    f"{self.line.link.where}: no answer in time{said}. Check address, baud rate and wiring."
                )
            buffer += self.line.read_some(left)
            self._heard = time.monotonic()
            taken: bytes | Older | Garbled | None
            if self._over_tcp:
                taken = take_tcp(buffer, self._unit, self._transaction)
            else:
                taken = take_rtu(buffer, self._unit, function, length)
            if isinstance(taken, Older):
                self.late += 1
                buffer = buffer[taken.used :]
            elif isinstance(taken, Garbled):
                raise self._wrong(f"sent what can't be: {taken.reason}")
            elif taken is not None and self._heard <= until:
                return taken

    def _wrong(self, what: str) -> ProtocolFault:
        return ProtocolFault(f"{self.line.link.where}: it {what}. Check its profile and its address.")
