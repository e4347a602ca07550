"""Documents read back: the session inside, what is printed, and a digest of all that makes up each page.

A document that comes from a stranger is read by pypdf, which is pure Python and runs nothing that is in it.
"""

import hashlib
import io
import logging
import re
import struct
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache, partial
from pathlib import Path
from typing import Any

from pypdf import PdfReader
from pypdf.errors import DependencyError, PyPdfError
from pypdf.generic import ArrayObject, DictionaryObject, IndirectObject, StreamObject

from benchlog.model.errors import SessionDamaged, SessionFault

START = b"%PDF-"
END = b"%%EOF"
_TAIL = 2048
"""Bytes within which it ends; what is looked for further up takes time without bound."""
SUFFIX = ".benchlog"
MOST_BYTES = 2_000_000_000
_HEAD = re.compile(r"\(SHA-256\):([0-9a-f]{64})")
_ACTIVE = ("/AcroForm", "/OpenAction", "/AA", "/OCProperties")
_APART = ("/Parent", "/StructParents", "/StructParent", "/Annots")
"""Keys that lead back to other pages, or are looked at by themselves."""

_FAULTS = (
    PyPdfError, DependencyError, ValueError, LookupError, TypeError, AttributeError, ArithmeticError,
    RuntimeError, AssertionError, OSError, struct.error, zlib.error,
)  # fmt: skip
"""What pypdf raises on files that are damaged or made to mislead."""


@dataclass(frozen=True, slots=True)
class Attached:
    """The session inside a document, and how the document says it was laid out."""

    name: str
    session: bytes
    keywords: str


@dataclass(frozen=True, slots=True)
class Printed:
    """A document taken apart."""

    name: str
    """Of the session inside."""
    session: bytes
    head: str
    """As printed on its last page; empty where it is not there."""
    keywords: str
    pages: tuple[str, ...]
    """Digest of each page: its content with the fonts, pictures and notes that it uses."""
    text: Callable[[int], str]
    """Of a page, counted from 0; read when asked for, since that takes long. Empty where it can't be read."""
    active: tuple[str, ...]
    """Forms, actions and layers, which our documents do not have."""


def is_document(path: Path) -> bool:
    """Whether a file is a PDF, by how it begins."""
    try:
        with path.open("rb") as file:
            return file.read(len(START)) == START
    except OSError:
        return False


def session_inside(path: Path) -> tuple[str, bytes]:
    """Name and bytes of the session inside a document.

    `SessionFault` where the file can't be read, `SessionDamaged` where there is no session inside.
    """
    reader = _open(_bytes_of(path), path)
    try:
        return _attached(reader, path)
    except _FAULTS as error:
        raise _damaged(path, error) from error


def attached_session(data: bytes, path: Path) -> Attached:
    """The session inside. `SessionDamaged` where there is none, or the document can't be read."""
    reader = _open(data, path)
    try:
        return Attached(*_attached(reader, path), _keywords(reader))
    except _FAULTS as error:
        raise _damaged(path, error) from error


def take_apart(data: bytes, path: Path) -> Printed:
    """All that is compared of a document. `SessionDamaged` where it is no document with a session."""
    reader = _open(data, path)
    try:
        name, session = _attached(reader, path)
        text = lru_cache(maxsize=None)(partial(_text, reader))
        return Printed(
            name=name,
            session=session,
            head=_head(text, len(reader.pages)),
            keywords=_keywords(reader),
            pages=tuple(_page_digest(page) for page in reader.pages),
            text=text,
            active=tuple(key for key in _ACTIVE if key in reader.root_object),
        )
    except _FAULTS as error:
        raise _damaged(path, error) from error


def _text(reader: PdfReader, page: int) -> str:
    try:
        return reader.pages[page].extract_text()
    except _FAULTS:
        return ""


def _head(text: Callable[[int], str], pages: int) -> str:
    """The chain head in full, which stands at the end; what is printed may break it over two lines."""
    for page in reversed(range(pages)):
        found = _HEAD.search("".join(text(page).split()))
        if found:
            return found.group(1)
    return ""


def _bytes_of(path: Path) -> bytes:
    try:
        if path.stat().st_size > MOST_BYTES:
            raise SessionFault(
                f"{path} is larger than {MOST_BYTES // 10**9} GB. Use the session file itself."
            )
        with path.open("rb") as file:
            file.seek(max(0, path.stat().st_size - _TAIL))
            if END not in file.read():
                raise SessionDamaged(
                    f"The document {path} does not end as a PDF does: it was cut short. Ask for another copy."
                )
        return path.read_bytes()
    except OSError as error:
        raise SessionFault(
            f"The document {path} can't be read: {error.strerror or error}. Check the name."
        ) from error


def read_document(path: Path) -> bytes:
    """Bytes of a document. `SessionFault` where it can't be read."""
    return _bytes_of(path)


def _open(data: bytes, path: Path) -> PdfReader:
    logging.getLogger("pypdf").setLevel(logging.CRITICAL)
    try:
        return PdfReader(io.BytesIO(data))
    except _FAULTS as error:
        raise _damaged(path, error) from error


def _damaged(path: Path, error: Exception) -> SessionDamaged:
    detail = str(error) or type(error).__name__
    return SessionDamaged(f"The document {path} is damaged ({detail}). Ask for another copy.")


def _attached(reader: PdfReader, path: Path) -> tuple[str, bytes]:
    found = [(_name(f.name), f.content) for f in reader.attachment_list]
    found = [(name, content) for name, content in found if name.endswith(SUFFIX)]
    if len(found) != 1:
        raise SessionDamaged(
            f"{path} holds {len(found) or 'no'} sessions, where a document made by this program holds one. "
            "Ask for the document as it was made."
        )
    name, content = found[0]
    return name, content if isinstance(content, bytes) else b""


def _keywords(reader: PdfReader) -> str:
    found = reader.metadata
    return str(found.get("/Keywords", "")) if found is not None else ""


def _name(name: str | bytes) -> str:
    return name.decode("utf-8", "replace") if isinstance(name, bytes) else str(name)


def _page_digest(page: DictionaryObject) -> str:
    digest = hashlib.sha256()
    _take(digest, page, set(), 0)
    annotations = page.get("/Annots")
    if annotations is not None:
        _take(digest, annotations, set(), 0)
    return digest.hexdigest()


def _take(digest: Any, value: Any, seen: set[int], depth: int) -> None:
    """Everything that a page uses, in an order that does not depend on how the file is laid down."""
    if isinstance(value, IndirectObject):
        if value.idnum in seen:
            digest.update(b"again;")
            return
        seen.add(value.idnum)
        value = value.get_object()
    if depth > 60:
        raise ValueError("nested too deeply")
    if isinstance(value, StreamObject):
        digest.update(b"stream:" + value.get_data() + b";")
    if isinstance(value, DictionaryObject):
        for key in sorted(value):
            if key in _APART or (
                isinstance(value, StreamObject) and key in ("/Length", "/Filter", "/DecodeParms")
            ):
                continue
            digest.update(key.encode() + b":")
            _take(digest, value.raw_get(key), seen, depth + 1)
    elif isinstance(value, ArrayObject):
        digest.update(b"[")
        for k in range(len(value)):
            _take(digest, list.__getitem__(value, k), seen, depth + 1)
        digest.update(b"]")
    else:
        digest.update(repr(value).encode() + b";")
