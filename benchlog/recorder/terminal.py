"""The technician's words typed at a terminal, where there is no window."""

import os
import select
import sys
import threading
from collections.abc import Callable, Iterator
from typing import TextIO

from benchlog.model.event import Key, KeyPressed

LOOK_S = 0.2
MOST_LINE = 4096

HELP = (
    "Keys, each with Enter: c cut off · g REASON go on · s stop in order · m the voltage has moved · "
    "z dial at zero and unplugged · r y|n begin again (is the fuse still good?)"
)

_KEYS = {
    "c": Key.CUT_OFF,
    "g": Key.GO_ON,
    "s": Key.STOP,
    "m": Key.MOVED,
    "z": Key.NEAR_ZERO,
    "r": Key.REARM,
}
_YES = {"y": True, "yes": True, "n": False, "no": False}


def parse_line(line: str) -> KeyPressed | None:
    """What a typed line says; None for a line that is no key."""
    word, _, rest = line.strip().partition(" ")
    key = _KEYS.get(word.lower())
    rest = rest.strip()
    if key is None:
        return None
    if key is Key.GO_ON and not rest:
        rest = "no reason given"
    fuse = _YES.get(rest.lower()) if key is Key.REARM else None
    return KeyPressed(key, reason=rest, by="terminal", fuse_intact=fuse)


class Terminal:
    """Reads lines until the input ends. A line that is no key shows the help."""

    def __init__(
        self, lines: TextIO, press: Callable[[KeyPressed], object], show: Callable[[str], object]
    ) -> None:
        """``press`` gets keys, ``show`` gets the help."""
        self._lines = lines
        self._press = press
        self._show = show
        self._stopping = threading.Event()

    def start(self) -> None:
        """Begin to listen."""
        threading.Thread(target=self._work, name="benchlog-terminal", daemon=True).start()

    def stop(self) -> None:
        """Take no more keys."""
        self._stopping.set()

    def _work(self) -> None:
        self._show(HELP)
        for line in typed_lines(self._lines.fileno(), self._stopping):
            pressed = parse_line(line)
            if pressed is None:
                self._show(HELP)
            else:
                self._press(pressed)


def typed_lines(fileno: int, stopping: threading.Event) -> Iterator[str]:
    """Lines as they are typed, until the input ends or ``stopping`` is set.

    Read past Python's own buffer: a thread that waits inside it aborts the interpreter at its end. Where the
    system can't wait for a console (Windows), the thread is left behind in its read.
    """
    rest = b""
    while not stopping.is_set():
        try:
            if sys.platform != "win32" and not select.select([fileno], [], [], LOOK_S)[0]:
                continue
            some = os.read(fileno, 4096)
        except (OSError, ValueError):
            return
        if not some:
            return
        *lines, rest = (rest + some).split(b"\n")
        rest = rest[-MOST_LINE:]
        yield from (line.decode(errors="replace") for line in lines if not stopping.is_set())
