"""What waits to be sent to the window: bounded, oldest out first, drops counted."""

import threading
from collections import deque

from benchlog.model.protocol import (
    Closing,
    Hello,
    InstrumentsNow,
    LimitsNow,
    Live,
    Ping,
    Point,
    PowerState,
    RunClosed,
    SaidNow,
    StorageState,
    ToWindow,
)

MOST_POINTS = 4000
MOST_SAID = 2000

_LATEST = (PowerState, StorageState, LimitsNow, InstrumentsNow, Ping)
"""Of these only the newest counts; an older one that was not sent yet is replaced, not dropped."""
_KNOWN = (PowerState, StorageState, LimitsNow, InstrumentsNow, RunClosed)
"""What a window that was started again is told."""


class Outbox:
    """Filled from any thread without waiting, emptied by the sender thread."""

    def __init__(self) -> None:
        """Empty."""
        self._cv = threading.Condition()
        self._points: deque[Point] = deque()
        self._said: deque[ToWindow] = deque()
        self._latest: dict[type[ToWindow], ToWindow] = {}
        self._known: dict[type[ToWindow], ToWindow] = {}
        self._now_us = 0
        self._closing: Closing | None = None
        self._farewell_said = False
        self._closed = False
        self.dropped = 0
        """Points and messages that the window never got because it did not keep up."""

    def add_point(self, point: Point, now_us: int) -> None:
        """A reading for the live path."""
        with self._cv:
            if self._closing is not None:
                return
            self._now_us = now_us
            self._points.append(point)
            if len(self._points) > MOST_POINTS:
                self._points.popleft()
                self.dropped += 1
            self._cv.notify()

    def add(self, message: ToWindow) -> None:
        """Any other message. `Closing` is sent after all that waits, and nothing is sent after it."""
        with self._cv:
            if self._closing is not None:
                return
            kind = type(message)
            if isinstance(message, Closing):
                self._closing = message
            elif isinstance(message, _LATEST):
                self._latest[kind] = message
            else:
                self._said.append(message)
                if len(self._said) > MOST_SAID:
                    self._said.popleft()
                    self.dropped += 1
            if isinstance(message, _KNOWN):
                self._known[kind] = message
            self._cv.notify()

    def forget(self) -> None:
        """Another sitting begins: what was known of the last one does not hold for it."""
        with self._cv:
            self._known.clear()

    def open_again(self) -> None:
        """For another window to which nothing can be said yet."""
        with self._cv:
            self._closing, self._farewell_said, self._closed = None, False, False

    def begin_again(self, hello: Hello, lines: tuple[SaidNow, ...]) -> None:
        """Forget what waits; a window started again gets hello, the lines in force and the states."""
        with self._cv:
            self._points.clear()
            self._said.clear()
            self._latest.clear()
            self._closing, self._farewell_said = None, False
            self._said.append(hello)
            self._said.extend(lines)
            self._said.extend(self._known.values())
            self._closed = False
            self._cv.notify()

    def take(self) -> list[ToWindow] | None:
        """All that waits, in the order it is to be sent; waits for something. None once closed and empty."""
        with self._cv:
            while not (self._waiting() or self._closed):
                self._cv.wait()
            if not self._waiting():
                return None
            messages: list[ToWindow] = list(self._said)
            self._said.clear()
            if self._points:
                messages.append(Live(self._now_us, tuple(self._points), self.dropped))
                self._points.clear()
            messages.extend(self._latest.values())
            self._latest.clear()
            if self._closing is not None:
                self._farewell_said = True
                messages.append(self._closing)
            return messages

    def _waiting(self) -> bool:
        farewell = self._closing is not None and not self._farewell_said
        return bool(self._points or self._said or self._latest) or farewell

    def close(self) -> None:
        """Let the sender end once all is sent."""
        with self._cv:
            self._closed = True
            self._cv.notify()
