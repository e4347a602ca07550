"""A serial port with modem-control lines over TCP, after RFC 2217 (Telnet com port control option).

As much of it as a client needs to open the port and move DTR and RTS: every setting is agreed to and ignored.
Telnet framing after RFC 854 and 855.
"""

from collections.abc import Callable

from benchlog_drivers.simulated.link import Write

IAC, DONT, DO, WONT, WILL, SB, SE = 255, 254, 253, 252, 251, 250, 240
BINARY, SUPPRESS_GO_AHEAD, COM_PORT = 0, 3, 44
SET_CONTROL = 5
NOTIFY_MODEM_STATE = 7
_ACKNOWLEDGED = 100
"""What a server adds to a command in its answer (RFC 2217, section 3)."""
_LINES = {8: ("dtr", True), 9: ("dtr", False), 11: ("rts", True), 12: ("rts", False)}
"""Values of SET-CONTROL (RFC 2217, section 3)."""
_DEFAULTS = {1: b"\x00\x00\x25\x80", 2: b"\x08", 3: b"\x01", 4: b"\x01"}
"""Answers to a client that asks for baud rate (9600), data size, parity and stop bits by a zero."""

OnLine = Callable[[str, bool], None]


class ModemTalk:
    """One connection. ``on_line`` is called with ``dtr`` or ``rts`` and its state whenever it is set."""

    def __init__(self, on_line: OnLine) -> None:
        """Nothing negotiated yet."""
        self._on_line = on_line
        self._agreed: set[tuple[int, int]] = set()
        self._held = b""

    def take(self, data: bytes, send: Write) -> None:
        """Take bytes from the client; answers go out by ``send``."""
        buffer = self._held + data
        while buffer:
            used, reply = self._unit(buffer)
            if used == 0:
                break
            buffer = buffer[used:]
            if reply:
                send(reply)
        self._held = buffer

    def _unit(self, buffer: bytes) -> tuple[int, bytes]:
        """Bytes used by the first unit and the answer to it; 0 when it is not whole yet."""
        if buffer[0] != IAC:
            end = buffer.find(bytes([IAC]))
            return (len(buffer) if end < 0 else end), b""
        if len(buffer) < 2:
            return 0, b""
        if buffer[1] in (DO, DONT, WILL, WONT):
            return (3, self._negotiate(buffer[1], buffer[2])) if len(buffer) > 2 else (0, b"")
        if buffer[1] != SB:
            return 2, b""
        end = buffer.find(bytes([IAC, SE]), 2)
        return (end + 2, self._sub(buffer[2:end])) if end >= 0 else (0, b"")

    def _negotiate(self, verb: int, option: int) -> bytes:
        if (verb, option) in self._agreed:
            return b""
        self._agreed.add((verb, option))
        known = option in (BINARY, SUPPRESS_GO_AHEAD, COM_PORT)
        answers = {DO: WILL if known else WONT, WILL: DO if known else DONT, DONT: WONT, WONT: DONT}
        return bytes([IAC, answers[verb], option])

    def _sub(self, body: bytes) -> bytes:
        if len(body) < 2 or body[0] != COM_PORT:
            return b""
        command, value = body[1], body[2:].replace(bytes([IAC, IAC]), bytes([IAC]))
        if command == SET_CONTROL and value and value[0] in _LINES:
            self._on_line(*_LINES[value[0]])
        if not any(value):
            value = _DEFAULTS.get(command, value)
        answer = bytes([COM_PORT, command + _ACKNOWLEDGED]) + value.replace(bytes([IAC]), bytes([IAC, IAC]))
        framed = bytes([IAC, SB]) + answer + bytes([IAC, SE])
        return framed + self._state() if command == SET_CONTROL else framed

    @staticmethod
    def _state() -> bytes:
        """Clear to send and data set ready: the box is there."""
        return bytes([IAC, SB, COM_PORT, NOTIFY_MODEM_STATE + _ACKNOWLEDGED, 0x30, IAC, SE])
