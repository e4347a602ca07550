"""Where commands print: one JSON object on standard output, everything else on standard error."""

import re
import sys
from collections.abc import Sequence
from typing import Any

import msgspec

_LONGEST = 1600
_ERRNO = re.compile(r"\[(?:Errno|WinError) \d+\] ")
"""What the system puts before its words; it says nothing to a technician."""
_CONTROL = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\ud800-\udfff]")


def print_json(value: Any) -> None:
    """One JSON object and a newline on standard output."""
    sys.stdout.buffer.write(msgspec.json.format(msgspec.json.encode(value), indent=1) + b"\n")
    sys.stdout.buffer.flush()


def say(text: str) -> None:
    """A line of progress or a message, on standard error."""
    print(harmless(_ERRNO.sub("", text)), file=sys.stderr, flush=True)


def print_lines(lines: list[str]) -> None:
    """Lines for a reader, on standard output."""
    print(harmless("\n".join(lines)), flush=True)


def shortened(text: str) -> str:
    """A message without the middle where it is longer than anyone reads: it may quote a stranger's file."""
    half = _LONGEST // 2
    return text if len(text) <= _LONGEST else f"{text[:half]} … {text[-half:]}"


def harmless(text: str) -> str:
    """Text whose control characters are shown and not obeyed: a file from a stranger may hold such."""
    return _CONTROL.sub(lambda found: f"\\x{ord(found[0]):02x}", text)


def columns(rows: Sequence[tuple[str, ...]], head: tuple[str, ...]) -> list[str]:
    """Rows as aligned text columns under a head."""
    table = [head, *rows]
    widths = [max(len(row[i]) for row in table) for i in range(len(head))]
    return ["  ".join(cell.ljust(w) for cell, w in zip(row, widths, strict=True)).rstrip() for row in table]
