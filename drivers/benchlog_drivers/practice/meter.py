"""One practice instrument: its values in time, its troubles, and what it sends or answers."""

import itertools
import threading
from collections.abc import Callable

from benchlog.bench.profile import Family, Profile, RegisterMap
from benchlog.model.errors import UsageError
from benchlog.model.quantity import Quantity
from benchlog.model.reading import Status
from benchlog_drivers.codecs.checksum import crc16
from benchlog_drivers.practice.encode import (
    Shown,
    encode_frame,
    encode_register,
    encode_segments,
    encode_text,
    scpi_text,
)
from benchlog_drivers.simulated.trouble import Trouble, TroubleBox

_USUAL: dict[Quantity, tuple[float, float]] = {
    Quantity.AC_CURRENT: (0.25, 0.0005),
    Quantity.DC_CURRENT: (0.025, 0.0001),
    Quantity.AC_VOLTAGE: (120.0, 0.1),
    Quantity.DC_VOLTAGE: (48.0, 0.1),
    Quantity.ACTIVE_POWER: (17.0, 0.1),
    Quantity.RESISTANCE: (7.6, 0.01),
    Quantity.ESR: (0.25, 0.001),
    Quantity.CAPACITANCE: (215e-6, 1e-7),
    Quantity.TEMPERATURE: (25.0, 1.0),
}
"""Value and step of each quantity: every reading is one step more than the one before, over 500 steps."""
_STEPS = 500


class PracticeMeter:
    """Makes readings that can be told apart. Used by several threads."""

    def __init__(self, profile: Profile, quantities: tuple[Quantity, ...], troubles: TroubleBox) -> None:
        """``quantities``: what it measures, in the order of its displays."""
        self.profile = profile
        self.quantities = quantities
        self.troubles = troubles
        self.sent: list[tuple[float, dict[Quantity, Shown]]] = []
        """(practice seconds, values) of everything it made."""
        self.wrong = False
        """Whether another serial number answers."""
        self._lock = threading.Lock()
        self._count = itertools.count(1)
        self._frozen: dict[Quantity, Shown] | None = None
        self._enabled = 0

    def measure(self, now_s: float) -> tuple[int, dict[Quantity, Shown]]:
        """(number of the set, values) of a new set."""
        with self._lock:
            number = next(self._count)
            values = self._values(number, now_s)
            self.sent.append((now_s, values))
            return number, values

    def _values(self, number: int, now_s: float) -> dict[Quantity, Shown]:
        def acts(kind: Trouble) -> bool:
            return self.troubles.find(kind, now_s) is not None

        if acts(Trouble.OVERLOAD):
            return dict.fromkeys(self.quantities, Status.OVERLOAD)
        if acts(Trouble.AUTORANGE_BLANKING):
            return dict.fromkeys(self.quantities, Status.AUTORANGING)
        drift = self.troubles.find(Trouble.DRIFTING, now_s)
        factor = 1.0 + drift.per_minute * (now_s - drift.start_s) / 60.0 if drift else 1.0
        values: dict[Quantity, Shown] = {}
        for quantity in self.quantities:
            value, step = _USUAL[quantity]
            values[quantity] = (value + step * (number % _STEPS)) * factor
        if not acts(Trouble.FROZEN):
            self._frozen = values
        return self._frozen or values

    # ---- what it sends by itself, or answers ---------------------------------------------------------

    def frame(self, now_s: float) -> bytes:
        """One frame of a serial meter."""
        _, values = self.measure(now_s)
        profile = self.profile
        if profile.family is Family.SERIAL_TEXT:
            return encode_text(profile, values)
        if profile.segments is not None:
            quantity = self.quantities[0]
            return encode_segments(profile.segments, quantity, values[quantity])
        if profile.frame is not None:
            return encode_frame(profile.frame, values)
        raise UsageError(f"{profile.name!r} is no serial meter.")

    def modbus(self, request: bytes, now_s: float) -> bytes | None:
        """Function and data of the answer to a Modbus request (function and data)."""
        registers = self.profile.modbus
        if registers is None or len(request) < 5:
            return None
        function = request[0]
        address, count = int.from_bytes(request[1:3], "big"), int.from_bytes(request[3:5], "big")
        if function != (3 if registers.function == "holding" else 4):
            return bytes([function | 0x80, 1])
        words = self._registers(registers, address, now_s)
        if not 1 <= count <= 125 or any(place not in words for place in range(address, address + count)):
            return bytes([function | 0x80, 2])
        data = b"".join(words[place].to_bytes(2, "big") for place in range(address, address + count))
        return bytes([function, len(data)]) + data

    def _registers(self, registers: RegisterMap, asked: int, now_s: float) -> dict[int, int]:
        who = registers.identity_address
        if who is not None and asked == who:
            number = 2 if self.wrong else 1
            return {who + i: number for i in range(registers.identity_count)}
        number, values = self.measure(now_s)
        last = max(register.address for register in registers.register)
        words = dict.fromkeys(range(last + 2 + registers.spare), 0)
        for register in registers.register:
            for i, word in enumerate(encode_register(register, values.get(register.quantity, 0.0))):
                words[register.address + i] = word
        if registers.count_address is not None:
            words[registers.count_address] = number % 0x10000
        return words

    def scpi(self, line: str, now_s: float) -> str | None:
        """The answer of a SCPI meter with a counted list of values (``simulated-bench-meter``)."""
        replies: list[str] = []
        for unit in line.split(";"):
            word, _, rest = unit.strip().lstrip(":").partition(" ")
            if word == "*ESE":
                self._enabled = int(rest)
            elif word == "*ESE?":
                replies.append(str(self._enabled))
            elif word == "*IDN?":
                replies.append(f"SIMULATED BENCH,PRACTICE METER,{'P2' if self.wrong else 'P1'},1.0")
            elif word == "SYST:ERR?":
                replies.append('0,"No error"')
            elif word == self.profile.measure.fetch:
                replies.append(self._set(now_s))
        return ";".join(replies) if replies else None

    def _set(self, now_s: float) -> str:
        number, values = self.measure(now_s)
        texts = {self.profile.measure.count_field: str(number)}
        for words in self.profile.channel:
            texts[words.field] = scpi_text(values.get(words.quantity, 0.0))
        return self.profile.measure.separator.join(
            texts[place] for place in sorted(texts, key=lambda p: p or 0)
        )


Answer = Callable[[bytes], bytes | None]


def rtu_answer(body: bytes | None, unit: int) -> bytes | None:
    """An RTU frame around function and data."""
    if body is None:
        return None
    frame = bytes([unit]) + body
    return frame + crc16(frame)
