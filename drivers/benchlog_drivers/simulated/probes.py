"""The asked probe meters of the simulated bench: a bench multimeter and an LCR meter, as SCPI speaks of them.

Words by the profiles ``scpi-multimeter`` (SCPI-1999 volume 2: CONFigure, READ?) and ``scpi-lcr-meter``.
"""

import time

from benchlog.model.quantity import Quantity
from benchlog_drivers.simulated.instruments import Instrument, Measurement
from benchlog_drivers.simulated.link import Outlet
from benchlog_drivers.simulated.scpi import NOT_A_NUMBER, OUT_OF_RANGE, Handler, Refusal, number

FUNCTIONS = {
    "VOLTage[:DC]": Quantity.DC_VOLTAGE,
    "VOLTage:AC": Quantity.AC_VOLTAGE,
    "CURRent[:DC]": Quantity.DC_CURRENT,
    "CURRent:AC": Quantity.AC_CURRENT,
    "RESistance": Quantity.RESISTANCE,
    "FRESistance": Quantity.RESISTANCE,
    "DIODe": Quantity.JUNCTION_VOLTAGE,
    "CONTinuity": Quantity.CONTINUITY,
    "CAPacitance": Quantity.CAPACITANCE,
    "FREQuency": Quantity.FREQUENCY,
    "TEMPerature": Quantity.TEMPERATURE,
}
_POLL_S = 0.001
_PATIENCE_S = 5.0


class MultimeterInstrument(Instrument):
    """A multimeter: ``CONF:…`` chooses the function, ``READ?`` measures and answers when it is done."""

    def __init__(self, measurement: Measurement, outlet: Outlet, serial_number: str) -> None:
        """Set to ohms."""
        self._measurement = measurement
        self._outlet = outlet
        self._quantities = [channel.quantity for channel in measurement.meter.sheet.channels]
        self._function = Quantity.RESISTANCE
        configure = {f"CONFigure:{name}": self._setter(quantity) for name, quantity in FUNCTIONS.items()}
        asked: dict[str, Handler] = {"READ?": self._read, "FETCh?": self._fetch}
        super().__init__("MULTIMETER", serial_number, configure | asked)

    def _setter(self, quantity: Quantity) -> Handler:
        def handler(_: str) -> None:
            self._function = quantity

        return handler

    def _read(self, _: str) -> str:
        self._measurement.begin()
        until = time.monotonic() + _PATIENCE_S
        while self._measurement.is_running() and time.monotonic() < until:
            if self._outlet.stopping.wait(_POLL_S):
                return NOT_A_NUMBER
        return self._fetch("")

    def _fetch(self, _: str) -> str:
        return self._measurement.value(self._quantities.index(self._function))


class LcrInstrument(Instrument):
    """An LCR meter: ``INIT`` begins, ``FETC?`` gives series resistance, capacitance, dissipation factor."""

    def __init__(self, measurement: Measurement, serial_number: str) -> None:
        """Set to 100 kHz."""
        self._measurement = measurement
        self._frequency_hz = 100_000.0
        super().__init__(
            "LCR METER",
            serial_number,
            {
                "FREQuency": self._set_frequency,
                "FREQuency?": lambda _: f"{self._frequency_hz:.6G}",
                "INITiate[:IMMediate]": self._initiate,
                "STATus:OPERation:CONDition?": measurement.condition,
                "FETCh?": self._fetch,
            },
        )

    def _set_frequency(self, text: str) -> None:
        hertz = number(text)
        if hertz not in (100.0, 120.0, 1_000.0, 10_000.0, 100_000.0):
            raise Refusal(OUT_OF_RANGE)
        self._frequency_hz = hertz

    def _initiate(self, _: str) -> None:
        self._measurement.begin()

    def _fetch(self, _: str) -> str:
        return ",".join(self._measurement.value(place) for place in range(3))
