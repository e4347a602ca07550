"""The cut-off contactor: held in by a heartbeat that stops when anything is wrong."""

import threading
from collections.abc import Callable

from benchlog.bench.adaptor import Contactor, Openable
from benchlog.bench.file import InstrumentConfig
from benchlog.model.errors import InstrumentFault
from benchlog.recorder.link import guarded
from benchlog.recorder.threads import OnFailure, Thread

BEAT_S = 0.1
"""Real seconds between beats; the timer in the box drops within 0.5 s of silence."""


class ContactorWorker:
    """Beats ten times a second while ``fresh`` says so and nothing was cut off."""

    def __init__(
        self,
        contactor: Contactor,
        config: InstrumentConfig,
        fresh: Callable[[], bool],
        trouble: Callable[[str], None],
        on_failure: OnFailure,
    ) -> None:
        """``fresh`` is asked before every beat; ``trouble`` is told when a beat could not be given."""
        self._contactor = contactor
        self.config = config
        self._fresh = fresh
        self._trouble = trouble
        self._drop = threading.Event()
        self._wake = threading.Event()
        self._thread = Thread(config.name, self._work, on_failure)

    def start(self) -> None:
        """Open the port and begin. Raises `InstrumentFault`."""
        if isinstance(self._contactor, Openable):
            guarded(self.config, self._contactor.open)
        self._thread.start()

    def drop(self) -> None:
        """Let it drop at once and give no more beats; never waits."""
        self._drop.set()
        self._wake.set()

    def rearm(self) -> None:
        """Give beats again after a drop."""
        self._drop.clear()

    def stop(self) -> bool:
        """Drop it, end and close the port."""
        self.drop()
        ended = self._thread.stop()
        if isinstance(self._contactor, Openable):
            self._contactor.close()
        return ended

    def _work(self, stopping: threading.Event) -> None:
        dropped = False
        while not stopping.is_set():
            try:
                dropped = self._once(dropped)
            except InstrumentFault as fault:
                self._trouble(str(fault))
            self._wake.wait(BEAT_S)
            self._wake.clear()
        if not dropped:
            guarded(self.config, self._contactor.drop)

    def _once(self, dropped: bool) -> bool:
        if self._drop.is_set():
            if not dropped:
                guarded(self.config, self._contactor.drop)
            return True
        if self._fresh():
            guarded(self.config, self._contactor.beat)
        return False
