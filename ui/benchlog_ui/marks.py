"""The cut-off key, and the marks that are told apart without colour. Imports nothing of the core."""

from enum import StrEnum

CUT_OFF_KEY = "F12"
"""Types nothing in any field, list or menu, needs no second hand, is the last key of its row and so found
without looking, and no platform's text editing or dialogs use it (Escape closes menus and drops what was
typed; Pause is missing on many keyboards, so it works as well where there is one but is not the name)."""


class Shape(StrEnum):
    """Marks that are told apart without colour."""

    UP = "up"
    """A triangle that points up: go up."""
    LEVEL = "level"
    """Two level bars: wait here."""
    OPEN_CONTACT = "open-contact"
    """A switch drawn open (contact symbol as in IEC 60617): cut off."""
    DASHED_RING = "dashed-ring"
    """A ring of dashes: cannot judge."""
    DOT = "dot"
    """A filled dot: a fresh reading."""
    HOLLOW = "hollow"
    """A hollow dot: nothing yet."""
    HOURGLASS = "hourglass"
    """Silent for too long."""
    OVER = "over"
    """An arrow against a stop: beyond the range."""
    BROKEN = "broken"
    """A broken line: no contact, or an answer that can't be read."""
    END = "end"
    """A line that meets a bar, the end of the way: the run is over, nothing is missing in a stage."""
    STILL = "still"
    """A bar that stands: the same figure again and again."""
