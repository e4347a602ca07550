"""Verify of a document: each kind of tampering is named, and an honest document is not accused."""

import json
import shutil
import sqlite3
import sys
from pathlib import Path

import msgspec
import pikepdf
import pytest
from report_sessions import JOB, UNIT, Building, ended, text_of, whole_job

from benchlog.cli.main import main
from benchlog.report.checking import verify_document
from benchlog.report.content import Layout, Paper
from benchlog.report.document import make_document
from benchlog.report.pages import session_inside
from benchlog.session.reader import SessionReader

NAME = "a.benchlog"


@pytest.fixture(scope="module")
def made_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A session with its documents of both layouts."""
    folder = tmp_path_factory.mktemp("made-once")
    whole_job(folder / NAME, photographs=1)
    for layout in (Layout.FILE, Layout.CUSTOMER):
        make_document(folder / NAME, folder / f"{layout.value}.pdf", layout, Paper.LETTER)
    return folder


def _copy(made_once: Path, layout: Layout, folder: Path) -> Path:
    shutil.copy(made_once / NAME, folder / NAME)
    return Path(shutil.copy(made_once / f"{layout.value}.pdf", folder / "a.pdf"))


@pytest.fixture
def document(made_once: Path, tmp_path: Path) -> Path:
    """The document for the file, to be changed, with its session beside it."""
    return _copy(made_once, Layout.FILE, tmp_path)


@pytest.fixture(params=[Layout.FILE, Layout.CUSTOMER])
def either(request: pytest.FixtureRequest, made_once: Path, tmp_path: Path) -> Path:
    """The document of each layout."""
    return _copy(made_once, request.param, tmp_path)


Captured = pytest.CaptureFixture[bytes]


def told(document: Path, capfdbinary: Captured) -> str:
    """What the command says of a document that is not as it was made."""
    assert main(["verify", str(document), "--json"]) == 6
    said = json.loads(capfdbinary.readouterr().out)
    assert said["ok"] is False
    return "\n".join(said["faults"])


def exchange(document: Path, session: Path) -> None:
    """Put another session inside; everything else stays."""
    with pikepdf.open(document, allow_overwriting_input=True) as pdf:
        stream = pdf.Root.AF[0].EF.F
        stream.write(session.read_bytes())
        pdf.save(document)


def faults_of(document: Path) -> str:
    found = verify_document(document)
    assert found.ok is (not found.faults)
    return "\n".join(found.faults)


def test_an_honest_document_is_believed(either: Path, capfdbinary: Captured) -> None:
    assert faults_of(either) == ""
    assert main(["verify", str(either)]) == 0
    assert b"Every page is as its data give it." in capfdbinary.readouterr().out


def test_saved_again_by_another_program_it_is_believed(document: Path) -> None:
    with pikepdf.open(document, allow_overwriting_input=True) as pdf:
        pdf.save(document, object_stream_mode=pikepdf.ObjectStreamMode.disable, recompress_flate=True)
    assert faults_of(document) == ""


def _glyphs(page: pikepdf.Page) -> list[pikepdf.ContentStreamInstruction]:
    return list(pikepdf.parse_content_stream(page))


def test_one_digit_in_a_page_stream(either: Path, capfdbinary: Captured) -> None:
    """Two glyph numbers change places in one string of the second page: a figure reads otherwise."""
    with pikepdf.open(either, allow_overwriting_input=True) as pdf:
        page = pdf.pages[1]
        done = False
        instructions = []
        for operands, operator in _glyphs(page):
            if str(operator) == "TJ" and not done:
                for k, item in enumerate(operands[0]):
                    raw = bytes(item) if isinstance(item, pikepdf.String) else b""
                    if len(raw) >= 8 and raw[2:4] != raw[4:6]:
                        swapped = raw[:2] + raw[4:6] + raw[2:4] + raw[6:]
                        operands[0][k] = pikepdf.String(swapped)
                        done = True
                        break
            instructions.append((operands, operator))
        assert done
        page.Contents = pdf.make_stream(pikepdf.unparse_content_stream(instructions))
        pdf.save(either)
    faults = told(either, capfdbinary)
    assert "Page 2 was changed after it was made: it says '" in faults
    assert "Page 1" not in faults
    assert "session inside" not in faults


def test_a_line_drawn_over_a_page(document: Path) -> None:
    with pikepdf.open(document, allow_overwriting_input=True) as pdf:
        pdf.pages[0].contents_add(b"0 0 m 100 100 l S")
        pdf.save(document)
    assert "Page 1 was changed after it was made: its drawing" in faults_of(document)


def test_a_note_stuck_over_a_page(document: Path) -> None:
    with pikepdf.open(document, allow_overwriting_input=True) as pdf:
        note = pikepdf.Dictionary(
            Type=pikepdf.Name.Annot, Subtype=pikepdf.Name.FreeText, Rect=[0, 0, 100, 100], Contents="0.1 A"
        )
        pdf.pages[0].Annots = pikepdf.Array([pdf.make_indirect(note)])
        pdf.save(document)
    assert "Page 1 was changed" in faults_of(document)


def test_a_page_taken_out(document: Path) -> None:
    with pikepdf.open(document, allow_overwriting_input=True) as pdf:
        del pdf.pages[0]
        pdf.save(document)
    assert "pages; its data give" in faults_of(document)


def test_one_reading_in_the_session(document: Path, capfdbinary: Captured) -> None:
    _, content = session_inside(document)
    changed = document.with_name("changed.benchlog")
    changed.write_bytes(content)
    db = sqlite3.connect(changed)
    with db:
        assert db.execute(
            "update reading set value = value + 0.001 where t_us = (select min(t_us) from reading)"
        )
    db.close()
    exchange(document, changed)
    faults = told(document, capfdbinary)
    assert "The session inside: link " in faults
    assert "chain head printed" not in faults


def test_a_chain_made_again_from_the_start(document: Path, capfdbinary: Captured) -> None:
    """The same job written anew, a reading lower, with a chain of its own that holds."""
    anew = Building(document.with_name("anew.benchlog")).run(ended(idle_a=0.2)).close()
    exchange(document, anew)
    faults = told(document, capfdbinary)
    assert "The chain head printed on the document" in faults
    assert "its chain was made again" in faults
    assert "The session inside: " not in faults
    assert "Page 1 was changed" in faults


def test_the_very_same_content_with_another_chain(tmp_path: Path) -> None:
    """Only salts differ: every figure is the same, the chain is not."""
    first = Building(tmp_path / NAME).run(ended()).close()
    make_document(first, tmp_path / "a.pdf")
    second = Building(tmp_path / "b.benchlog", msgspec.structs.replace(JOB, accessories="", terms=""))
    second.writer._entropy = lambda n: b"\x08" * n
    exchange(tmp_path / "a.pdf", second.run(ended()).close())
    found = verify_document(tmp_path / "a.pdf")
    assert len(found.faults) == 1
    assert "its chain was made again" in found.faults[0]


def test_the_head_on_paper(document: Path) -> None:
    with SessionReader(document.with_name(NAME)) as reader:
        head = reader.head()
    assert main(["verify", str(document), "--head", head[:16]]) == 0
    assert main(["verify", str(document), "--head", "0" * 16]) == 6
    assert main(["verify", str(document), "--head", head[:4]]) == 6


def _another_version(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys.modules["benchlog.report.checking"], "program", lambda: "0123456789abcdef")
    monkeypatch.setattr(sys.modules["benchlog.report.stamp"], "program", lambda: "0123456789abcdee")


def test_a_document_of_another_version(
    document: Path, monkeypatch: pytest.MonkeyPatch, capfdbinary: Captured
) -> None:
    _another_version(monkeypatch)
    assert main(["verify", str(document)]) == 0
    said = capfdbinary.readouterr().out.decode()
    assert "laid out by another version of the program" in said
    assert "Its pages are those that this version makes, too." in said
    assert "changed" not in said
    with pikepdf.open(document, allow_overwriting_input=True) as pdf:
        pdf.pages[0].contents_add(b"0 0 m 100 100 l S")
        pdf.save(document)
    assert main(["verify", str(document)]) == 4
    assert "words or drawing differ" in capfdbinary.readouterr().out.decode()


def test_a_document_of_another_version_that_prints_otherwise(
    document: Path, monkeypatch: pytest.MonkeyPatch, capfdbinary: Captured
) -> None:
    """Neither believed nor accused: this version can't tell."""
    _another_version(monkeypatch)
    monkeypatch.setattr(sys.modules["benchlog.report.tables"], "with_u", lambda value, u, unit: "77.123 Ω")
    assert main(["verify", str(document), "--json"]) == 4
    said = json.loads(capfdbinary.readouterr().out)
    assert (said["ok"], said["faults"]) == (False, [])
    assert "this version can't tell" in said["undecided"][1]


