"""A job handed over by commands alone: document, its session, exports, a copy for strangers, a comparison."""

import json
import re
import sqlite3
import subprocess
import sys
from pathlib import Path

import pikepdf
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from line_commands import inline as command

from benchlog.cli.inside import take_out
from benchlog.model.errors import SessionFault
from benchlog.session.verification import verify

CUSTOMER = "=Invented & Sons #1"


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A session with intake, checks before and after, a part and an approval."""
    session = tmp_path_factory.mktemp("handover") / "job.benchlog"
    steps = (
        ("new", session, "--number", "H-1", "--customer", CUSTOMER, "--complaint", "dead, fuse blown",
         "--invented", "--plate-va", "300", "--fuse", "T4AL250V", "--core", "toroidal"),
        ("note", session, "@smell of burnt resistor"),
        ("take", session, "voice coil", "7.6", "--kind", "ohms", "--checked", "stands apart"),
        ("approve", session, "--amount", "140.00", "--who", CUSTOMER, "--how", "telephone"),
        ("part", session, "in", "Q1", "npn power", "--lot", "lot 7"),
        ("take", session, "voice coil", "7.7", "--kind", "ohms", "--checked", "stands apart"),
        ("take", session, "output left", "12m", "--kind", "dc-v"),
    )  # fmt: skip
    for words in steps:
        done = command(*words)
        assert done.code == 0, done.err
    return session


@pytest.fixture(scope="module")
def document(job: Path) -> Path:
    done = command("document", job, "--json")
    assert done.code == 0, done.err
    assert done.json() == {"document": str(job.with_suffix(".pdf")), "replaced_characters": []}
    return job.with_suffix(".pdf")


def text_of(pdf: Path) -> str:
    done = subprocess.run(["pdftotext", "-layout", str(pdf), "-"], capture_output=True, text=True, check=True)
    return re.sub(r"[ \n]+", " ", done.stdout)


def test_the_document_says_the_job(document: Path) -> None:
    text = text_of(document)
    for said in (
        CUSTOMER,
        "dead, fuse blown",
        "@smell of burnt resistor",
        "npn power",
        "140.00",
        "7.6 Ω",
        "7.7 Ω",
    ):
        assert said in text, said


def test_verify_show_and_open_take_the_document(document: Path, job: Path, tmp_path: Path) -> None:
    found = command("verify", document, "--json").json()
    head = command("verify", job, "--json").json()["head"]
    assert found == {"ok": True, "head": head, "faults": [], "undecided": [], "notes": []}
    assert "dead, fuse blown" in command("show", document).out
    copy = tmp_path / "mail.pdf"
    copy.write_bytes(document.read_bytes())
    session = take_out(copy)
    assert session == tmp_path / "mail.benchlog"
    assert verify(session).ok
    assert command("note", session, "goes on").code == 0
    with pytest.raises(SessionFault, match="exists already"):
        take_out(copy)


def test_a_figure_changed_in_the_session_inside(document: Path, tmp_path: Path) -> None:
    out = tmp_path / "x.pdf"
    with pikepdf.open(document) as pdf:
        stream = pdf.Root.AF[0].EF.F
        (tmp_path / "s.benchlog").write_bytes(stream.read_bytes())
        db = sqlite3.connect(tmp_path / "s.benchlog")
        with db:
            db.execute("update entry set payload = replace(payload, '140.00', '940.00')")
        db.close()
        stream.write((tmp_path / "s.benchlog").read_bytes())
        pdf.save(out)
    done = command("verify", out)
    assert done.code == 6
    assert "entry 4 (approval) was changed after it was committed" in done.out
    assert re.search(r"Page 1 was changed .*140\.00.*940\.00", done.out)


def test_a_copy_for_strangers_and_its_document(job: Path, tmp_path: Path) -> None:
    out = tmp_path / "for-others.benchlog"
    assert command("export", job, "--without-customer", out).code == 0
    assert command("verify", out).code == 0
    assert CUSTOMER.encode() not in out.read_bytes()
    assert command("document", out).code == 0
    pdf = out.with_suffix(".pdf")
    assert command("verify", pdf).code == 0
    assert "withheld from this copy" in text_of(pdf)
    assert "Invented & Sons" not in text_of(pdf)
    assert "12 mV" in text_of(pdf)
    assert b"stands apart" not in out.read_bytes(), "a reason is words of one's own"


def test_exports_come_back(job: Path, document: Path, tmp_path: Path) -> None:
    words = ("export", document, "--json", tmp_path / "a.json", "--csv", tmp_path / "csv")
    assert command(*words, "--xlsx", tmp_path / "a.xlsx", "--npz", tmp_path / "a.npz").code == 0
    assert json.loads((tmp_path / "a.json").read_text(encoding="utf-8"))["invented"] is True
    assert "'@smell" in (tmp_path / "csv" / "history.csv").read_text(encoding="utf-8")
    for source in (tmp_path / "a.json", tmp_path / "csv"):
        out = tmp_path / f"{source.stem}-again.benchlog"
        assert command("import", source, "-o", out).code == 0
        there, back = command("show", job, "--json").json(), command("show", out, "--json").json()
        assert back["entries"][:-1] == there["entries"]
    compared = command("compare", job, out, "--json").json()
    assert [d["difference"] for d in compared["differences"]] == [0.0, 0.0]


def test_nothing_asked_for() -> None:
    assert command("export", "x.benchlog").code == 2
