"""The instruments of one bench, each with its worker, as the recorder gives orders to them."""

from collections.abc import Callable
from dataclasses import dataclass

from benchlog.bench.adaptor import Capture, Contactor, Dial, Listening, Meter, Opener, Source
from benchlog.bench.file import Bench, InstrumentConfig
from benchlog.model.clock import Clock
from benchlog.model.errors import BenchlogError, UsageError
from benchlog.model.event import Instruct, ReadingTaken, Told
from benchlog.model.figures import WaveFigures
from benchlog.model.instrument import MeterSheet
from benchlog.model.protocol import InstrumentNow
from benchlog.model.reading import Reading
from benchlog.model.wave import Waveform
from benchlog.recorder.capture import CaptureWorker
from benchlog.recorder.contactor import ContactorWorker
from benchlog.recorder.contract import SourceLimit
from benchlog.recorder.dial import DialWorker
from benchlog.recorder.link import Link
from benchlog.recorder.meter import MeterWorker
from benchlog.recorder.source import SourceNews, SourceWorker
from benchlog.recorder.threads import OnFailure

OPEN_S = 15.0
"""Real seconds that an instrument may take to answer for the first time."""


@dataclass(frozen=True, slots=True)
class Ears:
    """Whom the workers talk to."""

    tell: Callable[[Told], int]
    """The watch."""
    source_news: Callable[[SourceNews], None]
    instructed: Callable[[int, Instruct], None]
    """An instruction reached the dial at this instant."""
    fresh: Callable[[], bool]
    """Whether the readings are fresh enough to hold the contactor in."""
    trouble: Callable[[str], None]
    failure: OnFailure
    wave: Callable[[Waveform], object] = lambda _: None
    """Keeps a waveform."""
    work_out: Callable[[Waveform], WaveFigures] | None = None
    """Finds the figures of a waveform; may take seconds."""


