"""Passes on what was said to listeners that may be slow: a terminal, a simulated technician."""

import logging
import queue
import threading
from collections.abc import Callable, Sequence
from functools import partial

from benchlog.model.event import Said
from benchlog.recorder.contract import Listener
from benchlog.recorder.threads import OnFailure, Thread

_log = logging.getLogger(__name__)


class Herald:
    """A queue and a thread: nothing that is said waits for anybody who hears it."""

    def __init__(
        self, listeners: Sequence[Listener], show: Callable[[str], object], on_failure: OnFailure
    ) -> None:
        """``show`` gets the recorder's own sentences for the technician."""
        self._listeners = tuple(listeners)
        self._show = show
        self._queue: queue.SimpleQueue[tuple[int, Said] | str | None] = queue.SimpleQueue()
        self._thread = Thread("herald", self._work, on_failure)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def pass_on(self, t_us: int, said: Said) -> None:
        """Something that the watch said."""
        self._queue.put((t_us, said))

    def announce(self, text: str) -> None:
        """A sentence of the recorder's own."""
        self._queue.put(text)

    def stop(self) -> None:
        """Pass on what is left and end."""
        self._queue.put(None)
        self._thread.stop()

    def _work(self, stopping: threading.Event) -> None:
        while (item := self._queue.get()) is not None:
            if isinstance(item, str):
                _tell(partial(self._show, item))
                continue
            for listener in self._listeners:
                _tell(partial(listener, *item))


def _tell(act: Callable[[], object]) -> None:
    """A listener that fails (a terminal that is gone) keeps nobody else from hearing."""
    try:
        act()
    except Exception:  # noqa: BLE001 - logged; the run goes on
        _log.exception("a listener failed")
