"""Photographs: told to be pictures by their signature and by decoding them, limited, stripped where asked.

Signatures: JPEG begins FF D8 FF (ISO/IEC 10918-1), PNG with eight fixed bytes (ISO/IEC 15948).
"""

import hashlib
import io
import zlib
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from benchlog.job import photograph
from benchlog.job.photograph import (
    known_photographs,
    new_photographs,
    photograph_of,
    read_photograph,
    says_where,
)
from benchlog.model.errors import EnvironmentFault, UsageError
from benchlog.model.history import Entry, Withheld
from benchlog.model.job import Job
from benchlog.model.work import Photographed
from benchlog.session.copying import withhold
from benchlog.session.reader import SessionReader
from benchlog.session.verification import verify
from benchlog.session.writer import SessionWriter

WALL = datetime(2026, 1, 5, 9, 0, tzinfo=UTC)
MAKER, ORIENTATION, PLACE = 0x010F, 0x0112, 0x8825


def picture(
    size: tuple[int, int] = (40, 30), kind: str = "JPEG", noise: bool = False, exif: bool = True
) -> bytes:
    """A picture with the metadata that telephones put in."""
    shape = (size[1], size[0], 3)
    pixels = np.full(shape, 90, np.uint8)
    if noise:
        pixels = np.random.default_rng(1).integers(0, 255, shape, np.uint8)
    out = io.BytesIO()
    tags = Image.Exif()
    if exif:
        tags[MAKER] = "Invented Telephone"
        tags[ORIENTATION] = 6  # lying on its side
        tags.get_ifd(PLACE)[1] = "N"
    Image.fromarray(pixels).save(out, kind, exif=tags, quality=95)
    return out.getvalue()


@pytest.mark.parametrize(("kind", "media"), [("JPEG", "image/jpeg"), ("PNG", "image/png")])
def test_a_photograph_is_stored_as_it_is(kind: str, media: str) -> None:
    data = picture(kind=kind)
    made = photograph_of(data, "IMG 1")
    assert made.data == data
    assert made.sha256 == hashlib.sha256(data).hexdigest()
    assert (made.media_type, made.width, made.height) == (media, 30, 40)
    assert not (made.reduced or made.stripped)
    assert says_where(made)


@pytest.mark.parametrize("kind", ["JPEG", "PNG"])
def test_metadata_is_left_out_on_request_and_the_picture_stands_upright(kind: str) -> None:
    data = picture(kind=kind)
    assert b"Invented Telephone" in data
    made = photograph_of(data, "IMG 1", strip=True)
    assert made.stripped
    assert made.original_sha256 == hashlib.sha256(data).hexdigest()
    assert b"Invented Telephone" not in made.data
    assert not says_where(made)
    with Image.open(io.BytesIO(made.data)) as again:
        assert again.size == (30, 40) == (made.width, made.height)
        assert not again.getexif()
        assert again.getpixel((3, 3)) == pytest.approx((90, 90, 90), abs=3)


def test_a_large_one_is_made_smaller(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(photograph, "MOST_STORED", 5_000)
    monkeypatch.setattr(photograph, "LONGEST", (200, 60))
    data = picture((400, 300), noise=True)
    assert len(data) > 5_000
    made = photograph_of(data, "IMG 1")
    assert made.reduced
    assert len(made.data) <= 5_000
    assert (made.width, made.height) == (45, 60)
    monkeypatch.setattr(photograph, "MOST_STORED", 100)
    with pytest.raises(UsageError, match="can't be made smaller"):
        photograph_of(data, "IMG 1")


def bomb() -> bytes:
    """A small PNG that says it has 65 000 × 65 000 pixels."""

    def chunk(name: bytes, body: bytes) -> bytes:
        return len(body).to_bytes(4, "big") + name + body + zlib.crc32(name + body).to_bytes(4, "big")

    head = (65_000).to_bytes(4, "big") * 2 + bytes((8, 2, 0, 0, 0))
    return (
        b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(b"")) + chunk(b"IEND", b"")
    )


@pytest.mark.parametrize(
    "data",
    [b"", b"hello", b"\xff\xd8\xff", b"\x89PNG\r\n\x1a\n", b"GIF89a" + bytes(50), picture()[:300],
     picture(kind="PNG")[:120], picture()[:3] + b"x" * 400, bomb(), b"%PDF-1.7"],
)  # fmt: skip
def test_what_is_no_photograph_is_told(data: bytes) -> None:
    with pytest.raises(UsageError, match="IMG 1"):
        photograph_of(data, "IMG 1")


def test_files_that_are_not_there_or_too_large(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(EnvironmentFault, match="can't be read"):
        read_photograph(tmp_path / "missing.jpg")
    with pytest.raises(EnvironmentFault, match="can't be read"):
        new_photographs(tmp_path / "missing")
    (tmp_path / "a.jpg").write_bytes(picture())
    monkeypatch.setattr(photograph, "MOST_BYTES", 10)
    with pytest.raises(UsageError, match="more than"):
        read_photograph(tmp_path / "a.jpg")


def test_a_folder_gives_only_what_is_new(tmp_path: Path) -> None:
    (tmp_path / "b.JPG").write_bytes(picture())
    (tmp_path / "a.png").write_bytes(picture(kind="PNG"))
    (tmp_path / "notes.txt").write_text("no picture", encoding="utf-8")
    first, second = new_photographs(tmp_path)
    assert (first.name, second.name) == ("a.png", "b.JPG")
    kept = read_photograph(second, strip=True)
    entry = Entry(1, 1, WALL, kept)
    assert new_photographs(tmp_path, known_photographs([entry])) == (first,)


def test_the_chain_covers_it_and_a_copy_may_be_without_it(tmp_path: Path) -> None:
    path, copy = tmp_path / "job.benchlog", tmp_path / "copy.benchlog"
    writer = SessionWriter.create(path, Job("J-1", invented=True), WALL)
    made = photograph_of(picture(), "IMG 1")
    writer.add_entry(made, None, WALL)
    writer.commit()
    writer.close()
    with SessionReader(path) as reader:
        assert reader.entries()[1].payload == made
        bare = reader.entries(photographs=False)[1].payload
        assert isinstance(bare, Photographed)
        assert bare.data == b""
        assert bare.sha256 == made.sha256
        assert [e.payload for e in reader.photographs()] == [made]
        head = reader.head()
    assert withhold(path, copy) == (1, 2)
    found = verify(copy)
    assert found.ok
    assert found.head == head
    with SessionReader(copy) as reader:
        assert reader.entries()[1].payload == Withheld("photograph")
        assert reader.entries(photographs=False)[1].payload == Withheld("photograph")
        assert reader.photographs() == ()
    assert made.data not in copy.read_bytes()
