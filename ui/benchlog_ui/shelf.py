"""The session file as the window sees it: read-only, on a thread of its own, a little at a time.

The thread opens the file, brings the history and the curves recorded before this window started, then looks
once a second for new lines of the history. The main thread empties `Shelf.found` once a frame.
"""

import threading
from collections import deque
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from benchlog.model.clock import US
from benchlog.model.errors import BenchlogError
from benchlog.model.history import Entry

if TYPE_CHECKING:
    from benchlog.session.reader import SessionReader
    from benchlog_ui.inrush import Switched

LOOK_S = 1.0
_LEAST_GAP_S = 0.5
_PERIODS = 4.0


@dataclass(frozen=True, slots=True)
class Lines:
    """New lines of the history; ``first`` for those that were there when the file was opened."""

    entries: tuple[Entry, ...]
    first: bool


@dataclass(frozen=True, slots=True, eq=False)
class Curve:
    """A channel as far as it was recorded: seconds, values (NaN where unusable), longest ordinary silence."""

    channel: str
    t_s: npt.NDArray[np.float64]
    v: npt.NDArray[np.float64]
    gap_s: float


@dataclass(frozen=True, slots=True, eq=False)
class Captured:
    """A switch-on that a digitiser captured."""

    switched: "Switched"


@dataclass(frozen=True, slots=True)
class Unread:
    """The file can't be read: why, and what to do."""

    reason: str


@dataclass(frozen=True, slots=True)
class Shut:
    """The file is closed here."""


Found = Lines | Curve | Captured | Unread | Shut


class Shelf:
    """Reads one session file until it is told to shut it."""

    def __init__(
        self, path: Path, time_scale: float = 1.0, after: int = 0, mains_v: float | None = None
    ) -> None:
        """Begin to read ``path``, whose session seconds pass ``time_scale`` times as fast as real ones.

        ``after``: the last line of the history that is known already, with the curves up to it.
        """
        self.path = path
        self._mains_v = mains_v
        self._after = after
        self._least_gap_s = _LEAST_GAP_S * time_scale
        self.found: deque[Found] = deque()
        self._leave = threading.Event()
        self._look = threading.Event()
        self._thread = threading.Thread(target=self._work, name="shelf", daemon=True)
        self._thread.start()

    def look(self) -> None:
        """Look for new lines now."""
        self._look.set()

    def shut(self) -> None:
        """Close the file; `Shut` is found once it is."""
        self._leave.set()
        self._look.set()

    def join(self, timeout_s: float) -> None:
        """Wait for the thread."""
        self._thread.join(timeout_s)

    def _work(self) -> None:
        from benchlog.session.reader import SessionReader  # here, so that the first plot does not wait for it

        try:
            with SessionReader(self.path) as reader:
                self._read(reader)
        except BenchlogError as error:
            self.found.append(Unread(str(error)))
        finally:
            self.found.append(Shut())

    def _read(self, reader: "SessionReader") -> None:
        after = self._lines(reader, self._after, first=True)
        if self._after == 0:
            self._curves(reader)
        waves = self._waves(reader, 0)
        while not self._leave.is_set():
            self._look.wait(LOOK_S)
            self._look.clear()
            if not self._leave.is_set():
                after = self._lines(reader, after, first=False)
                waves = self._waves(reader, waves)

    def _lines(self, reader: "SessionReader", after: int, first: bool) -> int:
        entries = reader.entries(after)
        if entries or first:
            self.found.append(Lines(entries, first))
        return entries[-1].seq if entries else after

    def _waves(self, reader: "SessionReader", known: int) -> int:
        """The newest waveform, where there is one that was not looked at yet; returns how many there are."""
        there = reader.waves()
        if len(there) > known:
            from benchlog_ui.arrival import meanwhile
            from benchlog_ui.inrush import switched

            wave, mains_v = reader.wave(there[-1].number), self._mains_v
            self.found.append(Captured(switched(wave, mains_v, meanwhile(reader, wave))))
        return len(there)

    def _curves(self, reader: "SessionReader") -> None:
        for channel in reader.channels():
            if self._leave.is_set():
                return
            series = reader.readings(channel)
            t_us = series.mid_us
            period_us = float(np.median(np.diff(t_us))) if len(t_us) > 1 else 0.0
            gap_s = max(self._least_gap_s, _PERIODS * period_us / US)
            self.found.append(Curve(channel.name, t_us / US, series.value, gap_s))
