"""Rows out of the pages of a damaged SQLite file, without SQLite.

Every page is looked at by itself, whatever the file's header, tree or free list say of it; what does not
read as a row is passed over. Layout of pages, cells and records: the "Database File Format" page of the
SQLite documentation, sections 1.6 (b-tree pages), 2.1 (record format) and 4.1 (write-ahead log).
Pure: bytes in, rows out.
"""

import struct
from collections.abc import Callable, Iterator
from dataclasses import dataclass

Cell = None | int | float | str | bytes
Row = tuple[Cell, ...]

INDEX_INTERIOR, INDEX_LEAF, TABLE_LEAF = 0x02, 0x0A, 0x0D

_HEADER = 100
_WAL_HEADER, _FRAME_HEADER = 32, 24


@dataclass(frozen=True, slots=True)
class Carved:
    """A row that was found, and in what kind of page."""

    page_kind: int
    rowid: int
    """0 in a table without row numbers."""
    cells: Row


class Pages:
    """The pages of a file and of the write-ahead log beside it."""

    def __init__(self, file: bytes, log: bytes = b"") -> None:
        """Whole contents of both; either may be damaged or cut short."""
        self._file = file
        self.size = _page_size(file, log)
        self._frames = _frames(log, self.size)
        self._latest = dict(self._frames)

    def each(self) -> Iterator[tuple[int, bytes]]:
        """Every page with its number, those of the file first."""
        for number in range(1, -(-len(self._file) // self.size) + 1):
            yield number, self._of_file(number)
        yield from self._frames

    def _of_file(self, number: int) -> bytes:
        page = self._file[(number - 1) * self.size : number * self.size]
        return page.ljust(self.size, b"\0")

    def get(self, number: int) -> bytes | None:
        """A page by its number, the newest there is; None where there is none."""
        if number in self._latest:
            return self._latest[number]
        return self._of_file(number) if 0 < number <= -(-len(self._file) // self.size) else None


def _page_size(file: bytes, log: bytes) -> int:
    sizes = [int.from_bytes(file[16:18], "big"), int.from_bytes(log[8:12], "big")]
    right = [size for size in sizes if 512 <= size <= 32768 and size & (size - 1) == 0]
    return right[0] if right else 4096


def _frames(log: bytes, size: int) -> list[tuple[int, bytes]]:
    step = _FRAME_HEADER + size
    starts = range(_WAL_HEADER, len(log) - step + 1, step)
    return [(int.from_bytes(log[at : at + 4], "big"), log[at + _FRAME_HEADER : at + step]) for at in starts]


def _varint(data: bytes, at: int) -> tuple[int, int]:
    """A variable-length integer and where it ends. `IndexError` at the end of the data."""
    value = 0
    for count in range(8):
        byte = data[at + count]
        value = value << 7 | byte & 0x7F
        if byte < 0x80:
            return value, at + count + 1
    return value << 8 | data[at + 8], at + 9


_INTEGER_SIZES = {1: 1, 2: 2, 3: 3, 4: 4, 5: 6, 6: 8}


def _cell(kind: int, data: bytes, at: int) -> tuple[Cell, int]:
    if kind in _INTEGER_SIZES:
        end = at + _INTEGER_SIZES[kind]
        return int.from_bytes(data[at:end], "big", signed=True), end
    if kind == 7:
        return struct.unpack_from(">d", data, at)[0], at + 8
    if kind in (0, 8, 9):
        return (None, 0, 1)[(0, 8, 9).index(kind)], at
    if kind < 12:
        raise ValueError("reserved")
    end = at + (kind - 12) // 2
    if end > len(data):
        raise ValueError("beyond the end")
    return (data[at:end].decode() if kind % 2 else data[at:end]), end


def record(payload: bytes) -> Row:
    """The cells of a record. `ValueError`, `IndexError` or `struct.error` where it is none."""
    end, at = _varint(payload, 0)
    kinds = []
    while at < end:
        kind, at = _varint(payload, at)
        kinds.append(kind)
    if at != end or not kinds:
        raise ValueError("no record")
    cells: list[Cell] = []
    for kind in kinds:
        value, at = _cell(kind, payload, at)
        cells.append(value)
    if at != len(payload):
        raise ValueError("no record")
    return tuple(cells)


def _local(length: int, usable: int, kind: int) -> int:
    """How much of a payload lies in its page; the rest is in overflow pages."""
    most = usable - 35 if kind == TABLE_LEAF else (usable - 12) * 64 // 255 - 23
    if length <= most:
        return length
    least = (usable - 12) * 32 // 255 - 23
    fitting = least + (length - least) % (usable - 4)
    return fitting if fitting <= most else least


def _payload(page: bytes, at: int, length: int, kind: int, pages: Pages) -> bytes:
    local = _local(length, pages.size, kind)
    parts = [page[at : at + local]]
    missing = length - local
    following = int.from_bytes(page[at + local : at + local + 4], "big") if missing else 0
    while missing > 0:
        overflow = pages.get(following)
        if overflow is None or missing > length:
            raise ValueError("overflow page missing")
        part = overflow[4 : 4 + missing]
        parts.append(part)
        missing -= len(part)
        following = int.from_bytes(overflow[:4], "big")
    return b"".join(parts)


def _row(page: bytes, at: int, kind: int, pages: Pages, most: int) -> Carved:
    if kind == INDEX_INTERIOR:
        at += 4
    length, at = _varint(page, at)
    rowid = 0
    if kind == TABLE_LEAF:
        rowid, at = _varint(page, at)
    if not 0 < length <= most:
        raise ValueError("no payload")
    return Carved(kind, rowid, record(_payload(page, at, length, kind, pages)))


def carve(pages: Pages, wanted: Callable[[int], bool], most: int = 64_000_000) -> Iterator[Carved]:
    """Every row of every page of a wanted kind; a row longer than ``most`` bytes is passed over."""
    for number, page in pages.each():
        start = _HEADER if number == 1 else 0
        kind = page[start]
        if kind not in (INDEX_INTERIOR, INDEX_LEAF, TABLE_LEAF) or not wanted(kind):
            continue
        pointers = start + (12 if kind == INDEX_INTERIOR else 8)
        count = min(int.from_bytes(page[start + 3 : start + 5], "big"), (len(page) - pointers) // 2)
        for (at,) in struct.iter_unpack(">H", page[pointers : pointers + 2 * count]):
            try:
                yield _row(page, at, kind, pages, most)
            except (ValueError, IndexError, struct.error):
                continue
