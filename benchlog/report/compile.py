"""From data and charts to a PDF/A-3 with the session inside, by the typst compiler.

Any warning is a failure: a layout that did not converge once printed a wrong page count on every page. The
same content gives the same bytes.
"""

import io
import re
import tempfile
from collections.abc import Iterable
from functools import lru_cache
from importlib import resources
from pathlib import Path

import msgspec
import typst
from pypdf import PdfReader

from benchlog.model.errors import EnvironmentFault
from benchlog.report.content import CHART_SHARES, Content, Layout
from benchlog.report.legible import REPLACEMENT, legible

TEMPLATES = {
    Layout.FILE: "template.typ",
    Layout.CUSTOMER: "customer.typ",
    Layout.COMPARISON: "comparison.typ",
}
PARTS = "parts.typ"
"""What the templates share."""

_MARKED = b"/MarkInfo<</Marked true"
_SUSPECTS = _MARKED + b"/Suspects false"

SESSION = "session.bin"
MOST_TRIES = 8
FEW_PAGES = 4
SMALLER = (1, 2)
"""Sizes of type and charts that are tried where they may save a page of a few."""
_without_glyph: set[str] = set()
"""Characters found to be in none of the fonts, so that they are not found one compilation after the other."""

_UNSHOWN = re.compile(r'the text `"(.+?)"` could not be displayed', re.DOTALL)
_ESCAPED = re.compile(r"\\u\{([0-9a-f]{1,6})\}")


def write_document(pdf: bytes, out: Path) -> None:
    """Put a document where it was asked for. `EnvironmentFault` where that can't be."""
    try:
        out.write_bytes(pdf)
    except OSError as error:
        raise EnvironmentFault(
            f"The document can't be written to {out}: {error.strerror}. Choose another place."
        ) from error


def compile_document(content: Content, session: bytes) -> tuple[bytes, tuple[str, ...]]:
    """The PDF, and the characters that were replaced by a square because no font has them.

    ``session`` is a closed copy of the session, embedded under ``content.attachment``; empty for none.
    Raises `EnvironmentFault` when the document can't be made.
    """
    with tempfile.TemporaryDirectory(prefix="benchlog-document-") as name:
        folder = Path(name)
        (folder / SESSION).write_bytes(session)
        for chart in content.charts:
            (folder / chart.file).write_text(chart.svg(CHART_SHARES[content.size]), encoding="utf-8")
        for picture in content.pictures:
            if picture.file:
                (folder / picture.file).write_bytes(picture.data)
        for source, target in ((TEMPLATES[content.layout], "main.typ"), (PARTS, PARTS)):
            text = resources.files("benchlog.report").joinpath(source).read_text(encoding="utf-8")
            (folder / target).write_text(text, encoding="utf-8")
        shown, replaced = legible(_words_only(content))
        try:
            pdf, unshown = _compile_replacing(folder, msgspec.json.encode(shown).decode())
        except EnvironmentFault:
            fewer = _without_broken(folder, shown)
            if fewer == shown:
                raise
            pdf, unshown = _compile_replacing(folder, msgspec.json.encode(fewer).decode())
    return pdf, (*replaced, *unshown)


def _words_only(content: Content) -> Content:
    """The content without what stands in files of its own."""
    return msgspec.structs.replace(
        content,
        charts=tuple(msgspec.structs.replace(c, panel=None) for c in content.charts),
        pictures=tuple(msgspec.structs.replace(p, data=b"") for p in content.pictures),
    )


def _without_broken(folder: Path, content: Content) -> Content:
    """The content with those pictures named as not to be shown that the compiler can't decode."""
    alone = folder / "alone.typ"
    pictures = []
    for picture in content.pictures:
        alone.write_text(f'#image("{picture.file}")', encoding="utf-8")
        try:
            typst.compile(str(alone), format="pdf", root=str(folder))
            pictures.append(picture)
        except typst.TypstError:
            pictures.append(msgspec.structs.replace(picture, file=""))
    return msgspec.structs.replace(content, pictures=tuple(pictures))


@lru_cache(maxsize=4)
def pages_in(content: Content) -> int:
    """How many pages a content takes."""
    pdf, _ = compile_document(msgspec.structs.replace(content, attachment=""), b"")
    return len(PdfReader(io.BytesIO(pdf)).pages)


def fewer_pages(content: Content) -> Content:
    """The content as it is, or with smaller charts and type where that saves a page of a few."""
    pages = pages_in(content) if content.charts else 1
    if not 1 < pages <= FEW_PAGES:
        return content
    for size in SMALLER:
        tight = msgspec.structs.replace(content, size=size)
        if pages_in(tight) < pages:
            return tight
    return content


def _compile_replacing(folder: Path, data: str) -> tuple[bytes, tuple[str, ...]]:
    """Compile; where a character has no glyph, put a square in its place and compile once more."""
    unshown = sorted(c for c in _without_glyph if c in data)
    data = _squares(data, unshown)
    for _ in range(MOST_TRIES):
        (folder / "data.json").write_text(data, encoding="utf-8")
        try:
            return _compile(folder), tuple(unshown)
        except typst.TypstError as error:
            found = "".join(_UNSHOWN.findall(f"{error.message}\n{error.diagnostic}"))
            found = _ESCAPED.sub(lambda match: chr(int(match.group(1), 16)), found)
            missing = {c for c in found if ord(c) > 127 and c in data}
            if not missing:
                raise EnvironmentFault(f"The document could not be made: {error.message}.") from error
            unshown += sorted(missing)
            _without_glyph.update(missing)
            data = _squares(data, missing)
    raise EnvironmentFault(
        "The document could not be made: its text keeps having characters that no font has."
    )


def _squares(data: str, missing: Iterable[str]) -> str:
    return data.translate(dict.fromkeys(map(ord, missing), REPLACEMENT))


def _compile(folder: Path) -> bytes:
    compiler = typst.Compiler(str(folder / "main.typ"), root=str(folder), ignore_system_fonts=True)
    pdf, warnings = compiler.compile_with_warnings(format="pdf", pdf_standards=["a-3a"])
    if warnings:
        raise EnvironmentFault(f"The document could not be made without warnings: {warnings[0].message}.")
    if not isinstance(pdf, bytes):
        raise EnvironmentFault("The document could not be made: the compiler returned no single file.")
    return _without_suspects(pdf)


def _without_suspects(pdf: bytes) -> bytes:
    """The same bytes with blanks in the place of ``/Suspects false``, which is what its absence means.

    ISO 32000-1, table 321. Some readers (poppler 22.12) take the word itself for a fault. Offsets stay.
    """
    if pdf.count(_SUSPECTS) != 1:
        return pdf
    return pdf.replace(_SUSPECTS, _MARKED + b" " * (len(_SUSPECTS) - len(_MARKED)))
