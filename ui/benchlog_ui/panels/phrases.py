"""Sentences of the cold checks: made safe in one line, what a reading waits for, a point by its name."""

from collections.abc import Sequence

from benchlog.cold.discharge import ANY, Standing, charged_line
from benchlog.model.point import TestPoint


def blocked_line(waiting: Sequence[str], standing: Standing) -> str:
    """What a reading waits for, and the two keys that go on; one where a reservoir was read charged."""
    charged = charged_line(waiting, standing)
    if charged:
        return f"{charged} Ctrl+R goes to it."
    return (
        f"Not proved below 1 V: {', '.join(waiting)}. Ctrl+R goes to it: DC volts at its own terminals, "
        "meter proved. Or Ctrl+D: say why it is empty."
    )


def named(point: TestPoint) -> str:
    """A point with its channel and what is read there."""
    return (
        f"{point.group}: {point.name} ({point.kind.value})"
        if point.group
        else f"{point.name} ({point.kind.value})"
    )


def safe_line(standing: Standing, checked: str = "") -> str:
    """Made safe in one line: which reservoirs are proved, which are not, and the key to go on."""
    charged = charged_line(standing.known, standing)
    if charged:
        return f"{charged} Ctrl+R goes to it."
    if checked:
        return f"You have checked: {checked}. It is recorded with the next reading."
    left = sorted(standing.known - standing.proved - standing.checked)
    if left:
        proved = f" Proved: {', '.join(sorted(standing.proved))}." if standing.proved else ""
        return f"Ctrl+R  Unplug, discharge, prove: {', '.join(left)}.{proved}"
    names = ", ".join(sorted(standing.checked - standing.proved - {ANY}))
    word = f"By your word, not measured: {names or 'everything'}." if standing.checked else ""
    if standing.proved:
        measured = f"Proved below 1 V: {', '.join(sorted(standing.proved))}."
        return f"{measured} {word}".strip() if names else measured
    if word:
        return word
    return "No reservoir is known: add a list of points (Ctrl+T), or Ctrl+D where there is none."
