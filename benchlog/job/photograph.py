"""Photographs for the history: checked to be pictures, limited in size, without metadata where that is asked.

    read_photograph(path, strip) -> Photographed     one file as an entry
    new_photographs(folder, known) -> paths          files of a folder that are not in the session yet
    known_photographs(entries) -> digests            of what is in the session

A file is a picture where its first bytes say JPEG (ISO/IEC 10918-1: FF D8 FF) or PNG (ISO/IEC 15948: 8 bytes)
and all of it can be decoded. It is stored as it is, unless it is larger than `MOST_STORED` or its metadata
are to be left out; then it is made anew from its pixels alone, upright.
"""

import hashlib
import io
import struct
import warnings
from collections.abc import Collection, Iterable
from pathlib import Path

import msgspec
from PIL import Image, ImageOps

from benchlog.model.errors import EnvironmentFault, UsageError
from benchlog.model.history import Entry
from benchlog.model.work import Photographed

MOST_BYTES = 40_000_000
"""Of a file that is looked at."""
MOST_PIXELS = 80_000_000
MOST_STORED = 2_000_000
"""Bytes of a photograph in the session; a larger one is made smaller."""
LONGEST = (2560, 1920, 1440, 1080)
"""Pixels of the longer side, tried one after the other until it is small enough."""
SUFFIXES = frozenset({".jpg", ".jpeg", ".png"})

_SIGNATURES = {b"\xff\xd8\xff": "JPEG", b"\x89PNG\r\n\x1a\n": "PNG"}
_MEDIA = {"JPEG": "image/jpeg", "PNG": "image/png"}
_FAULTS = (
    OSError, SyntaxError, ValueError, EOFError, LookupError, TypeError, OverflowError, ZeroDivisionError,
    struct.error, Image.DecompressionBombError,
)  # fmt: skip
"""What Pillow raises on pictures that are damaged or made to mislead, and on their metadata."""
_PLACE = 0x8825
"""Tag of the place in the camera's metadata (Exif 2.3, GPS IFD)."""


def read_photograph(path: Path, strip: bool = False) -> Photographed:
    """The entry of a photograph; its captions and what it belongs to are put in by the caller.

    `EnvironmentFault` for a file that can't be read; `UsageError` for one that is no photograph, is cut
    short, or is too large.
    """
    try:
        if path.stat().st_size > MOST_BYTES:
            raise UsageError(f"{path} has more than {MOST_BYTES // 10**6} MB. Make the photograph smaller.")
        data = path.read_bytes()
    except OSError as error:
        raise EnvironmentFault(f"{path} can't be read: {error}. Name a JPEG or PNG file.") from error
    return photograph_of(data, path.name, strip)


def photograph_of(data: bytes, name: str, strip: bool = False) -> Photographed:
    """The same from the bytes of a file."""
    kind = next((kind for start, kind in _SIGNATURES.items() if data.startswith(start)), None)
    if kind is None:
        raise UsageError(f"{name} is no photograph: its contents are neither JPEG nor PNG.")
    upright = _decoded(data, name, kind)
    if not strip and len(data) <= MOST_STORED:
        return _entry(name, kind, upright.size, data)
    kept, size = _made_anew(upright, kind)
    if len(kept) > MOST_STORED:
        raise UsageError(f"{name} can't be made smaller than {MOST_STORED // 10**6} MB. Save it as JPEG.")
    made = _entry(name, "PNG" if kept.startswith(b"\x89") else "JPEG", size, kept)
    return msgspec.structs.replace(
        made,
        original_sha256=hashlib.sha256(data).hexdigest(),
        reduced=size != upright.size or len(kept) < len(data) > MOST_STORED,
        stripped=True,
    )


def says_where(photograph: Photographed) -> bool:
    """Whether the picture still holds the place where it was taken."""
    if not photograph.data:
        return False
    with Image.open(io.BytesIO(photograph.data)) as picture:
        return bool(picture.getexif().get_ifd(_PLACE))


def _decoded(data: bytes, name: str, kind: str) -> Image.Image:
    """All of the pixels, upright. `UsageError` where they are too many, or can't be decoded."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            picture = Image.open(io.BytesIO(data), formats=[kind])
            if picture.width * picture.height > MOST_PIXELS:
                raise UsageError(
                    f"{name} has {picture.width} × {picture.height} pixels, more than "
                    f"{MOST_PIXELS // 10**6} million. Make the photograph smaller."
                )
            picture.load()
            return ImageOps.exif_transpose(picture)
        except _FAULTS as error:
            raise UsageError(f"{name} is no photograph, or is cut short: {error}.") from error


def _made_anew(picture: Image.Image, kind: str) -> tuple[bytes, tuple[int, int]]:
    """A file of the pixels alone, and its size in pixels; nothing else of the file is carried over."""
    kept, size = b"", picture.size
    for longest in LONGEST:
        pixels = picture.convert("RGB")
        pixels.thumbnail((longest, longest))
        clean = Image.new("RGB", pixels.size)
        clean.paste(pixels)
        for form in ("PNG", "JPEG") if kind == "PNG" else ("JPEG",):
            out = io.BytesIO()
            clean.save(out, form, **({"quality": 88} if form == "JPEG" else {}))
            kept, size = out.getvalue(), clean.size
            if len(kept) <= MOST_STORED:
                return kept, size
    return kept, size


def _entry(name: str, kind: str, size: tuple[int, int], data: bytes) -> Photographed:
    return Photographed(
        name=name,
        media_type=_MEDIA[kind],
        width=size[0],
        height=size[1],
        sha256=hashlib.sha256(data).hexdigest(),
        data=data,
    )


def known_photographs(entries: Iterable[Entry]) -> frozenset[str]:
    """Digests of the files whose photographs are in the session."""
    found = [e.payload for e in entries if isinstance(e.payload, Photographed)]
    return frozenset(p.original_sha256 or p.sha256 for p in found)


def new_photographs(folder: Path, known: Collection[str] = ()) -> tuple[Path, ...]:
    """Pictures in a folder, by name, that are not among the digests ``known``. `EnvironmentFault` if unread.

    A file that is larger than `MOST_BYTES` is given too, so that it is told of.
    """
    try:
        files = sorted(p for p in folder.iterdir() if p.suffix.lower() in SUFFIXES and p.is_file())
        return tuple(p for p in files if _digest(p) not in known)
    except OSError as error:
        raise EnvironmentFault(f"{folder} can't be read: {error}. Name a folder of photographs.") from error


def _digest(path: Path) -> str:
    if path.stat().st_size > MOST_BYTES:
        return ""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
