"""The worker of a meter: sole owner of its port, hands every reading to the watch, reports honestly."""

import threading
from collections.abc import Callable

from benchlog.bench.adaptor import Meter
from benchlog.bench.file import InstrumentConfig
from benchlog.model.clock import Clock
from benchlog.model.errors import InstrumentFault, InstrumentTimeout, ProtocolFault
from benchlog.model.event import ReadingTaken, Told
from benchlog.model.reading import Reading, Status, Unusable
from benchlog.recorder.link import Link, guarded
from benchlog.recorder.realtime import real_s
from benchlog.recorder.threads import OnFailure, Thread

Tell = Callable[[Told], int]


class MeterWorker:
    """Reads one meter for as long as it runs. Silence is not its business: the ticker sees that."""

    def __init__(
        self,
        meter: Meter,
        config: InstrumentConfig,
        clock: Clock,
        tell: Tell,
        on_failure: OnFailure,
        patient: Callable[[str], None] | None = None,
    ) -> None:
        """Nothing is opened yet. ``patient``: told why it can't be opened, and it is tried again."""
        self.config = config
        self.timeouts = 0
        """How often the meter did not answer in time."""
        self._meter = meter
        self._clock = clock
        self._tell = tell
        self._patient = patient
        self.link = Link(meter, config, tell)
        self._opened = threading.Event()
        self._fault: InstrumentFault | None = None
        self._thread = Thread(config.name, self._work, on_failure)

    def start(self) -> None:
        """Begin to open and to read."""
        self._thread.start()

    def wait_open(self, timeout_s: float) -> None:
        """Wait for the first opening; raises its `InstrumentFault`, or one that says it took too long."""
        if not self._opened.wait(timeout_s):
            raise InstrumentTimeout(
                f"{self.config.name} did not answer within {timeout_s:g} s. Check its mains and its lead."
            )
        if self._fault is not None:
            raise self._fault

    def stop(self) -> bool:
        """End and close the port; False when the port does not let go."""
        return self._thread.stop()

    def _work(self, stopping: threading.Event) -> None:
        try:
            self.link.open()
        except InstrumentFault as fault:
            self._fault = fault
            self.link.adaptor.close()
            if self._patient is None:
                return
            self._patient(str(fault))
        finally:
            self._opened.set()
        while not stopping.is_set():
            if self.link.up:
                self._read_once(stopping)
            elif self.link.find_again(stopping.wait):
                self.link.say(True, f"{self.config.name} answers again.")
        self._meter.close()

    def _read_once(self, stopping: threading.Event) -> None:
        before_s = real_s(self._clock)
        fault, readings = read_all(self._meter, self.config, self._clock)
        for reading in readings:
            self._tell(ReadingTaken(reading))
        if isinstance(fault, InstrumentTimeout):
            self.timeouts += 1
        elif fault is not None and not isinstance(fault, ProtocolFault):
            self.link.lost(fault)
        spare_s = breath_s(self._meter, bool(readings)) - (real_s(self._clock) - before_s)
        if spare_s > 0.0:
            stopping.wait(spare_s)


def breath_s(meter: Meter, got_some: bool) -> float:
    """Least real seconds between two reads: a quarter of the period, less when nothing had come yet.

    A meter that answers at once would otherwise be asked without pause; a streaming one is back in its
    read well before the next frame.
    """
    return min(meter.period_s / 4.0, 0.05) if got_some else min(meter.period_s / 10.0, 0.005)


def read_all(
    meter: Meter, config: InstrumentConfig, clock: Clock
) -> tuple[InstrumentFault | None, tuple[Reading, ...]]:
    """One read: the fault, if there was one, and the readings. What can't be meant is a garbled reading."""
    start_us = clock.now()
    try:
        return None, tuple(guarded(config, meter.read))
    except ProtocolFault as fault:
        end_us = clock.now()
        return fault, tuple(Unusable(c, Status.GARBLED, start_us, end_us) for c in meter.channels)
    except InstrumentFault as fault:
        return fault, ()
