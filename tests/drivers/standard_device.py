"""A SCPI instrument written from IEEE 488.2-1992 and SCPI-1999 alone, knowing nothing of the adaptors.

Message units, header paths, long and short forms, common commands, event status register, error queue,
number forms and block forms as the standards have them; what they leave open can be chosen. No I/O: a
program message in, a response message out. Served by a loopback socket (`SocketPeer`), by HiSLIP
(`HislipPeer`) or by VXI-11 (`Vxi11Peer`).
"""

import contextlib
import re
import socket
import struct
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field

Handler = Callable[[list[str]], str | bytes | None]

NUMBERS: dict[str, Callable[[float], str]] = {
    "NR2": lambda x: f"{x:.6f}",
    "NR2 signed": lambda x: f"{x:+.6f}",
    "NR3": lambda x: f"{x:+.8E}",
    "several": lambda x: f"{x:+.8E},+0.00E+00",
    "NR3 short": lambda x: f"{x:.7g}".upper().replace("E+0", "E+").replace("E-0", "E-"),
}
"""IEEE 488.2, 8.7.2 to 8.7.4; 8.7.2 (NR1) is what a whole number looks like in the last."""

ERRORS: dict[str, Callable[[int, str], str]] = {
    "quoted": lambda number, text: f'{number},"{text}"',
    "signed": lambda number, text: f'{number:+d},"{text}"',
    "unquoted": lambda number, text: f"{number},{text}",
    "spaced": lambda number, text: f'{number}, "{text}"',
    "with detail": lambda number, text: f'{number},"{text};near ""VOLT"", unit 1"',
}
"""SCPI-1999 vol. 2, 21.8: number, string; device-dependent detail after a semicolon."""

INFINITY, NAN = 9.9e37, 9.91e37


class Fault(Exception):
    """A message unit that is not carried out: number and text of its error."""


