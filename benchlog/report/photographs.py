"""Photographs of the session as pictures of the document."""

from collections.abc import Sequence

from benchlog.model.history import Entry
from benchlog.model.work import Photographed
from benchlog.report.content import Picture
from benchlog.report.corrections import corrected, corrections_of
from benchlog.report.heading import cut

MOST_IN_CAPTION = 240
_ENDING = {"image/jpeg": "jpg", "image/png": "png"}
_BEGINS = {"jpg": b"\xff\xd8\xff", "png": b"\x89PNG\r\n\x1a\n"}


def pictures_of(entries: Sequence[Entry]) -> tuple[Picture, ...]:
    """Every photograph with its caption, in the order in which they came."""
    corrections = corrections_of(entries)
    return tuple(
        _picture(entry.seq, entry.payload, corrected(entry, caption_of(entry.payload), corrections))
        for entry in entries
        if isinstance(entry.payload, Photographed)
    )


def _picture(number: int, taken: Photographed, caption: str) -> Picture:
    ending = _ENDING.get(taken.media_type, "")
    there = bool(ending) and taken.data.startswith(_BEGINS[ending])
    file = f"photograph-{number}.{ending}" if there else ""
    upright = taken.height > 1.1 * taken.width
    return Picture(file, caption, taken.data if there else b"", upright)


def caption_of(taken: Photographed) -> str:
    """What it shows and where it belongs to; its file's name where nothing was said of it."""
    where = ": ".join(x for x in (taken.group, taken.point) if x)
    of = "; ".join(x for x in (where, f"part {taken.part}" if taken.part else "") if x)
    said = taken.caption or taken.name or "no caption"
    return cut(f"{said} ({of})" if of else said, MOST_IN_CAPTION)
