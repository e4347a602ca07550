"""An adaptor of another package: a thermometer that is a file with thousandths of a degree in it.

Its package metadata register it:

    [project.entry-points."benchlog.adaptors"]
    file-thermometer = "benchlog_example_thermometer:make"
"""

import time
from collections.abc import Sequence
from pathlib import Path

from benchlog.bench.adaptor import Identity
from benchlog.bench.file import InstrumentConfig
from benchlog.model.clock import Clock
from benchlog.model.errors import LinkLost, PortRefused, ProtocolFault
from benchlog.model.quantity import Quantity
from benchlog.model.reading import Channel, Measured, Reading


class FileThermometer:
    """Implements `benchlog.bench.adaptor.Meter`."""

    period_s = 0.05

    def __init__(self, config: InstrumentConfig, clock: Clock) -> None:
        """``config.connection`` is the file."""
        self.channels = (Channel(config.roles[0], Quantity.TEMPERATURE, config.name),)
        self._path = Path(config.connection)
        self._clock = clock

    def open(self) -> Identity:
        """See that the file is there."""
        if not self._path.is_file():
            raise PortRefused(f"{self._path} is not there. Mend the connection in the bench file.")
        return Identity("file thermometer")

    def read(self) -> Sequence[Reading]:
        """One reading."""
        time.sleep(self.period_s)
        start_us = self._clock.now()
        try:
            text = self._path.read_text(encoding="ascii").strip()
        except OSError as error:
            raise LinkLost(f"{self._path} is gone: {error}. Plug the sensor in.") from error
        if not text.lstrip("-").isdigit():
            raise ProtocolFault(f"{self._path} holds {text!r}, which is no temperature.")
        return (Measured(self.channels[0], int(text) / 1000, start_us, self._clock.now()),)

    def close(self) -> None:
        """Nothing to close."""


def make(config: InstrumentConfig, clock: Clock) -> FileThermometer:
    """The adaptor."""
    return FileThermometer(config, clock)