class Crew:
    """All workers of one run. Orders never wait."""

    def __init__(
        self,
        bench: Bench,
        opener: Opener,
        clock: Clock,
        limit: SourceLimit | None,
        for_run: bool,
        ears: Ears,
    ) -> None:
        """Make an adaptor and a worker for every instrument. `UsageError` for one that plays no part."""
        self._clock = clock
        self._for_run = for_run
        self._ears = ears
        self.source: SourceWorker | None = None
        self.dial: DialWorker | None = None
        self.contactor: ContactorWorker | None = None
        self.capture: CaptureWorker | None = None
        self.meters: list[MeterWorker] = []
        self._configs = bench.instrument
        self._mains_v = bench.mains_v
        self._compare: Callable[[Reading, MeterSheet], None] | None = None
        for config in bench.instrument:
            self._enlist(config, opener(config, clock), limit)

    def _enlist(self, config: InstrumentConfig, adaptor: object, limit: SourceLimit | None) -> None:
        ears = self._ears
        if isinstance(adaptor, Source):
            self.source = SourceWorker(
                adaptor,
                config,
                self._clock,
                limit,
                self._for_run,
                ears.tell,
                ears.source_news,
                ears.failure,
            )
        elif isinstance(adaptor, Dial):
            self.dial = DialWorker(adaptor, config, self._clock, ears.instructed, ears.failure)
        elif isinstance(adaptor, Contactor):
            self.contactor = ContactorWorker(adaptor, config, ears.fresh, ears.trouble, ears.failure)
        elif isinstance(adaptor, Capture) and ears.work_out is not None:
            self.capture = CaptureWorker(
                adaptor, config, self._clock, ears.tell, ears.wave, ears.work_out, ears.trouble, ears.failure
            )
        elif isinstance(adaptor, Listening):
            self.meters.append(self._listener(adaptor, config))
        elif isinstance(adaptor, Meter):
            self.meters.append(
                MeterWorker(
                    adaptor,
                    config,
                    self._clock,
                    self._tell_of(config),
                    ears.failure,
                    None if self._for_run else ears.trouble,
                )
            )
        else:
            raise UsageError(
                f"The adaptor '{config.adaptor}' of {config.name} is no meter, source, dial or contactor."
            )

    def _tell_of(self, config: InstrumentConfig) -> Callable[[Told], int]:
        """Whom a meter's readings are told: the watch, and an audio interface that is compared with it."""
        if all(one.audio is None for one in self._configs):
            return self._ears.tell

        def tell(event: Told) -> int:
            told_us = self._ears.tell(event)
            if isinstance(event, ReadingTaken) and self._compare is not None:
                self._compare(event.reading, config.sheet)
            return told_us

        return tell

    def _listener(self, adaptor: Listening, config: InstrumentConfig) -> MeterWorker:
        """The worker of an audio interface; imported only where there is one."""
        from benchlog.recorder.audio import AudioWorker, HalfCycleMeter

        ears, patient = self._ears, None if self._for_run else self._ears.trouble
        meter = HalfCycleMeter(adaptor, config, self._mains_v, ears.trouble)
        self._compare = meter.compare
        return AudioWorker(meter, config, self._clock, ears.tell, ears.failure, patient, ears.wave)

    def open(self) -> None:
        """Open everything that has a port; raises the first `InstrumentFault` once all have been tried.

        Where there is no run nothing is waited for: a meter that does not answer is told and tried again.
        """
        workers: list[MeterWorker | SourceWorker] = [*self.meters]
        workers += [self.source] if self.source else []
        for worker in workers:
            worker.start()
        if self.capture is not None and self._for_run:
            self.capture.start()
        if self.dial is not None and not self._for_run:
            self.dial.start()
        if not self._for_run:
            return
        faults: list[BenchlogError] = []
        for worker in workers:
            try:
                worker.wait_open(OPEN_S)
            except BenchlogError as fault:
                faults.append(fault)
        if faults:
            raise faults[0]
        if self.dial is not None:
            self.dial.start()

    def now(self) -> tuple[InstrumentNow, ...]:
        """How each instrument stands."""
        found = []
        for config in self._configs:
            link = self._links.get(config.name)
            found.append(
                InstrumentNow(
                    config.name,
                    config.adaptor,
                    config.roles,
                    None if link is None else link.up,
                    link.words if link is not None else "",
                    link.trouble if link is not None else "",
                )
            )
        return tuple(found)

    @property
    def _links(self) -> dict[str, Link]:
        workers: list[MeterWorker | SourceWorker | CaptureWorker] = [*self.meters]
        workers += [self.source] if self.source else []
        workers += [self.capture] if self.capture and self._for_run else []
        return {worker.config.name: worker.link for worker in workers}

    def arm(self) -> None:
        """Begin to hold the contactor in."""
        if self.contactor is not None:
            self.contactor.start()

    def set_voltage(self, volts: float) -> None:
        """Programmed source: go there."""
        self._expect()
        if self.source is not None:
            self.source.want_voltage(volts)

    def _expect(self) -> None:
        if self.capture is not None:
            self.capture.expect()

    def switch_off(self, latched: bool) -> None:
        """Take the source away, by every means there is."""
        if self.source is not None:
            self.source.want_off(latched)
        if self.contactor is not None:
            self.contactor.drop()

    def rearm(self) -> None:
        """After a cut-off: let voltages be set again."""
        if self.source is not None:
            self.source.rearm()
        if self.contactor is not None:
            self.contactor.rearm()

    def instruct(self, line: Instruct) -> None:
        """Hand-set source: show the line."""
        if line.target_v and not line.urgent:
            self._expect()
        if self.dial is not None:
            self.dial.instruct(line)

    def look(self) -> None:
        """Called by the ticker."""
        if self.source is not None:
            self.source.look()

    @property
    def power_on(self) -> bool:
        """Whether a programmed source is on or has not confirmed that it is off."""
        return self.source is not None and (self.source.output_on or self.source.off_pending)

    def stop(self) -> list[str]:
        """End all workers and close all ports; returns the names of those that do not let go."""
        workers: list[MeterWorker | SourceWorker | DialWorker | ContactorWorker | CaptureWorker]
        others = (self.source, self.dial, self.contactor, self.capture)
        workers = [*self.meters, *(w for w in others if w is not None)]
        return [worker.config.name for worker in workers if not worker.stop()]
