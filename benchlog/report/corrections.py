"""Corrections beside what they correct; nothing that was entered is taken away."""

from collections.abc import Sequence

from benchlog.model.history import Corrected, Entry

Corrections = dict[int, str]
"""What corrections say, by the number of the entry that they correct."""


def corrections_of(entries: Sequence[Entry]) -> Corrections:
    """All corrections, ready to stand behind what they correct."""
    found: Corrections = {}
    for entry in entries:
        match entry.payload:
            case Corrected(corrects=number, text=text, by=by, void=void):
                signed = f" ({by})" if by else ""
                word = "does not count from" if void else "corrected"
                line = f"[{word} {entry.wall:%Y-%m-%d}{signed}: {text}]"
                found[number] = f"{found[number]} {line}" if number in found else line
            case _:
                pass
    return found


def corrected(entry: Entry, text: str, corrections: Corrections) -> str:
    """A line with its corrections behind it."""
    return f"{text} {corrections[entry.seq]}" if entry.seq in corrections else text