@dataclass
class Device:
    """One instrument: meter, AC source and digitiser in one, so that every word is in one place."""

    number: str = "NR3"
    error: str = "quoted"
    identity: str = "INVENTED WORKS,MODEL ONE,SN-0042,1.2-3"
    knows: Callable[[str], bool] = lambda header: True
    """Whether it knows a header (long form, no query mark)."""
    measure_s: float = 0.0
    on_over_range: float = 300.0
    value: float = 1.5
    samples: bytes = b""
    preamble: str = ""
    queue: list[tuple[int, str]] = field(default_factory=list)
    heard: list[str] = field(default_factory=list)
    state: dict[str, float] = field(
        default_factory=lambda: {
            "VOLT": 0.0, "OUTP": 0, "CURR": 10.0, "FREQ": 50.0, "RANG": 300.0, "ESE": 0, "ESR": 0,
        }
    )  # fmt: skip
    questionable: int = 0

    def __post_init__(self) -> None:
        self._ready_s = 0.0
        self._opc = False
        table: dict[str, Handler] = {
            "*IDN?": lambda _: self.identity,
            "*CLS": self._clear,
            "*RST": lambda _: None,
            "*ESE": lambda p: self._set("ESE", p, 0, 255),
            "*ESE?": lambda _: f"{self.state['ESE']:.0f}",
            "*ESR?": self._esr,
            "*OPC": self._opc_later,
            "*OPC?": lambda _: "1",
            "*STB?": lambda _: "0",
            "SYSTem:ERRor[:NEXT]?": self._error,
            "SYSTem:VERSion?": lambda _: "1999.0",
            "[SOURce:]VOLTage[:LEVel]": lambda p: self._set("VOLT", p, 0.0, self.on_over_range),
            "[SOURce:]VOLTage[:LEVel]?": lambda _: self._nr(self.state["VOLT"]),
            "[SOURce:]VOLTage:RANGe": lambda p: self._set("RANG", p, 0.0, 600.0),
            "[SOURce:]VOLTage:RANGe?": lambda _: self._nr(self.state["RANG"]),
            "[SOURce:]CURRent:PROTection": lambda p: self._set("CURR", p, 0.0, 20.0),
            "[SOURce:]CURRent:PROTection?": lambda _: self._nr(self.state["CURR"]),
            "[SOURce:]FREQuency": lambda p: self._set("FREQ", p, 15.0, 500.0),
            "[SOURce:]FREQuency?": lambda _: self._nr(self.state["FREQ"]),
            "OUTPut[:STATe]": self._switch,
            "OUTPut[:STATe]?": lambda _: f"{self.state['OUTP']:.0f}",
            "STATus:QUEStionable:CONDition?": lambda _: str(self.questionable),
            "STATus:OPERation:CONDition?": lambda _: str(16 if time.monotonic() < self._ready_s else 0),
            "READ?": self._read,
            "FETCh?": self._fetch,
            "FETCh:CURRent:AMPLitude:MAXimum?": lambda _: self._nr(7.25),
            "FETCh:POWer:AC:APParent?": lambda _: self._nr(31.0),
            "INITiate[:IMMediate]": self._begin,
            "ABORt": lambda _: None,
            "WAVeform:PREamble?": lambda _: self.preamble,
            "WAVeform:DATA?": lambda _: self.samples,
        }
        for function in ("VOLTage:DC", "VOLTage:AC", "CURRent:DC", "CURRent:AC", "RESistance", "FRESistance",
                         "DIODe", "CONTinuity", "CAPacitance", "FREQuency", "TEMPerature"):  # fmt: skip
            table[f"CONFigure[:SCALar]:{function}"] = lambda _: None
        self._table = list(table.items())

    # ---- the message exchange ------------------------------------------------------------------------

    def message(self, text: str) -> bytes | None:
        """A program message without its terminator; the response message without its own, None for none."""
        self.heard.append(text)
        answers: list[bytes] = []
        path: tuple[str, ...] = ()
        for unit in text.split(";"):
            header, _, rest = unit.strip().partition(" ")
            if not header:
                continue
            try:
                handler, path = self._find(header, path)
                answer = handler([p.strip() for p in rest.split(",")] if rest.strip() else [])
            except Fault as fault:
                self.queue.append(fault.args)
                self.state["ESR"] = int(self.state["ESR"]) | 0x20
                continue
            if answer is not None:
                answers.append(answer if isinstance(answer, bytes) else answer.encode("ascii"))
        return b";".join(answers) if answers else None

    def _find(self, header: str, path: tuple[str, ...]) -> tuple[Handler, tuple[str, ...]]:
        if header.startswith("*"):
            nodes, after = (header.rstrip("?").upper(),), path
        else:
            nodes = tuple(header.rstrip("?").lstrip(":").upper().split(":"))
            nodes = nodes if header.startswith(":") else path + nodes
            after = nodes[:-1]
        for pattern, handler in self._table:
            if pattern.endswith("?") is header.endswith("?") and _fits(pattern.rstrip("?"), nodes):
                if not self.knows(pattern.rstrip("?")):
                    break
                return handler, after
        raise Fault(-113, "Undefined header")

    # ---- what the words do ---------------------------------------------------------------------------

    def _nr(self, value: float) -> str:
        return NUMBERS[self.number](value)

    def _set(self, name: str, parameters: list[str], least: float, greatest: float) -> None:
        if not parameters:
            raise Fault(-109, "Missing parameter")
        if len(parameters) > 1:
            raise Fault(-108, "Parameter not allowed")
        try:
            value = float(parameters[0])
        except ValueError:
            raise Fault(-104, "Data type error") from None
        if not least <= value <= greatest:
            raise Fault(-222, "Data out of range")
        self.state[name] = value

    def _switch(self, parameters: list[str]) -> None:
        if parameters not in (["ON"], ["OFF"], ["1"], ["0"]):
            raise Fault(-224, "Illegal parameter value")
        self.state["OUTP"] = parameters[0] in ("ON", "1")

    def _clear(self, _: list[str]) -> None:
        self.queue.clear()
        self.state["ESR"] = 0
        self._opc = False

    def _error(self, _: list[str]) -> str:
        number, text = self.queue.pop(0) if self.queue else (0, "No error")
        return ERRORS[self.error](number, text)

    def _opc_later(self, _: list[str]) -> None:
        self._opc = True

    def _esr(self, _: list[str]) -> str:
        if self._opc and time.monotonic() >= self._ready_s:
            self._opc = False
            self.state["ESR"] = int(self.state["ESR"]) | 1
        told, self.state["ESR"] = int(self.state["ESR"]), 0
        return str(told)

    def _begin(self, _: list[str]) -> None:
        self._ready_s = time.monotonic() + self.measure_s

    def _read(self, parameters: list[str]) -> str:
        time.sleep(self.measure_s)
        return self._fetch(parameters)

    def _fetch(self, _: list[str]) -> str:
        return self._nr(self.value)


