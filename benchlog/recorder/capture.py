"""The worker of a digitiser: armed before the first step and whenever a voltage is gone to, then fetched.

Once a step: a settled current may well reach the trigger's level at each crest. The source does not wait for
the digitiser; at the first step it is armed long before.
"""

import threading
from collections.abc import Callable

import numpy as np

from benchlog.bench.adaptor import Capture, Openable
from benchlog.bench.file import InstrumentConfig
from benchlog.model.clock import Clock
from benchlog.model.errors import BenchlogError, InstrumentFault
from benchlog.model.event import InrushMeasured, Told
from benchlog.model.figures import WaveFigures
from benchlog.model.wave import Waveform
from benchlog.recorder.link import Link, guarded
from benchlog.recorder.threads import OnFailure, Thread

LOOK_S = 0.1
"""Real seconds between two questions whether it is done."""


class CaptureWorker:
    """Sole owner of the digitiser's port. A digitiser that fails holds up nothing and forbids nothing."""

    def __init__(
        self,
        capture: Capture,
        config: InstrumentConfig,
        clock: Clock,
        tell: Callable[[Told], object],
        store: Callable[[Waveform], object],
        work_out: Callable[[Waveform], WaveFigures],
        trouble: Callable[[str], None],
        on_failure: OnFailure,
    ) -> None:
        """``store`` keeps a waveform; ``work_out`` finds its figures and may take seconds."""
        if not isinstance(capture, Openable):
            raise TypeError(f"the adaptor {config.adaptor} can't be opened")
        self.config = config
        self.link = Link(capture, config, lambda _: None)
        self._capture = capture
        self._clock = clock
        self._tell = tell
        self._store = store
        self._work_out = work_out
        self._trouble = trouble
        self._armed = False
        self._wanted = threading.Event()
        self._thread = Thread(config.name, self._work, on_failure)

    def expect(self) -> None:
        """A voltage is gone to: capture what comes. Never waits."""
        if not self._armed:
            self._wanted.set()

    def start(self) -> None:
        """Begin to open it."""
        self._thread.start()

    def stop(self) -> bool:
        """End and close the port; False when it does not let go."""
        self._thread.stopping.set()
        self._wanted.set()
        return self._thread.stop()

    def _work(self, stopping: threading.Event) -> None:
        try:
            self.link.open()
        except InstrumentFault as fault:
            self._trouble(str(fault))
        self._wanted.set()
        while not stopping.is_set():
            if not self.link.up and not self.link.find_again(stopping.wait):
                continue
            if not self._armed and self._wanted.wait(LOOK_S) and not stopping.is_set():
                self._guard(self._arm)
            elif self._armed and not stopping.wait(LOOK_S):
                self._look()
        if self.link.up:
            self._guard(self._capture.cancel)
        self.link.adaptor.close()

    def _arm(self) -> None:
        self._capture.arm()
        self._armed = True
        self._wanted.clear()

    def _guard(self, act: Callable[[], object]) -> None:
        try:
            guarded(self.config, act)
        except InstrumentFault as fault:
            self._lose(fault)

    def _lose(self, fault: InstrumentFault) -> None:
        self._trouble(str(fault))
        self.link.lost(fault)
        self._armed = False

    def _look(self) -> None:
        done_us = self._clock.now()
        try:
            if not guarded(self.config, self._capture.done):
                return
            wave = guarded(self.config, self._capture.fetch)
        except InstrumentFault as fault:
            self._lose(fault)
            return
        self._armed = False
        wave = _placed(wave, done_us, self._clock.scale)
        self._store(wave)
        try:
            found = self._work_out(wave)
        except BenchlogError as fault:
            self._trouble(str(fault))
            return
        if found.inrush_peak_a is not None and found.i2t_settled_a2s is not None:
            self._tell(InrushMeasured(found.inrush_peak_a, found.i2t_settled_a2s))


def _placed(wave: Waveform, done_us: int, scale: float) -> Waveform:
    """The waveform with the instant of its first sample: it was found complete at ``done_us``, at most one
    look late. A digitiser says only when it was armed."""
    length_us = int(1e6 * np.size(wave.v_v) / wave.rate_hz)
    late_us = int(LOOK_S * 0.5e6 * scale)
    return Waveform(wave.v_v, wave.i_a, wave.rate_hz, max(wave.start_us, done_us - late_us - length_us))
