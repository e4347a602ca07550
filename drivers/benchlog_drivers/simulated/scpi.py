"""The language of the simulated instruments: SCPI message units, headers and the error queue.

Syntax after IEEE 488.2-1992 (common commands) and SCPI-1999 vol. 1, 6.2 (headers: long and short form,
optional nodes, the path that a compound message goes on from). No I/O: a line in, an answer out.
"""

import itertools
import re
from collections import deque
from collections.abc import Callable, Mapping

Handler = Callable[[str], str | None]
"""Takes the parameter text, gives the answer of a query. Raises `Refusal`."""

_LONGEST_QUEUE = 20
NOT_A_NUMBER = "9.91E37"
OVERLOAD = "9.9E37"
"""SCPI-1999 vol. 1, 7.2.1.4 and 7.2.1.5: not-a-number and infinity."""

NO_ERROR = '0,"No error"'
UNDEFINED_HEADER = '-113,"Undefined header"'
MISSING_PARAMETER = '-109,"Missing parameter"'
DATA_TYPE = '-104,"Data type error"'
OUT_OF_RANGE = '-222,"Data out of range"'
SETTINGS_CONFLICT = '-221,"Settings conflict"'
ILLEGAL_PARAMETER = '-224,"Illegal parameter value"'
NO_DATA = '-230,"Data corrupt or stale"'
QUEUE_OVERFLOW = '-350,"Queue overflow"'


class Refusal(Exception):
    """A message unit that is not carried out; its text goes into the error queue."""


def number(text: str) -> float:
    """A decimal number, with or without exponent (IEEE 488.2 NRf); `Refusal` otherwise."""
    if not text:
        raise Refusal(MISSING_PARAMETER)
    if re.fullmatch(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?", text) is None:
        raise Refusal(DATA_TYPE)
    return float(text)


def boolean(text: str) -> bool:
    """ON, OFF, 1 or 0; `Refusal` otherwise."""
    if not text:
        raise Refusal(MISSING_PARAMETER)
    words = {"ON": True, "1": True, "OFF": False, "0": False}
    if text.upper() not in words:
        raise Refusal(ILLEGAL_PARAMETER)
    return words[text.upper()]


def spellings(pattern: str) -> set[str]:
    """Every way to write a header pattern such as ``[SOURce:]VOLTage[:LEVel]?``, in capitals."""
    query = "?" if pattern.endswith("?") else ""
    choices: list[tuple[str, ...]] = []
    for word, optional in _nodes(pattern.rstrip("?")):
        short = "".join(c for c in word if not c.islower())
        forms = (word.upper(), short) if short != word.upper() else (word.upper(),)
        choices.append((*forms, "") if optional else forms)
    return {":".join(w for w in words if w) + query for words in itertools.product(*choices)}


def _nodes(pattern: str) -> list[tuple[str, bool]]:
    """Words of a pattern, each with whether it may be left out."""
    text = pattern.replace("[:", ":[").replace(":]", "]:")
    return [(node.strip("[]"), node.startswith("[")) for node in text.split(":") if node]


class CommandSet:
    """The commands that an instrument knows, by every spelling."""

    def __init__(self, commands: Mapping[str, Handler]) -> None:
        """Take patterns (capitals are the short form, brackets may be left out) with their handlers."""
        self._handlers = {
            spelling: handler for pattern, handler in commands.items() for spelling in spellings(pattern)
        }

    def find(self, header: str, path: str) -> tuple[Handler, str]:
        """The handler of a header met at ``path``, and the path after it. `Refusal` when there is none."""
        if header.startswith("*"):
            full, after = header.upper(), path
        else:
            rooted = header.startswith(":") or not path
            full = (header.lstrip(":") if rooted else f"{path}:{header}").upper()
            after = full.rstrip("?").rpartition(":")[0]
        handler = self._handlers.get(full)
        if handler is None:
            raise Refusal(UNDEFINED_HEADER)
        return handler, after


class ErrorQueue:
    """Oldest first; the last entry becomes an overflow note when it is full."""

    def __init__(self) -> None:
        """Begin empty."""
        self._entries: deque[str] = deque()

    def put(self, entry: str) -> None:
        """Add an entry."""
        if len(self._entries) < _LONGEST_QUEUE:
            self._entries.append(entry)
        else:
            self._entries[-1] = QUEUE_OVERFLOW

    def take(self, _: str = "") -> str:
        """Remove and give the oldest entry."""
        return self._entries.popleft() if self._entries else NO_ERROR

    def clear(self) -> None:
        """Forget all."""
        self._entries.clear()


def answer(line: str, commands: CommandSet, errors: ErrorQueue) -> str | None:
    """Carry out one program message; the answers of its queries parted by ``;``, None without a query."""
    replies: list[str] = []
    path = ""
    for unit in line.split(";"):
        header, _, parameter = unit.strip().partition(" ")
        if not header:
            continue
        try:
            handler, path = commands.find(header, path)
            reply = handler(parameter.strip())
        except Refusal as refusal:
            errors.put(str(refusal))
            continue
        if reply is not None:
            replies.append(reply)
    return ";".join(replies) if replies else None
