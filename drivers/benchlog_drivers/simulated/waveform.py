"""The digitiser as SCPI speaks of it; the profile ``simulated-digitiser`` says what each word does.

Beside what the profile uses: ``TRIG:LEV <a>`` smallest current, A peak, that begins a record (1 A at first);
``SENS:SWE:TIME <s>`` length of a record after the trigger (1 s at first), 20 ms before it are kept.
"""

import numpy as np

from benchlog.model.quantity import Quantity
from benchlog_drivers.simulated.digitiser import LONGEST_S, RATE_HZ, Digitiser, scale
from benchlog_drivers.simulated.instruments import Instrument
from benchlog_drivers.simulated.scpi import ILLEGAL_PARAMETER, NO_DATA, OUT_OF_RANGE, Refusal, number

WAITING_BIT = 32
"""Bit 5 of the operation status: waiting for a trigger (SCPI-1999 vol. 1, 9.3)."""
_CHANNELS = {"1": Quantity.PEAK_VOLTAGE, "2": Quantity.PEAK_CURRENT}
_PER_VOLT = {Quantity.PEAK_VOLTAGE: 100.0, Quantity.PEAK_CURRENT: 10.0}
"""What a volt at the digitiser stands for: a 100:1 probe, a 10 A/V clamp."""


class DigitiserInstrument(Instrument):
    """Commands of the digitiser."""

    def __init__(self, digitiser: Digitiser, serial_number: str) -> None:
        """Speak for ``digitiser``."""
        self._digitiser = digitiser
        super().__init__(
            "DIGITISER",
            serial_number,
            {
                "INITiate[:IMMediate]": self._arm,
                "ABORt": self._abort,
                "TRIGger[:SEQuence]:LEVel": self._set_level,
                "TRIGger[:SEQuence]:LEVel?": lambda _: f"{digitiser.level_a:.6G}",
                "[SENSe:]SWEep:TIME": self._set_length,
                "[SENSe:]SWEep:TIME?": lambda _: f"{digitiser.length_s:.6G}",
                "STATus:OPERation:CONDition?": self._condition,
                "WAVeform:PREamble?": self._preamble,
                "WAVeform:DATA?": self._data,
            },
        )

    def _arm(self, _: str) -> None:
        self._digitiser.arm()

    def _abort(self, _: str) -> None:
        self._digitiser.abort()

    def _set_level(self, text: str) -> None:
        level = number(text)
        if not 0.0 < level <= 200.0:
            raise Refusal(OUT_OF_RANGE)
        self._digitiser.level_a = level

    def _set_length(self, text: str) -> None:
        length = number(text)
        if not 0.0 < length <= LONGEST_S:
            raise Refusal(OUT_OF_RANGE)
        self._digitiser.length_s = length

    def _condition(self, _: str) -> str:
        return str(WAITING_BIT if self._digitiser.wants else 0)

    def _preamble(self, text: str) -> str:
        quantity = self._quantity(text)
        record = self._digitiser.record
        points = 0 if record is None else len(record.voltage)
        return f"{points},{1.0 / RATE_HZ:.9G},{scale(quantity) / _PER_VOLT[quantity]:.9G},0,0"

    def _data(self, text: str) -> str:
        quantity = self._quantity(text)
        record = self._digitiser.record
        if record is None:
            self.errors.put(NO_DATA)
            return "#10"
        codes = record.voltage if quantity is Quantity.PEAK_VOLTAGE else record.current
        data = codes.astype(np.dtype(">i2")).tobytes()
        length = str(len(data))
        return f"#{len(length)}{length}" + data.decode("latin-1")

    @staticmethod
    def _quantity(text: str) -> Quantity:
        if text not in _CHANNELS:
            raise Refusal(ILLEGAL_PARAMETER)
        return _CHANNELS[text]
