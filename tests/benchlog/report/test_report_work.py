"""First look, photographs, adjustments, final checks and safety figures in the document, and what is open."""

import re
from pathlib import Path

import msgspec
import pikepdf
import pytest
from report_sessions import (
    AFTER_SOAK,
    Building,
    at,
    ended,
    photograph,
    png,
    setup,
    taken,
    text_of,
    whole_job,
)

from benchlog.model.history import Corrected, Entry, JobEnded, PartChanged, Payload, RunBegun
from benchlog.model.job import Ending
from benchlog.model.step import PointVerdict
from benchlog.model.work import FinalCheck, FinalChecked, SafetyMeasured
from benchlog.report.checking import verify_document
from benchlog.report.content import Layout, Paper
from benchlog.report.document import make_document
from benchlog.report.nottested import LOAD, SAFETY, not_tested
from benchlog.report.pairs import pairs_of
from benchlog.session.copying import withhold


def words_of(session: Path, layout: Layout = Layout.FILE) -> str:
    out = session.with_name(f"{session.stem}-{layout.value}.pdf")
    make_document(session, out, layout)
    return re.sub(r"\s+", " ", " ".join(text_of(out)))


def test_before_and_after_at_declared_warmth(tmp_path: Path) -> None:
    session = whole_job(tmp_path / "a.benchlog")
    text = words_of(session)
    for said in (
        "Seen: burnt resistor beside the left output devices; smelt: burnt varnish",
        "marked beside it T4AL250V (outside limit, larger than the one marked)",
        "31 mV ± 0.4 mV 10.5 mV ± 0.4 mV",
        "10.8 mV ± 0.4 mV 45 min, 44 °C",
        "12 mV ± 1 mV amplifier side of the relay within limit (limit 50 mV, common practice)",
        "41.2 V ± 0.3 V and -41 V ± 0.3 V",
        "17.9 V and distortion 0.04 % into 8 Ω, 1000 Hz, 40 W",
        "none at arm's length",
        "protective earth (class I) 110 mΩ A. Technician (own licence), 10 A",
        "it certifies nothing",
        "Asked before power • mains plug seen out: yes",
        "Estimate 140.00: two output devices and labour 140.00; cap 160.00.",
        "Invented Workshop",
    ):
        assert said in text, said
    plain = words_of(session, Layout.CUSTOMER)
    assert "12 mV ± 1 mV amplifier side of the relay within limit" in plain
    assert "common practice" not in plain.split("Cautions")[0]


def entries(*payloads: Payload) -> tuple[Entry, ...]:
    return tuple(Entry(k, k, at(k), payload) for k, payload in enumerate(payloads, 1))


def test_what_was_read_later_is_no_longer_said_to_be_open() -> None:
    run = msgspec.structs.replace(ended(), not_tested=(LOAD, SAFETY, "Rails: not read", "Soak"))
    assert not_tested(entries(run))[:4] == (LOAD, SAFETY, "Rails: not read", "Soak")
    after = not_tested(entries(run, *AFTER_SOAK))
    assert after[:4] == (
        f"{LOAD} during the bring-up (read afterwards: left)",
        "Insulation and touch current",
        "Rails during the bring-up (read afterwards)",
        "Soak",
    )
    assert after[4].startswith("Final checks not made: ripple of the reservoirs, protection circuit")
    assert "bias" not in after[4]


def test_a_check_that_does_not_count_leaves_it_open() -> None:
    run = msgspec.structs.replace(ended(), not_tested=("DC at the output",))
    check = FinalChecked(FinalCheck.OFFSET, "left", 0.01)
    assert (
        not_tested(entries(run, check))[0] == "DC at the output during the bring-up (read afterwards: left)"
    )
    void = Corrected(2, "wrong unit on the bench", void=True)
    assert not_tested(entries(run, check, void))[0] == "DC at the output"
    seen_only = FinalChecked(FinalCheck.OFFSET, "left", None, seen="looked right")
    assert not_tested(entries(run, seen_only))[0] == "DC at the output"


@pytest.mark.parametrize("ending", Ending)
def test_a_job_that_should_have_final_checks_and_has_none(ending: Ending) -> None:
    said = "Final checks: none was entered" in not_tested(entries(ended(), JobEnded(ending)))
    assert said == (ending in (Ending.REPAIRED, Ending.NO_FAULT_FOUND))


def test_class_two_needs_no_earth() -> None:
    run = msgspec.structs.replace(ended(), not_tested=(SAFETY,))
    unjudged = SafetyMeasured("touch-current", 80e-6, "A", "de", "ii", "A. Technician")
    assert (
        not_tested(entries(run, unjudged))[0] == "Insulation and touch current (a figure without a judgement)"
    )
    touch = msgspec.structs.replace(unjudged, verdict=PointVerdict.WITHIN)
    assert not_tested(entries(run, touch))[0] == "Insulation"
    volts = msgspec.structs.replace(touch, test="leakage-volts", protection="i")
    assert not_tested(entries(run, volts))[0] == "Protective earth and insulation"