def test_show_and_verify_take_a_document_as_a_session(
    document: Path, capfdbinary: pytest.CaptureFixture[bytes]
) -> None:
    assert main(["show", str(document)]) == 0
    shown = capfdbinary.readouterr().out.decode()
    assert main(["show", str(document.with_name(NAME))]) == 0
    assert shown == capfdbinary.readouterr().out.decode()
    assert "dead, fuse blown" in shown


@pytest.mark.parametrize("content", [b"%PDF-1.7\n", b"%PDF-1.7\n" + b"\xff" * 400])
def test_what_is_no_document(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "x.pdf"
    path.write_bytes(content)
    assert main(["show", str(path)]) == 1
    assert main(["verify", str(path)]) == 6


def test_a_pdf_without_a_session(tmp_path: Path, document: Path) -> None:
    with pikepdf.open(document) as pdf:
        del pdf.attachments[NAME]
        pdf.save(tmp_path / "x.pdf")
    assert main(["show", str(tmp_path / "x.pdf")]) == 1
    assert main(["verify", str(tmp_path / "x.pdf")]) == 6


@pytest.mark.parametrize("name", ['=#set "x" 😀 שלום', "Verstärker 1", "...", "data.json"])
def test_odd_names_of_files(tmp_path: Path, name: str) -> None:
    session = Building(tmp_path / f"{name}.benchlog").close()
    make_document(session, tmp_path / "a.pdf")
    assert faults_of(tmp_path / "a.pdf") == ""
    inside, content = session_inside(tmp_path / "a.pdf")
    assert inside.isascii()
    assert inside.endswith(".benchlog")
    assert content.startswith(b"SQLite format 3")


def test_a_document_is_laid_out_again_from_the_session_inside(document: Path, tmp_path: Path) -> None:
    assert main(["document", str(document)]) == 2
    words = ["document", str(document), "-o", str(tmp_path / "again.pdf"), "--layout", "customer"]
    assert main(words) == 0
    assert faults_of(tmp_path / "again.pdf") == ""


def test_cut_short(tmp_path: Path, document: Path) -> None:
    data = document.read_bytes()
    for share in (0.1, 0.5, 0.9):
        (tmp_path / "x.pdf").write_bytes(data[: int(len(data) * share)])
        assert main(["verify", str(tmp_path / "x.pdf")]) == 6


def test_unit_and_texts_are_those_of_the_session(document: Path) -> None:
    assert UNIT.serial in text_of(document)[0]
