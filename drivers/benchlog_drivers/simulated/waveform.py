"""The digitiser as SCPI speaks of it.

INIT                 arms; ABOR gives up
TRIG:LEV <a> | ?     smallest current, A peak, that begins a record
SENS:SWE:TIME <s> | ?   length of a record after the trigger; 20 ms before it are kept
STAT:OPER:COND?      16 recording, 32 waiting for the trigger, 256 a record is there
TRAC:PRE? <n>        format,points,interval s,scale,offset,reference; n = 1 voltage, 2 current;
                     value = (code - reference) · scale + offset; format 1: 16-bit two's complement,
                     high byte first
TRAC? <n>            the record: IEEE 488.2 definite-length block, #<digits><bytes>…; without one: #10
"""

import numpy as np

from benchlog.model.quantity import Quantity
from benchlog_drivers.simulated.digitiser import LONGEST_S, RATE_HZ, Digitiser, State, scale
from benchlog_drivers.simulated.instruments import MEASURING_BIT, Instrument
from benchlog_drivers.simulated.scpi import ILLEGAL_PARAMETER, NO_DATA, OUT_OF_RANGE, Refusal, number

WAITING_BIT = 32
"""Bit 5 of the operation status: waiting for a trigger (SCPI-1999 vol. 1, 9.3)."""
RECORD_BIT = 256
"""Bit 8, which the standard leaves to the maker."""
_CHANNELS = {"1": Quantity.PEAK_VOLTAGE, "2": Quantity.PEAK_CURRENT}


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
                "TRACe:PREamble?": self._preamble,
                "TRACe[:DATA]?": self._data,
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
        bits = {State.ARMED: WAITING_BIT, State.RECORDING: MEASURING_BIT, State.DONE: RECORD_BIT}
        return str(bits.get(self._digitiser.state, 0))

    def _preamble(self, text: str) -> str:
        quantity = self._quantity(text)
        record = self._digitiser.record
        points = 0 if record is None else len(record.voltage)
        return f"1,{points},{1.0 / RATE_HZ:.9G},{scale(quantity):.9G},0,0"

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