def test_a_broken_off_run_is_open_as_a_whole() -> None:
    found = not_tested(entries(ended(), RunBegun(setup())))
    assert found[0].startswith("Anything that the bring-up that broke off did not reach")


def test_a_void_reading_is_shown_as_such_and_not_compared(tmp_path: Path) -> None:
    building = Building(tmp_path / "a.benchlog").add(taken("R1", 10.0, 0.1), taken("R1", 99.0, 0.1))
    building.add(Corrected(3, "leads were off", "A. Technician", void=True))
    building.add(PartChanged("R1", "in", "10 Ω"), taken("R1", 11.0, 0.1))
    text = words_of(building.close())
    assert "[does not count from 2026-01-05 (A. Technician): leads were off]" in text
    assert "10 Ω ± 0.1 Ω no judgement 11 Ω ± 0.1 Ω" in text
    part = PartChanged("R1", "in", "10 Ω")
    read = (taken("R1", 1.0), taken("R1", 2.0), Corrected(2, "no", void=True), part, taken("R1", 3.0))
    assert [pair.before.value for pair in pairs_of(entries(*read)).values()] == [1.0]


def pictures(page: pikepdf.Page) -> list[pikepdf.Stream]:
    """Raster pictures that a page uses."""
    used = page.resources.get("/XObject", {})
    return [used[key] for key in used if used[key].get("/Subtype") == "/Image"]


def images_on(pdf: Path) -> list[int]:
    """How many pictures each page shows."""
    with pikepdf.open(pdf) as opened:
        return [len(pictures(page)) for page in opened.pages]


@pytest.mark.parametrize("paper", Paper)
def test_twelve_photographs_with_captions(tmp_path: Path, paper: Paper) -> None:
    session = whole_job(tmp_path / "a.benchlog", photographs=12)
    out = tmp_path / "a.pdf"
    make_document(session, out, Layout.FILE, paper)
    counts = images_on(out)
    assert sum(counts) == 12
    assert max(counts) <= 6
    text = re.sub(r"\s+", " ", " ".join(text_of(out)))
    assert all(f"Left output device {k} before work (part Q{k})" in text for k in range(1, 13))
    with pikepdf.open(out) as pdf:
        figures = [o for o in pdf.objects if isinstance(o, pikepdf.Dictionary) and o.get("/S") == "/Figure"]
        described = [str(f.Alt) for f in figures if "/Alt" in f]
    assert sum("before work" in text for text in described) == 12, "each has its words for who can't see it"


def test_the_customer_is_told_where_the_photographs_are(tmp_path: Path) -> None:
    session = Building(tmp_path / "a.benchlog").add(photograph(1), photograph(2)).close()
    assert "2 photographs are in the session inside this document" in words_of(session, Layout.CUSTOMER)
    assert sum(images_on(tmp_path / "a-customer.pdf")) == 0


def test_pictures_that_can_not_be_shown_are_no_failed_document(tmp_path: Path) -> None:
    broken = (b"", b"\x89PNG\r\n\x1a\n broken", png(8, 8)[:60], b"\xff\xd8\xff\xe0 no picture", b"GIF89a")
    building = Building(tmp_path / "a.benchlog")
    for number, data in enumerate(broken, 1):
        media_type = "image/jpeg" if data.startswith(b"\xff") else "image/png"
        taken_so = photograph(number, f"the broken one, {number}", data)
        building.add(msgspec.structs.replace(taken_so, media_type=media_type))
    session = building.add(photograph(9, "the whole one")).close()
    text = words_of(session)
    assert text.count("This photograph can\N{RIGHT SINGLE QUOTATION MARK}t be shown") == len(broken)
    assert all(f"the broken one, {number} (part Q{number})" in text for number in range(1, len(broken) + 1))
    assert sum(images_on(tmp_path / "a-file.pdf")) == 1
    assert verify_document(tmp_path / "a-file.pdf").ok


def test_without_the_customer_there_are_no_photographs(tmp_path: Path) -> None:
    session = Building(tmp_path / "a.benchlog").add(photograph(1, "door plate of the customer")).close()
    withhold(session, tmp_path / "b.benchlog")
    text = words_of(tmp_path / "b.benchlog")
    assert "door plate" not in text
    assert "1 photograph" in text
    assert sum(images_on(tmp_path / "b-file.pdf")) == 0
    with pikepdf.open(tmp_path / "b-file.pdf") as pdf:
        inside = pdf.attachments["b.benchlog"].get_file().read_bytes()
    assert png(320, 240, 1)[200:260] not in inside
    assert b"door plate" not in inside


def test_a_picture_exchanged_on_its_page_is_found(tmp_path: Path) -> None:
    session = Building(tmp_path / "a.benchlog").add(photograph(1)).close()
    out = tmp_path / "a.pdf"
    make_document(session, out)
    with pikepdf.open(out, allow_overwriting_input=True) as pdf:
        (image,) = pictures(pdf.pages[0])
        pixels = bytearray(image.read_bytes())
        pixels[0] ^= 0xFF
        image.write(bytes(pixels))
        pdf.save(out)
    assert "Page 1 was changed after it was made" in "\n".join(verify_document(out).faults)
