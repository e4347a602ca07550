"""The technician's words typed at a terminal, where there is no window."""

import threading
from collections.abc import Callable
from typing import TextIO

from benchlog.model.event import Key, KeyPressed

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
        self._stopped = False

    def start(self) -> None:
        """Begin to listen. The thread waits in a read that can't be broken off; it never holds up the end."""
        threading.Thread(target=self._work, name="benchlog-terminal", daemon=True).start()

    def stop(self) -> None:
        """Take no more keys."""
        self._stopped = True

    def _work(self) -> None:
        self._show(HELP)
        for line in iter(self._read, ""):
            if self._stopped:
                return
            pressed = parse_line(line)
            if pressed is None:
                self._show(HELP)
            else:
                self._press(pressed)

    def _read(self) -> str:
        try:
            return self._lines.readline()
        except (OSError, ValueError):
            return ""
