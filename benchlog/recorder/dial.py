"""A hand-set source: the lines that tell a person what to do, handed over without waiting."""

import threading
from collections import deque
from collections.abc import Callable
from functools import partial

from benchlog.bench.adaptor import Dial, Openable
from benchlog.bench.file import InstrumentConfig
from benchlog.model.clock import Clock
from benchlog.model.errors import InstrumentFault
from benchlog.model.event import Instruct
from benchlog.recorder.link import guarded
from benchlog.recorder.threads import OnFailure, Thread


class DialWorker:
    """Shows the line on the dial's own display, where it has one. An urgent line overtakes the others."""

    def __init__(
        self,
        dial: Dial,
        config: InstrumentConfig,
        clock: Clock,
        sent: Callable[[int, Instruct], None],
        on_failure: OnFailure,
    ) -> None:
        """``sent`` is told the instant at which a line was handed over."""
        self._dial = dial
        self.config = config
        self._clock = clock
        self._sent = sent
        self._cv = threading.Condition()
        self._lines: deque[Instruct] = deque(maxlen=100)
        self._thread = Thread(config.name, self._work, on_failure)

    def instruct(self, line: Instruct) -> None:
        """Hand over a line; never waits."""
        with self._cv:
            if line.urgent:
                self._lines.clear()
            self._lines.append(line)
            self._cv.notify()

    def start(self) -> None:
        """Open the dial's line, where it has one, and begin. Raises `InstrumentFault`."""
        if isinstance(self._dial, Openable):
            guarded(self.config, self._dial.open)
        self._thread.start()

    def stop(self) -> bool:
        """Hand over what is left, end and close."""
        self._thread.stopping.set()
        with self._cv:
            self._cv.notify()
        ended = self._thread.stop()
        if isinstance(self._dial, Openable):
            self._dial.close()
        return ended

    def _work(self, stopping: threading.Event) -> None:
        while True:
            with self._cv:
                while not self._lines and not stopping.is_set():
                    self._cv.wait()
                if not self._lines:
                    return
                line = self._lines.popleft()
            try:
                guarded(self.config, partial(self._dial.instruct, line.text, line.target_v, line.urgent))
            except InstrumentFault:
                continue
            self._sent(self._clock.now(), line)
