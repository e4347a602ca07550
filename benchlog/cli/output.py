"""Where commands print: one JSON object on standard output, everything else on standard error."""

import sys
from collections.abc import Sequence
from typing import Any

import msgspec


def print_json(value: Any) -> None:
    """One JSON object and a newline on standard output."""
    sys.stdout.buffer.write(msgspec.json.format(msgspec.json.encode(value), indent=1) + b"\n")
    sys.stdout.buffer.flush()


def say(text: str) -> None:
    """A line of progress or a message, on standard error."""
    print(text, file=sys.stderr, flush=True)


def print_lines(lines: list[str]) -> None:
    """Lines for a reader, on standard output."""
    print("\n".join(lines), flush=True)


def columns(rows: Sequence[tuple[str, ...]], head: tuple[str, ...]) -> list[str]:
    """Rows as aligned text columns under a head."""
    table = [head, *rows]
    widths = [max(len(row[i]) for row in table) for i in range(len(head))]
    return ["  ".join(cell.ljust(w) for cell, w in zip(row, widths, strict=True)).rstrip() for row in table]
