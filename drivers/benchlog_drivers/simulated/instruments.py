"""The asked instruments of the simulated bench: AC source and multi-channel meter, as SCPI speaks of them."""

import threading
import time
from collections.abc import Callable, Mapping

from benchlog.model.reading import Status
from benchlog_drivers.simulated.live import LiveBench
from benchlog_drivers.simulated.meters import Finished, Indication, SimulatedMeter
from benchlog_drivers.simulated.scpi import (
    NOT_A_NUMBER,
    OUT_OF_RANGE,
    OVERLOAD,
    SETTINGS_CONFLICT,
    CommandSet,
    ErrorQueue,
    Handler,
    Refusal,
    answer,
    boolean,
    number,
)
from benchlog_drivers.simulated.source import ProgrammedSource

MAKER = "SIMULATED BENCH"
MEASURING_BIT = 16
"""Bit 4 of the operation status: MEASuring (SCPI-1999 vol. 1, 9.3)."""


def value_text(indication: Indication) -> str:
    """A value as SCPI writes it; overload and not-a-number by their numbers."""
    if indication.value is not None:
        return f"{indication.value:.9G}"
    return OVERLOAD if indication.status is Status.OVERLOAD else NOT_A_NUMBER


class Instrument:
    """What every asked instrument has: an identity, an error queue, the common commands."""

    def __init__(self, model: str, serial_number: str, commands: Mapping[str, Handler]) -> None:
        """Take the instrument's own commands."""
        self.identity = f"{MAKER},{model},{serial_number},1.0"
        self.other_identity = f"{MAKER},{model},{serial_number}-X,1.0"
        self.errors = ErrorQueue()
        self.counted = 0
        """Lines taken so far."""
        self._lock = threading.Lock()
        self._enabled = 0
        self._wrong = False
        self._commands = CommandSet({**self._common(), **commands})

    def handle(self, line: str, wrong: bool = False) -> str | None:
        """Carry out a line; ``wrong`` when the connection reaches another instrument of the same kind."""
        with self._lock:
            self.counted += 1
            self._wrong = wrong
            return answer(line, self._commands, self.errors)

    def _common(self) -> dict[str, Handler]:
        return {
            "*IDN?": lambda _: self.other_identity if self._wrong else self.identity,
            "*CLS": self._clear,
            "*RST": self._reset,
            "*ESE": self._enable,
            "*ESE?": lambda _: str(self._enabled),
            "*OPC?": lambda _: "1",
            "SYSTem:ERRor[:NEXT]?": self.errors.take,
        }

    def _clear(self, _: str) -> None:
        self.errors.clear()

    def _reset(self, _: str) -> None:
        """Nothing to reset here."""

    def _enable(self, text: str) -> None:
        value = number(text)
        if not 0.0 <= value <= 255.0:
            raise Refusal(OUT_OF_RANGE)
        self._enabled = int(value)


class MeterInstrument(Instrument):
    """A meter that measures all the time and gives its last finished set when asked."""

    def __init__(self, meter: SimulatedMeter, serial_number: str) -> None:
        """Give what ``meter`` has finished."""
        super().__init__("BENCH METER", serial_number, {"FETCh?": self._fetch})
        self._meter = meter
        self._known: tuple[Finished | None, str] = (None, self._line(None))

    def _fetch(self, _: str) -> str:
        last = self._meter.last
        if last is not self._known[0]:
            self._known = (last, self._line(last))
        return self._known[1]

    def _line(self, finished: Finished | None) -> str:
        if finished is None:
            return ",".join(["0", *[NOT_A_NUMBER] * len(self._meter.sheet.channels)])
        return ",".join([str(finished.sequence), *(value_text(one) for one in finished.indications)])


