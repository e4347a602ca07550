"""Where in a TOML text a value stands, so that a message can name the line."""

import re

_HEADER = re.compile(r"^\s*(\[\[?)\s*([^\]]+?)\s*\]\]?\s*(#.*)?$")
_KEY = re.compile(r"^\s*(?:\"([^\"]+)\"|'([^']+)'|([A-Za-z0-9_\-]+))\s*=")
_STEP = re.compile(r"\.([A-Za-z0-9_\-]+)|\[(\d+)\]")
_NAMED = re.compile(r"`([A-Za-z0-9_\-]+)`")


def line_of(text: str, path: str, message: str = "") -> int:
    """Line (from 1) that a path such as ``$.channel[2].quantity`` points to.

    A key that the message names (an unknown or a missing one) is looked for below the path. Where the exact
    key can't be found, the line of the table that should hold it is given, or 1.
    """
    wanted = [m.group(1) if m.group(1) else int(m.group(2)) for m in _STEP.finditer(path)]
    named = _NAMED.findall(message)
    places = _places(text)
    for steps in ([*wanted, named[-1]] if named else wanted, wanted):
        while steps:
            line = places.get(tuple(steps))
            if line is not None:
                return line
            steps = steps[:-1]
    return 1


def _places(text: str) -> dict[tuple[str | int, ...], int]:
    """Line of every table header and key."""
    places: dict[tuple[str | int, ...], int] = {}
    counts: dict[str, int] = {}
    table: tuple[str | int, ...] = ()
    for number, line in enumerate(text.splitlines(), start=1):
        header = _HEADER.match(line)
        if header is not None:
            table = _table(header.group(2), header.group(1) == "[[", counts)
            places[table] = number
            continue
        key = _KEY.match(line)
        if key is not None:
            name = key.group(1) or key.group(2) or key.group(3)
            places.setdefault((*table, name), number)
    return places


def _table(header: str, array: bool, counts: dict[str, int]) -> tuple[str | int, ...]:
    """Path of a table header; the elements of arrays of tables are counted."""
    parts = [part.strip().strip("\"'") for part in header.split(".")]
    steps: list[str | int] = []
    for depth, part in enumerate(parts):
        name = ".".join(parts[: depth + 1])
        steps.append(part)
        if array and depth == len(parts) - 1:
            counts[name] = counts.get(name, -1) + 1
        if name in counts:
            steps.append(counts[name])
    return tuple(steps)
