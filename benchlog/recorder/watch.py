"""The watch: the one place where everything that happens meets the limits, under one lock."""

import logging
import threading
from collections.abc import Callable
from typing import TypeVar

from benchlog.model.clock import Clock
from benchlog.model.event import Said, Told
from benchlog.model.history import RunBegun
from benchlog.recorder.contract import Engine

Sink = Callable[[int, Told | RunBegun | None, tuple[tuple[int, Said], ...]], None]
"""Given, under the watch's lock and in order: the instant, what was told (None for time), what was said.
It may only hand over to queues and slots; it never waits."""

_T = TypeVar("_T")
_log = logging.getLogger(__name__)


class Watch:
    """Feeds the engine from many threads, each event at a strictly later instant than the one before.

    The lock is held for as long as the engine computes: microseconds. An engine that raises is broken for
    good: nothing more is fed, and ``on_broken`` takes the source away.
    """

    def __init__(
        self, engine: Engine, clock: Clock, sink: Sink, on_broken: Callable[[Exception], None]
    ) -> None:
        """Wrap an engine; nothing is fed before `begin`."""
        self.engine = engine
        self._clock = clock
        self._sink = sink
        self._on_broken = on_broken
        self._lock = threading.Lock()
        self._last_us = -1
        self.begun = False
        self.broken: Exception | None = None

    def begin(self, begun: RunBegun | None) -> None:
        """Begin the run that ``begun`` describes; None for a sitting that only records."""
        with self._lock:
            self.begun = True
            self._step(begun, self.engine.begin)

    def tell(self, event: Told) -> int:
        """Tell the engine something, now. Returns the instant at which it was told. Any thread."""
        with self._lock:
            return self._step(event, lambda now: self.engine.feed(event, now))

    def tick(self) -> None:
        """Let time pass, so that silence is an event."""
        with self._lock:
            if self.begun:
                self._step(None, self.engine.advance)

    def read(self, question: Callable[[Engine], _T]) -> _T:
        """Ask the engine something under the lock."""
        with self._lock:
            return question(self.engine)

    def _step(
        self, event: Told | RunBegun | None, move: Callable[[int], tuple[tuple[int, Said], ...]]
    ) -> int:
        now = max(self._clock.now(), self._last_us + 1)
        self._last_us = now
        said: tuple[tuple[int, Said], ...] = ()
        if self.broken is None and self.begun:
            try:
                said = move(now)
            except Exception as error:  # noqa: BLE001 - logged; the source is taken away
                _log.exception("the limit watch failed")
                self.broken = error
                self._on_broken(error)
        self._sink(now, event, said)
        return now