def _fits(pattern: str, nodes: tuple[str, ...]) -> bool:
    """Whether header nodes spell a pattern: capitals are the short form, brackets may be left out."""
    cleaned = [(word, bool(bracket)) for bracket, word in re.findall(r"(\[?):?([*A-Za-z]+)", pattern)]

    def spelt(i: int, j: int) -> bool:
        if i == len(cleaned):
            return j == len(nodes)
        word, optional = cleaned[i]
        short = "".join(c for c in word if not c.islower())
        here = j < len(nodes) and nodes[j] in (word.upper(), short) and spelt(i + 1, j + 1)
        return here or (optional and spelt(i + 1, j))

    return spelt(0, 0)


class SocketPeer:
    """Serves the device on a raw loopback socket; ``end`` closes each response."""

    def __init__(self, device: Device, end: bytes = b"\n") -> None:
        self.device, self.end = device, end
        self.delay = lambda message: 0.0
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._listener.getsockname()[1])
        self._open: list[socket.socket] = []
        self._threads = [threading.Thread(target=self._accept, daemon=True)]
        self._threads[0].start()

    @property
    def resource(self) -> str:
        return f"TCPIP0::127.0.0.1::{self.port}::SOCKET"

    def _accept(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                connection, _ = self._listener.accept()
                connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                self._open.append(connection)
                self._threads.append(threading.Thread(target=self._serve, args=(connection,), daemon=True))
                self._threads[-1].start()

    def _serve(self, connection: socket.socket) -> None:
        with contextlib.suppress(OSError), connection, connection.makefile("rb") as lines:
            for line in lines:
                answer = self.device.message(line.decode("ascii").rstrip("\r\n"))
                time.sleep(self.delay(line.decode("ascii").rstrip("\r\n")))
                if answer is not None:
                    connection.sendall(answer + self.end)

    def close(self) -> None:
        with contextlib.suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        for connection in self._open:
            with contextlib.suppress(OSError):
                connection.shutdown(socket.SHUT_RDWR)
        for thread in self._threads:
            thread.join(5)


_HEADER = struct.Struct("!2sBBIQ")
"""IVI-6.1 (HiSLIP), 2.1: "HS", message type, control code, parameter, payload length."""


class HislipPeer(SocketPeer):
    """Serves the device by HiSLIP (IVI-6.1, synchronized mode, one client), as much as a query needs.

    END closes a response; ``end`` may be empty (IVI-6.1, 3.1.2).
    """

    def __init__(self, device: Device, end: bytes = b"") -> None:
        super().__init__(device, end)

    @property
    def resource(self) -> str:
        return f"TCPIP0::127.0.0.1::hislip0,{self.port}::INSTR"

    def _serve(self, connection: socket.socket) -> None:
        text = b""
        with contextlib.suppress(OSError), connection, connection.makefile("rb") as stream:
            while len(head := stream.read(_HEADER.size)) == _HEADER.size:
                _, kind, _, parameter, length = _HEADER.unpack(head)
                payload = stream.read(length)
                if kind == 0:  # Initialize
                    self._send(connection, 1, 0, 0x0100_0001)
                elif kind == 17:  # AsyncInitialize
                    self._send(connection, 18, 0, 0)
                elif kind == 15:  # AsyncMaxMsgSize
                    self._send(connection, 16, 0, 0, struct.pack("!Q", 1 << 20))
                elif kind in (6, 7):  # Data, DataEnd
                    text += payload
                    if kind == 7:
                        self._answer(connection, text, parameter)
                        text = b""

    def _answer(self, connection: socket.socket, text: bytes, number: int) -> None:
        answers = [self.device.message(line) for line in text.decode("ascii").splitlines()]
        time.sleep(self.delay(text.decode("ascii").rstrip()))
        for answer in answers:
            if answer is not None:
                data = answer + self.end
                for place in range(0, len(data), 8192):
                    last = place + 8192 >= len(data)
                    self._send(connection, 7 if last else 6, 0, number, data[place : place + 8192])

    @staticmethod
    def _send(connection: socket.socket, kind: int, code: int, parameter: int, payload: bytes = b"") -> None:
        connection.sendall(_HEADER.pack(b"HS", kind, code, parameter, len(payload)) + payload)


_CALL = struct.Struct("!IIIIII")
"""RFC 5531: transaction, call (0), RPC version 2, program, version, procedure."""
_MOST = 4096
"""Bytes that one read brings at most, as a small instrument may have it."""


class Vxi11Peer(SocketPeer):
    """Serves the device by VXI-11 (TCP/IP Instrument Protocol, revision 1.0): the core channel's four calls.

    ``end`` may be empty: the end of a response is told by the reason of a read.
    """

    def __init__(self, device: Device, end: bytes = b"") -> None:
        super().__init__(device, end)
        self._ready_s = 0.0

    @property
    def resource(self) -> str:
        return f"TCPIP0::127.0.0.1,{self.port}::inst0::INSTR"

    def _serve(self, connection: socket.socket) -> None:
        waiting: list[bytes] = []
        with contextlib.suppress(OSError), connection, connection.makefile("rb") as stream:
            while len(mark := stream.read(4)) == 4:  # record marking, RFC 5531, 11
                record = stream.read(struct.unpack("!I", mark)[0] & 0x7FFF_FFFF)
                number, _, _, _, _, procedure = _CALL.unpack_from(record)
                place = _CALL.size
                for _ in range(2):  # credential and verifier
                    place += 8 + struct.unpack_from("!I", record, place + 4)[0]
                reply = struct.pack("!IIIIII", number, 1, 0, 0, 0, 0)
                reply += self._procedure(procedure, record[place:], waiting)
                connection.sendall(struct.pack("!I", 0x8000_0000 | len(reply)) + reply)

    def _procedure(self, procedure: int, arguments: bytes, waiting: list[bytes]) -> bytes:
        if procedure == 10:  # create_link: error, link, abort port, largest write
            return struct.pack("!iiII", 0, 1, 0, _MOST)
        if procedure == 11:  # device_write: error, size
            (size,) = struct.unpack_from("!I", arguments, 16)
            self._write(arguments[20 : 20 + size].decode("ascii"), waiting)
            return struct.pack("!iI", 0, size)
        if procedure == 12:  # device_read: error, reason, data
            _, wanted, timeout_ms = struct.unpack_from("!iII", arguments)
            missing_s = max(0.0, self._ready_s - time.monotonic()) if waiting else 1e9
            time.sleep(min(missing_s, timeout_ms / 1000.0))
            if missing_s > timeout_ms / 1000.0:
                return struct.pack("!iiI", 15, 0, 0)  # 15: I/O timeout
            part, rest = waiting[0][: min(wanted, _MOST)], waiting[0][min(wanted, _MOST) :]
            waiting[:] = [rest] if rest else []
            return struct.pack("!iiI", 0, 0 if rest else 4, len(part)) + part + bytes(-len(part) % 4)
        return struct.pack("!i", 0)  # destroy_link

    def _write(self, text: str, waiting: list[bytes]) -> None:
        """A program message; an answer that nobody fetched is lost (IEEE 488.2, 6.3.2.3)."""
        waiting.clear()
        for line in text.splitlines():
            answer = self.device.message(line)
            if answer is not None:
                waiting[:] = [answer + self.end]
                self._ready_s = time.monotonic() + self.delay(line)
