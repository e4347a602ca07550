"""The writer: one thread that owns the session file and makes what happened last."""

import logging
import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime

from benchlog.model.clock import Anchor, Clock
from benchlog.model.errors import EnvironmentFault, SessionFault
from benchlog.model.history import DiskTrouble, Payload
from benchlog.model.reading import Reading
from benchlog.model.wave import Waveform
from benchlog.recorder.contract import Store
from benchlog.recorder.realtime import real_s
from benchlog.recorder.threads import OnFailure, Thread

MOST_WAITING = 400_000
"""Readings kept here while the disk hangs in one commit (about 100 MB); then the oldest go, counted."""
RETRY_S = 0.5
LATE_S = 2.0
"""Real seconds after which what is not on the disk counts as not being stored."""
ANCHOR_S = 60.0

_log = logging.getLogger(__name__)


@dataclass(slots=True, eq=False)
class Posted:
    """An entry on its way to the file."""

    payload: Payload
    t_us: int
    wall: datetime
    seq: int | None = None
    """Its number once it is on the disk."""
    fault: str = ""
    """Why it was not taken."""
    done: threading.Event = field(default_factory=threading.Event)


_Row = tuple[Reading, int]


@dataclass(frozen=True, slots=True, eq=False)
class _Wave:
    """A waveform on its way to the file."""

    wave: Waveform
    note: str


_Item = Posted | _Row | _Wave


class Writer:
    """Takes readings and entries from any thread without waiting; commits them on its own thread."""

    def __init__(
        self, store: Store, clock: Clock, interval_s: Callable[[], float], on_failure: OnFailure
    ) -> None:
        """``interval_s`` says how many real seconds readings may wait for their commit."""
        self._store = store
        self._clock = clock
        self._interval_s = interval_s
        self._cv = threading.Condition()
        self._queue: deque[_Item] = deque()
        self._urgent = False
        self._unsaved_since_s: float | None = None
        self._pending: list[Posted] = []
        self._lost = 0
        self._lost_told = 0
        self._closing = False
        self._close_fault: EnvironmentFault | None = None
        self._anchor_s: float | None = None
        self.trouble = ""
        """Why the last commit was not taken; empty when it was."""
        self.left_open = False
        """After `close`: somebody else has the session open, so that its log stays beside it for now."""
        self._thread = Thread("writer", self._work, on_failure)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def add_reading(self, reading: Reading, told_us: int) -> None:
        """A reading, with the instant at which the watch was told."""
        with self._cv:
            self._put((reading, told_us))
            if len(self._queue) > MOST_WAITING:
                self._drop_oldest()

    def add_entry(self, payload: Payload, t_us: int) -> Posted:
        """A line of the history; committed at once."""
        posted = Posted(payload, t_us, self._clock.wall())
        with self._cv:
            self._put(posted)
            self._urgent = True
            self._cv.notify()
        return posted

    def add_wave(self, wave: Waveform, note: str) -> None:
        """A sampled waveform, with what it is of."""
        with self._cv:
            self._put(_Wave(wave, note))

    def unsaved_s(self) -> float:
        """Real seconds that the oldest item has been waiting for the disk; 0 when nothing waits."""
        with self._cv:
            since = self._unsaved_since_s
        return 0.0 if since is None else max(0.0, real_s(self._clock) - since)

    def close(self, timeout_s: float = 10.0) -> None:
        """Write what is left and close the session. Raises `SessionFault` when that did not happen."""
        with self._cv:
            self._closing = True
            self._cv.notify()
        if not self._thread.stop(timeout_s):
            raise SessionFault(
                f"{self._store.path} could not be closed within {timeout_s:g} s: the disk does not answer. "
                "Its last readings may be missing; open it again to see what is there."
            )
        if self._close_fault is not None:
            raise self._close_fault

    def _put(self, item: _Item) -> None:
        self._queue.append(item)
        if self._unsaved_since_s is None:
            self._unsaved_since_s = real_s(self._clock)

    def _drop_oldest(self) -> None:
        for i, item in enumerate(self._queue):
            if isinstance(item, tuple):
                del self._queue[i]
                self._lost += 1
                return

    def _work(self, stopping: threading.Event) -> None:
        while not self._closing:
            self._wait()
            self._save()
        self._save()
        try:
            self.left_open = self._store.close() is False
        except EnvironmentFault as fault:
            self._close_fault = fault
        self._settle(self._close_fault)

    def _wait(self) -> None:
        with self._cv:
            if not self._closing and (self.trouble or not self._urgent):
                self._cv.wait(RETRY_S if self.trouble else self._interval_s())
            self._urgent = False

    def _save(self) -> None:
        with self._cv:
            items = list(self._queue)
            self._queue.clear()
            since = self._unsaved_since_s
        if since is None:
            return
        self._anchor()
        self._add(items)
        try:
            self._store.commit()
        except EnvironmentFault as fault:
            if self.trouble != str(fault):
                _log.warning("a commit was not taken: %s", fault)
            self.trouble = str(fault)
            return
        self._taken(since)

    def _taken(self, since_s: float) -> None:
        now_s = real_s(self._clock)
        with self._cv:
            self._unsaved_since_s = now_s if self._queue else None
        self._settle(None)
        lost = self._lost + self._store.dropped - self._lost_told
        self._lost_told += lost
        trouble, self.trouble = self.trouble, ""
        if trouble or lost or now_s - since_s > LATE_S:
            text = f"{trouble or 'The disk was slow.'} Stored {now_s - since_s:.1f} s late."
            if lost:
                text += f" {lost} readings are missing."
            self.add_entry(DiskTrouble(text, now_s - since_s if lost else 0.0), self._clock.now())

    def _settle(self, fault: EnvironmentFault | None) -> None:
        settled, self._pending = self._pending, []
        for posted in settled:
            if fault is not None:
                posted.fault = str(fault)
            posted.done.set()

    def _add(self, items: list[_Item]) -> None:
        rows: list[_Row] = []
        for item in items:
            if isinstance(item, Posted):
                self._store.add_readings(rows)
                rows = []
                self._add_posted(item)
            elif isinstance(item, _Wave):
                self._store.add_wave(item.wave, item.note)
            else:
                rows.append(item)
        self._store.add_readings(rows)

    def _add_posted(self, posted: Posted) -> None:
        try:
            posted.seq = self._store.add_entry(posted.payload, posted.t_us, posted.wall).seq
        except ValueError as error:
            posted.fault = str(error)
            _log.warning("an entry was not taken: %s", error)
            posted.done.set()
            return
        self._pending.append(posted)

    def _anchor(self) -> None:
        now_s = real_s(self._clock)
        if self._anchor_s is None or now_s - self._anchor_s >= ANCHOR_S:
            self._anchor_s = now_s
            self._store.add_anchor(Anchor(self._clock.now(), self._clock.wall()))
