"""Threads that are named, stop when asked, and whose failures are never silent."""

import logging
import threading
from collections.abc import Callable

OnFailure = Callable[[str, Exception], None]
"""Told the thread's name and what it died of; called on that thread."""

_log = logging.getLogger(__name__)


class Thread:
    """One thread of the recorder. ``stopping`` is set when it is to end."""

    def __init__(self, name: str, work: Callable[[threading.Event], None], on_failure: OnFailure) -> None:
        """Make it, not yet started; ``work`` is given the event to watch."""
        self.name = name
        self.stopping = threading.Event()
        self._work = work
        self._on_failure = on_failure
        self._thread = threading.Thread(target=self._run, name=f"benchlog-{name}", daemon=True)

    def _run(self) -> None:
        try:
            self._work(self.stopping)
        except Exception as error:  # noqa: BLE001 - logged and handed on
            _log.exception("the thread %s ended by a fault", self.name)
            self._on_failure(self.name, error)

    def start(self) -> None:
        """Start it."""
        self._thread.start()

    def stop(self, timeout_s: float = 2.0) -> bool:
        """Ask it to end and wait; False when it still runs after ``timeout_s``."""
        self.stopping.set()
        if self._thread.is_alive() and self._thread is not threading.current_thread():
            self._thread.join(timeout_s)
        return not self._thread.is_alive()

    @property
    def alive(self) -> bool:
        """Whether it runs."""
        return self._thread.is_alive()
