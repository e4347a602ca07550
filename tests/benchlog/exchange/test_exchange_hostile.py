"""Hostile text in every field: through the document, CSV, JSON and XLSX, and back to what it was."""

import csv
import json
import zipfile
from datetime import timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from xml.etree import ElementTree

import jsonschema
import pikepdf
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from report_sessions import UNIT, WALL, png
from xlsx_reading import sheets

from benchlog.exchange.historycsv import read_history
from benchlog.exchange.sessioncsv import export_csv
from benchlog.exchange.sessionjson import entries_of, export_json, read_json, schema_text
from benchlog.exchange.sessionxlsx import export_xlsx
from benchlog.model.history import Approved, JobEnded, Noted, PartChanged, Payload, Taken
from benchlog.model.job import Customer, Ending, Job
from benchlog.model.point import PointKind, TestPoint
from benchlog.model.quantity import Quantity
from benchlog.model.work import FinalCheck, FinalChecked, FirstLook, Photographed
from benchlog.report.checking import verify_document
from benchlog.report.content import Layout
from benchlog.report.document import make_document
from benchlog.session.reader import SessionReader
from benchlog.session.writer import SessionWriter

STARTS = (
    "=", "+", "-", "@", "\t=", "\r\n=", "＝", "'", '"', "#set ", "#panic(", "//", "<", "&", "_x0041_",
)  # fmt: skip
PIECES = (
    "1+1", "SUM(A1)", "cmd|'/c x'!A0", '"a", b', "line\nbreak", "a\r\nb", "\u2028", "#set text(red)", "$x$",
    "שלום 12 ± 3", "مرحبا", "\u202e1.0 A", "😀👩\u200d🔧", "漢字", "\x00", "\x07", "\x1b[31m",
    "\x7f", "\x85", "\ufffe", "\uffff", "\ue000", "Ω µ ° ± √ ≥", "</script>", "&amp;", "\\u0041",
    "{}", "%s", "w" * 300,
)  # fmt: skip
hostile_texts = st.one_of(
    st.builds("".join, st.tuples(st.sampled_from(STARTS), st.sampled_from(PIECES))),
    st.builds("".join, st.lists(st.sampled_from(PIECES), max_size=4)),
    st.text(max_size=30),
)
VALIDATOR = jsonschema.Draft202012Validator(json.loads(schema_text()))


def session_with(text: str, other: str, path: Path) -> Path:
    """A session that has the texts wherever a person writes one."""
    job = Job(text, Customer(other, text), text, other, text, other, unit=UNIT, invented=True)
    point = TestPoint(text, PointKind.OHMS, other)
    picture = png(16, 12)
    payloads: tuple[Payload, ...] = (
        Noted(text, by=other),
        FirstLook(seen=text, smelt=other, fuse_fitted=text, by=other),
        Taken(point, Quantity.RESISTANCE, 1.0, instrument=text, reason=other, part=text),
        PartChanged(text, other, text, other, text, other, note=text),
        Photographed(text, "image/png", 16, 12, "0" * 64, picture, caption=other, point=text),
        FinalChecked(FinalCheck.HUM, text, seen=other, instrument=text),
        Approved(True, text, other, text, lines=(other, text), note=text),
        JobEnded(Ending.RETURNED, other, text),
    )
    writer = SessionWriter.create(path, job, WALL)
    for number, payload in enumerate(payloads, 1):
        writer.add_entry(payload, number * 1_000_000, WALL + timedelta(seconds=number))
    assert writer.close()
    return path


@given(hostile_texts, hostile_texts)
@example("=1+1\r\n@x", "\u202e#set\x00\ufffe\uffff")
@example("x" * 10_000, "=" + "long words " * 900)
@settings(max_examples=8, deadline=None, suppress_health_check=list(HealthCheck))
def test_hostile_text_comes_back_from_every_export(text: str, other: str) -> None:
    with TemporaryDirectory() as name:
        folder = Path(name)
        with SessionReader(session_with(text, other, folder / "a.benchlog")) as reader:
            entries = reader.entries()
            history = export_csv(reader, folder / "csv")[0]
            export_json(reader, folder / "a.json")
            export_xlsx(reader, folder / "a.xlsx")
        assert tuple(read_history(history)) == entries
        with history.open(encoding="utf-8", newline="") as file:
            cells = [cell for row in csv.reader(file, strict=True) for cell in row]
        assert not [c for c in cells if c.lstrip().startswith(("=", "+", "@", "＝", "-"))]
        VALIDATOR.validate(json.loads((folder / "a.json").read_bytes()))
        assert entries_of(read_json(folder / "a.json")) == entries
        _spreadsheet(folder / "a.xlsx", text)


def _spreadsheet(path: Path, text: str) -> None:
    """No formula (`sheets` looks), well-formed throughout, and the note as it was."""
    rows = sheets(path)["history"]
    note = next(row for row in rows if row["kind"] == "note").get("text", "")
    assert _as_xml_has_it(note) == _as_xml_has_it(text)
    with zipfile.ZipFile(path) as archive:
        for member in archive.namelist():
            if member.endswith((".xml", ".rels")):
                ElementTree.fromstring(archive.read(member))


def _as_xml_has_it(text: str) -> str:
    """XML 1.0, 2.11: line ends become LF on reading."""
    return text.replace("\r\n", "\n").replace("\r", "\n")


@given(hostile_texts, hostile_texts)
@example("=1+1\r\n@x", "\u202e#set\x00\ufffe\uffff")
@example("x" * 10_000, "=" + "long words " * 900)
@settings(max_examples=3, deadline=None, suppress_health_check=list(HealthCheck))
def test_hostile_text_is_harmless_in_documents(text: str, other: str) -> None:
    with TemporaryDirectory() as name:
        folder = Path(name)
        session = session_with(text, other, folder / "a.benchlog")
        for layout in (Layout.FILE, Layout.CUSTOMER):
            out = folder / f"{layout.value}.pdf"
            make_document(session, out, layout)
            assert verify_document(out).faults == ()
            with pikepdf.open(out) as pdf:
                assert not [key for key in ("/AcroForm", "/OpenAction", "/AA") if key in pdf.Root]
                assert layout is Layout.FILE or len(pdf.pages) <= 2
                assert list(pdf.attachments) == ["a.benchlog"]