class Measurement:
    """A measurement that is begun by a command, and asked after."""

    def __init__(self, live: LiveBench, meter: SimulatedMeter) -> None:
        """``meter`` measures on demand."""
        self._live = live
        self.meter = meter
        self._awaited: int | None = None

    def begin(self) -> None:
        """Begin it now."""
        last = self.meter.last
        self._awaited = (last.sequence if last else 0) + 1
        self._live.leave(self.meter.begin_at)

    def is_running(self) -> bool:
        """Whether it was begun and has not finished."""
        last = self.meter.last
        return self._awaited is not None and (last is None or last.sequence < self._awaited)

    def condition(self, _: str = "") -> str:
        """The operation status register."""
        return str(MEASURING_BIT if self.is_running() else 0)

    def value(self, place: int) -> str:
        """A value of the last finished one."""
        last = self.meter.last
        return value_text(last.indications[place]) if last is not None else NOT_A_NUMBER


class SourceInstrument(Instrument):
    """The programmed AC source with its own current limit and its own measurement."""

    def __init__(
        self, source: ProgrammedSource, live: LiveBench, meter: SimulatedMeter, serial_number: str
    ) -> None:
        """``meter`` measures on demand at the source's terminals."""
        self._source = source
        self._live = live
        self._measurement = Measurement(live, meter)
        self.off_received_ns: int | None = None
        """``CLOCK_MONOTONIC`` of the last off command."""
        super().__init__("AC SOURCE", serial_number, self._own())

    def _own(self) -> dict[str, Handler]:
        source = self._source
        return {
            "[SOURce:]VOLTage[:LEVel][:IMMediate][:AMPLitude]": self._set(
                lambda volts: source.set_voltage(volts, self._live.now_s())
            ),
            "[SOURce:]VOLTage[:LEVel][:IMMediate][:AMPLitude]?": lambda _: f"{source.set_v:.6G}",
            "[SOURce:]CURRent:PROTection[:LEVel]": self._set(source.set_limit),
            "[SOURce:]CURRent:PROTection[:LEVel]?": lambda _: f"{source.limit_a:.6G}",
            "[SOURce:]CURRent:PROTection:DELay": self._set(source.set_delay),
            "[SOURce:]CURRent:PROTection:DELay?": lambda _: f"{source.trip_delay_s:.6G}",
            "[SOURce:]CURRent:PROTection:TRIPped?": lambda _: "1" if source.tripped else "0",
            "OUTPut[:STATe]": self._switch,
            "OUTPut[:STATe]?": lambda _: "1" if source.output_on else "0",
            "OUTPut:PROTection:CLEar": self._clear_trip,
            "INITiate[:IMMediate]": self._initiate,
            "STATus:OPERation:CONDition?": self._measurement.condition,
            **self._measured(),
        }

    def _measured(self) -> dict[str, Handler]:
        fetched = {
            f"FETCh[:SCALar]:{name}?": self._fetch(i)
            for i, name in enumerate(("VOLTage", "CURRent", "POWer"))
        }
        witness = self._live.bench.witness
        at_once: dict[str, Handler] = {
            "MEASure[:SCALar]:VOLTage?": lambda _: f"{witness.inlet_v:.6G}",
            "MEASure[:SCALar]:CURRent?": lambda _: f"{witness.current_a:.6G}",
        }
        return fetched | at_once

    @staticmethod
    def _set(take: Callable[[float], bool]) -> Handler:
        def handler(text: str) -> None:
            if not take(number(text)):
                raise Refusal(OUT_OF_RANGE)

        return handler

    def _switch(self, text: str) -> None:
        on = boolean(text)
        if not on:
            self.off_received_ns = time.monotonic_ns()
        if not self._source.switch(on, self._live.now_s()):
            raise Refusal(SETTINGS_CONFLICT)

    def _clear_trip(self, _: str) -> None:
        self._source.clear_trip()

    def _reset(self, _: str) -> None:
        self._source.reset(self._live.now_s())

    def _initiate(self, _: str) -> None:
        self._measurement.begin()

    def _fetch(self, field: int) -> Handler:
        return lambda _: self._measurement.value(field)
