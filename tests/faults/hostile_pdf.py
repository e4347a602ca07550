"""Documents as a stranger might send them: broken tables, streams that unpack to far more, odd files."""

import random
import re
import zlib
from pathlib import Path

BOMBS = ("bomb-1.z", "bomb-2.z", "bomb-3.z")
"""Among the models: zeros, packed once, twice and three times over."""


def write_bombs(folder: Path) -> None:
    """Streams of a few hundred kilobytes and less that unpack to 300 MB, to 2 GB, and to 20 GB."""
    packer = zlib.compressobj(9)
    once = b"".join(packer.compress(bytes(10_000_000)) for _ in range(30)) + packer.flush()
    for name, again in zip(BOMBS, (0, 1, 2), strict=True):
        data = once
        for _ in range(again):
            data = zlib.compress(data * 8, 9)
        (folder / name).write_bytes(data)
    (folder / "text.z").write_bytes(zlib.compress(b"BT (x) Tj ET q Q\n" * 2_000_000))


def _document(objects: list[bytes], trailer: bytes = b"") -> bytes:
    """A document of these objects, numbered from 1; the first is its root."""
    out, places = b"%PDF-1.7\n", []
    for number, body in enumerate(objects, 1):
        places.append(len(out))
        out += b"%d 0 obj\n%s\nendobj\n" % (number, body)
    start = len(out)
    out += b"xref\n0 %d\n0000000000 65535 f \n" % (len(objects) + 1)
    out += b"".join(b"%010d 00000 n \n" % place for place in places)
    return out + b"trailer\n<< /Size %d /Root 1 0 R %s >>\nstartxref\n%d\n%%%%EOF\n" % (
        len(objects) + 1, trailer, start,
    )  # fmt: skip


def _stream(data: bytes, more: bytes = b"") -> bytes:
    return b"<< /Length %d %s >>\nstream\n%s\nendstream" % (len(data), more, data)


def _with(name: bytes, content: bytes, pages: bytes = b"<< /Type /Pages /Count 0 /Kids [] >>") -> list[bytes]:
    """Objects of a document with one file attached."""
    return [
        b"<< /Type /Catalog /Pages 2 0 R /Names << /EmbeddedFiles << /Names [(%s) 3 0 R] >> >> >>" % name,
        pages,
        b"<< /Type /Filespec /F (%s) /UF (%s) /EF << /F 4 0 R >> >>" % (name, name),
        content,
    ]


def _session(models: Path) -> bytes:
    return min(models.glob("*.benchlog"), key=lambda p: p.stat().st_size).read_bytes()


def _attached_bomb(generator: random.Random, models: Path) -> bytes:
    filters = generator.choice((1, 2, 3))
    names = b"/Filter [" + b"/FlateDecode " * filters + b"]"
    return _document(_with(b"a.benchlog", _stream((models / BOMBS[filters - 1]).read_bytes(), names)))


def _page_bomb(generator: random.Random, models: Path) -> bytes:
    pages = b"<< /Type /Pages /Count 1 /Kids [5 0 R] >>"
    page = b"<< /Type /Page /Parent 2 0 R /MediaBox [0 0 9 9] /Contents 6 0 R /Resources << >> >>"
    many = generator.choice((BOMBS[0], "text.z"))
    content = _stream((models / many).read_bytes(), b"/Filter /FlateDecode")
    return _document([*_with(b"a.benchlog", _stream(_session(models)), pages), page, content])


def _many_pages(generator: random.Random, models: Path) -> bytes:
    """A tree of pages that leads back to itself, or holds each page a hundred thousand times."""
    kids = generator.choice((b"2 0 R", b"5 0 R " * 100_000, b"5 0 R 2 0 R", b"[5 0 R]"))
    pages = b"<< /Type /Pages /Count %d /Kids [%s] /Parent 2 0 R >>" % (
        generator.choice((1, 2**31, -5)),
        kids,
    )
    page = b"<< /Type /Page /Parent 2 0 R /MediaBox [0 0 9 9] /Resources 5 0 R >>"
    return _document([*_with(b"a.benchlog", _stream(_session(models)), pages), page])


