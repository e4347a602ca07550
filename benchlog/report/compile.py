"""From data and charts to a PDF/A-3 with the session inside, by the typst compiler.

Any warning is a failure: a layout that did not converge once printed a wrong page count on every page.
"""

import re
import shutil
import tempfile
from importlib import resources
from pathlib import Path

import msgspec
import typst

from benchlog.model.errors import EnvironmentFault
from benchlog.report.content import Content

_REPLACEMENT = "\N{WHITE SQUARE}"
_UNSHOWN = re.compile(r'the text `"(.+?)"` could not be displayed')


def compile_document(content: Content, session_copy: Path, out: Path) -> tuple[str, ...]:
    """Write the PDF to ``out`` and return the characters no font has (each was replaced by a square).

    ``session_copy`` is a closed copy of the session; it is embedded under the session's own name.
    Raises `EnvironmentFault` when the document can't be made or written.
    """
    with tempfile.TemporaryDirectory(prefix="benchlog-document-") as name:
        folder = Path(name)
        shutil.copyfile(session_copy, folder / content.attachment)
        for chart in content.charts:
            (folder / chart.file).write_text(chart.svg, encoding="utf-8")
        template = resources.files("benchlog.report").joinpath("template.typ").read_text(encoding="utf-8")
        (folder / "main.typ").write_text(template, encoding="utf-8")
        data = msgspec.json.encode(content).decode()
        pdf, unshown = _compile_replacing(folder, data)
    try:
        out.write_bytes(pdf)
    except OSError as error:
        raise EnvironmentFault(
            f"The document can't be written to {out}: {error.strerror}. Choose another place."
        ) from error
    return unshown


def _compile_replacing(folder: Path, data: str) -> tuple[bytes, tuple[str, ...]]:
    """Compile; where a character has no glyph, put a square in its place and compile once more."""
    unshown: list[str] = []
    for _ in range(8):
        (folder / "data.json").write_text(data, encoding="utf-8")
        try:
            return _compile(folder), tuple(unshown)
        except typst.TypstError as error:
            missing = {c for text in _UNSHOWN.findall(error.diagnostic) for c in text}
            if not missing:
                raise EnvironmentFault(f"The document could not be made: {error.message}.") from error
            unshown += sorted(missing)
            data = "".join(_REPLACEMENT if c in missing else c for c in data)
    raise EnvironmentFault(
        "The document could not be made: its text keeps having characters that no font has."
    )


def _compile(folder: Path) -> bytes:
    compiler = typst.Compiler(str(folder / "main.typ"), root=str(folder), ignore_system_fonts=True)
    pdf, warnings = compiler.compile_with_warnings(format="pdf", pdf_standards=["a-3a"])
    if warnings:
        raise EnvironmentFault(f"The document could not be made without warnings: {warnings[0].message}.")
    if not isinstance(pdf, bytes):
        raise EnvironmentFault("The document could not be made: the compiler returned no single file.")
    return pdf
