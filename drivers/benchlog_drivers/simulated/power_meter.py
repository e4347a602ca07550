"""Registers of the simulated AC power meter, as the profile ``simulated-power-meter`` describes them."""

import struct

from benchlog.model.reading import Status
from benchlog_drivers.simulated.meters import Indication, SimulatedMeter

_LONG_OVERLOAD = 0x7FFFFFFF
_WORD_OVERLOAD = 0xFFFF
_WHO = (0x5042, 0x0001, 0x0000, 0x1267)
"""Kind, hardware, serial number."""
POWER_METER_IDENTITY = "".join(f"{word:04x}" for word in _WHO)
_LIVE_V = 2.0
"""Volts above which it knows the frequency."""


class PowerMeterRegisters:
    """The words of a power meter: those of the last finished set, and who it is."""

    def __init__(self, meter: SimulatedMeter, mains_hz: float) -> None:
        """``meter`` has volts, amperes and watts, in this order."""
        self._meter = meter
        self._mains_hz = mains_hz

    def words(self, wrong: bool = False) -> dict[int, int]:
        """Words by address; ``wrong``: another instrument of the same kind answers."""
        found = {100 + place: word for place, word in enumerate(_WHO)} | {12: 0}
        found[103] += wrong
        last = self._meter.last
        if last is None:
            return found | dict.fromkeys(range(12), 0)
        volts, amperes, watts = last.indications
        v, a, w = (one.value or 0.0 for one in last.indications)
        va = v * a
        long_words = [*_long(amperes, 1e-3), *_long(watts, 0.1), *_pair(round(va / 0.1))]
        factor = round(1000.0 * max(-1.0, min(1.0, w / va))) if va > 0.05 else 0
        hertz = round(self._mains_hz * 100.0) if v > _LIVE_V else 0
        peak = struct.unpack(">HH", struct.pack(">f", abs(last.peak_a)))
        words = [last.sequence & 0xFFFF, _word(volts), *long_words, factor & 0xFFFF, hertz, *peak]
        return found | dict(enumerate(words))


def _word(indication: Indication) -> int:
    if indication.value is None:
        return _WORD_OVERLOAD
    return min(round(indication.value / 0.1), _WORD_OVERLOAD - 1)


def _long(indication: Indication, count: float) -> tuple[int, int]:
    if indication.value is None:
        return _pair(_LONG_OVERLOAD if indication.status is Status.OVERLOAD else 0)
    return _pair(round(indication.value / count))


def _pair(value: int) -> tuple[int, int]:
    """High word first."""
    return (value >> 16) & 0xFFFF, value & 0xFFFF
