"""Whether a document is what its data say: the chain inside, the printed head, the printed pages.

    verify_document(path) -> Verification

The pages are laid out once more from the session inside and compared with those that are there: content,
fonts, pictures and notes, page by page.
"""

import re
import tempfile
from collections import Counter
from pathlib import Path

import msgspec

from benchlog.model.errors import BenchlogError
from benchlog.report.document import lay_out
from benchlog.report.pages import Attached, Printed, attached_session, read_document, take_apart
from benchlog.report.stamp import program, read_stamp
from benchlog.session.verification import Verification, verify

_STRANGE = (BenchlogError, msgspec.MsgspecError, ArithmeticError, LookupError, ValueError, TypeError)
"""What a session that was made to mislead may bring the layout to."""

_NUMBER = re.compile(r"[0-9a-f]{16,}|\d+(?:\.\d+)?")


def verify_document(path: Path) -> Verification:
    """Check a document; ``head`` of the result is that of the session inside.

    Each fault says what differs: the session against its chain, the printed head against the session's, or
    which page against the data. `SessionFault` where the file can't be read or holds no session.
    """
    data = read_document(path)
    attached = attached_session(data, path)
    with tempfile.TemporaryDirectory(prefix="benchlog-inside-") as folder:
        session = Path(folder) / "session.benchlog"
        session.write_bytes(attached.session)
        found = verify(session)
        faults = [f"The session inside: {fault}" for fault in found.faults]
        pages = _Pages()
        if faults or not _as_made(session, attached, data):
            pages = _printed(session, take_apart(data, path), found.head, path)
    faults += pages.faults
    return Verification(
        not faults and not pages.undecided, found.head, tuple(faults), found.links, found.readings,
        found.entries, found.withheld, pages.undecided, pages.notes,
    )  # fmt: skip


class _Pages(msgspec.Struct, frozen=True):
    """What comparing the pages with the session inside says."""

    faults: tuple[str, ...] = ()
    undecided: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


def _as_made(session: Path, attached: Attached, data: bytes) -> bool:
    """Whether the document is, byte for byte, the one that this version makes of the session inside."""
    try:
        layout, paper, by = read_stamp(attached.keywords)
        return by == program() and lay_out(session, attached.name, layout, paper)[0] == data
    except _STRANGE:
        return False


def _printed(session: Path, printed: Printed, head: str, path: Path) -> _Pages:
    """What is printed that the session inside does not say."""
    faults = _head_faults(printed, head)
    faults += [f"The document has {key[1:]}, which our documents do not have." for key in printed.active]
    pages = _compared(session, printed, path)
    return msgspec.structs.replace(pages, faults=(*faults, *pages.faults))


def _head_faults(printed: Printed, head: str) -> list[str]:
    if not printed.head:
        return ["No chain head is printed on the document."]
    if head and printed.head != head:
        return [
            f"The chain head printed on the document ({printed.head[:16]}…) is not that of the session "
            f"inside ({head[:16]}…): the session was exchanged, or its chain was made again."
        ]
    return []


def _compared(session: Path, printed: Printed, path: Path) -> _Pages:
    """Pages that are not those that the session inside gives."""
    try:
        layout, paper, by = read_stamp(printed.keywords)
    except ValueError:
        return _Pages(
            ("The document does not say how it was laid out: its pages can't be compared with the data.",)
        )
    try:
        again, _ = lay_out(session, printed.name, layout, paper, printed.head)
        wanted = take_apart(again, path)
    except _STRANGE as error:
        return _Pages((f"The pages can't be laid out again from the session inside: {error}",))
    if by != program():
        return _of_another_version(printed, wanted, by)
    return _Pages(tuple(_page_faults(printed, wanted)))


def _page_faults(printed: Printed, wanted: Printed) -> list[str]:
    faults = [
        _page_fault(number, printed.text(number - 1), wanted.text(number - 1))
        for number, (there, right) in enumerate(zip(printed.pages, wanted.pages, strict=False), 1)
        if there != right
    ]
    if len(printed.pages) != len(wanted.pages):
        faults.append(f"The document has {len(printed.pages)} pages; its data give {len(wanted.pages)}.")
    return faults


def _page_fault(number: int, there: str, right: str) -> str:
    """What differs, in the words of the page where they differ."""
    added = list((Counter(there.split()) - Counter(right.split())).elements())
    missing = list((Counter(right.split()) - Counter(there.split())).elements())
    if not added and not missing:
        return f"Page {number} was changed after it was made: its drawing is not the one that its data give."
    return (
        f"Page {number} was changed after it was made: it says {_some(added)}, its data say {_some(missing)}."
    )


def _some(words: list[str]) -> str:
    if not words:
        return "nothing"
    return ", ".join(f"'{w[:40]}'" for w in words[:5]) + (" …" if len(words) > 5 else "")


def _figures_in(printed: Printed) -> Counter[str]:
    texts = (printed.text(page) for page in range(len(printed.pages)))
    return Counter(_NUMBER.findall(" ".join(texts)))


def _of_another_version(printed: Printed, wanted: Printed, by: str) -> _Pages:
    """Of a document by another version of the program: believed where every page is the same.

    Else it is neither believed nor accused: the other version may print the same data otherwise.
    """
    note = (
        f"The document was laid out by another version of the program ({by}; this one is {program()}). The "
        "session inside was checked in full."
    )
    if printed.pages == wanted.pages:
        return _Pages(notes=(f"{note} Its pages are those that this version makes, too.",))
    strange = list((_figures_in(printed) - _figures_in(wanted)).elements())
    figures = (
        f"{len(strange)} printed figures are not among those that this version prints of the same data: "
        f"{_some(strange)}."
        if strange
        else "Every printed figure is among those that its data give, but words or drawing differ."
    )
    doubt = (
        "The other version may print the same data otherwise, or the pages were changed: this version can't "
        "tell. Check the document with the version that made it, or make it anew of the session inside."
    )
    return _Pages(undecided=(note, f"{figures} {doubt}"))