def _layers(generator: random.Random, models: Path) -> bytes:
    """Objects of which each names the next twice: 2ⁿ ways through them."""
    pages = b"<< /Type /Pages /Count 1 /Kids [5 0 R] >>"
    page = b"<< /Type /Page /Parent 2 0 R /MediaBox [0 0 9 9] /Resources << /A 6 0 R /B 6 0 R >> >>"
    depth = generator.choice((10, 50, 400))
    chain = [b"<< /A %d 0 R /B %d 0 R >>" % (n + 7, n + 7) for n in range(depth)]
    nested = b"<< /A " * 2_000 + b"1" + b" >>" * 2_000
    last = generator.choice((b"<< /A 6 0 R >>", nested, b"[" * 5_000 + b"]" * 5_000))
    return _document([*_with(b"a.benchlog", _stream(_session(models)), pages), page, *chain, last])


def _names(generator: random.Random, models: Path) -> bytes:
    """An attachment by a name that leads elsewhere, or many of them, or a list of names without an end."""
    name = generator.choice(
        (
            b"../../../../tmp/out.benchlog",
            b"/tmp/out.benchlog",
            b"a\\000.benchlog",
            b"C:\\\\x.benchlog",
            b".benchlog",
        )
    )
    objects = _with(name, _stream(_session(models)))
    if generator.random() < 0.4:
        objects[0] = b"<< /Type /Catalog /Pages 2 0 R /Names << /EmbeddedFiles 5 0 R >> >>"
        objects.append(b"<< /Kids [5 0 R 5 0 R] /Names [(a.benchlog) 3 0 R] >>")
    return _document(objects)


def _encrypted(generator: random.Random, models: Path) -> bytes:
    """It says that it is encrypted, by any of the ways there are."""
    version = generator.choice((1, 2, 4, 5, 9))
    entry = b"/Encrypt << /Filter /Standard /V %d /R %d /O (%s) /U (%s) /P -1 /Length %d >> /ID [(a) (a)]" % (
        version, generator.choice((2, 3, 4, 6)), b"x" * 32, b"y" * 32,
        generator.choice((40, 128, 256, 2**31)),
    )  # fmt: skip
    return _document(_with(b"a.benchlog", _stream(_session(models))), entry)


def _tables(generator: random.Random, models: Path) -> bytes:
    """Tables of objects that lead back to themselves, count without an end, or point nowhere."""
    plain = _document(_with(b"a.benchlog", _stream(_session(models))))
    start = int(re.findall(rb"startxref\n(\d+)", plain)[-1])
    return generator.choice(
        (
            plain.replace(
                b"startxref\n%d" % start, b"startxref\n%d" % generator.choice((0, 5, 2**60, start - 3))
            ),
            _document(_with(b"a.benchlog", _stream(_session(models))), b"/Prev %d" % start),
            plain.replace(b"xref\n0 5", b"xref\n0 99999999"),
            plain.replace(b"/Size 5", b"/Size 999999999999"),
            plain.replace(b"/Length ", b"/Length 9999999"),
            plain.replace(b"/Length ", b"/Length 4 0 R %"),
            plain.replace(b"/Root 1 0 R", b"/Root 3 0 R"),
            plain[: len(plain) // 2],
            plain + b"\n%PDF-1.7" * 1_000,
            b"%PDF-1.7\n" + b"1 0 obj << /A 1 0 R >> endobj\n" * 20_000,
            b"%PDF-" + b"(" * 1_000_000,
            b"%PDF-" + generator.randbytes(20_000),
        )
    )


_WAYS = (_attached_bomb, _page_bomb, _many_pages, _layers, _names, _encrypted, _tables, _tables)


def make_pdf(generator: random.Random, folder: Path, models: Path) -> Path:
    """A document: one of ours, damaged, or one made to mislead."""
    from hostile_files import damage

    path = folder / "hostile.pdf"
    if generator.random() < 0.4:
        path.write_bytes(damage((models / "document.pdf").read_bytes(), generator))
    else:
        path.write_bytes(generator.choice(_WAYS)(generator, models))
    return path
