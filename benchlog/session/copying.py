"""Copies of a session: compact ones to send or attach, and ones without the customer."""

import sqlite3
from collections.abc import Callable, Sequence
from pathlib import Path
from tempfile import TemporaryDirectory

import msgspec

from benchlog.model.event import KeyPressed
from benchlog.model.history import (
    Approved,
    Corrected,
    Entry,
    JobEnded,
    JobEntered,
    Noted,
    PartChanged,
    RunEnded,
    RunSaid,
    RunTold,
    Taken,
)
from benchlog.model.work import (
    Adjusted,
    Estimated,
    FinalChecked,
    FirstLook,
    Photographed,
    SafetyMeasured,
)
from benchlog.session.connection import check_new, sync
from benchlog.session.faults import mapped
from benchlog.session.reader import SessionReader

_CUSTOMER = (
    JobEntered, Approved, Noted, Corrected, JobEnded, Estimated, FirstLook, Photographed, SafetyMeasured,
)  # fmt: skip

_PROGRAM = ("recorder", "standby", "system", "rehearsal")
"""Who presses a key for the program itself; its reasons are none of anybody's words."""

_Pick = Callable[[Entry], bool]


def customer_data(entry: Entry) -> bool:
    """Entries that name a person, or hold words of one's own or a picture in which a name may stand."""
    match entry.payload:
        case PartChanged(note=words) | FinalChecked(seen=words) | Adjusted(conditions=words):
            return bool(words.strip())
        case Taken(checked=words):
            return bool(words.strip())
        case RunTold(event=KeyPressed() as key):
            return bool(_words_of(key))
        case _:
            return isinstance(entry.payload, _CUSTOMER)


def _words_of(key: KeyPressed) -> str:
    """The reason that was given with a key, where a person gave it."""
    return "" if key.by in _PROGRAM else key.reason.strip()


def _with_echoes(entries: Sequence[Entry]) -> _Pick:
    """Customer data, and what the limit watch says with the technician's reasons in it.

    A reason comes back in verdicts, in the records of steps and in the end of the run. A payload can't be
    withheld in part, since its digest is of the whole.
    """
    told = (e.payload.event for e in entries if isinstance(e.payload, RunTold))
    words = {_words_of(event) for event in told if isinstance(event, KeyPressed)} - {""}
    reasons = tuple(_inside(reason) for reason in words)

    def pick(entry: Entry) -> bool:
        if customer_data(entry):
            return True
        if not reasons or not isinstance(entry.payload, RunSaid | RunEnded):
            return False
        said = msgspec.json.encode(entry.payload).decode()
        return any(reason in said for reason in reasons)

    return pick


def _inside(text: str) -> str:
    """A text as it stands within a payload."""
    return msgspec.json.encode(text).decode()[1:-1]


def copy_session(path: Path, out: Path) -> None:
    """`SessionReader.copy_to` of a file that is not open yet."""
    with SessionReader(path) as reader:
        reader.copy_to(out)


def withhold(path: Path, out: Path, which: _Pick | None = None) -> tuple[int, ...]:
    """Write a copy without the payloads of the entries that ``which`` picks; returns their numbers.

    By default those of `customer_data`, and what repeats a reason that the technician gave.

    Their digests stay, so that the chain of the copy still verifies and its head is that of the original.
    The payloads and their salts are gone from every byte of the copy. Faults as `copy_session`.
    """
    check_new(out)
    with SessionReader(path) as reader:
        entries = reader.entries(photographs=False)
    pick = which or _with_echoes(entries)
    numbers = tuple(entry.seq for entry in entries if pick(entry))
    with mapped(out), TemporaryDirectory(dir=out.parent, prefix=".benchlog-") as folder:
        between = Path(folder) / "between.benchlog"
        copy_session(path, between)
        db = sqlite3.connect(between, isolation_level=None)
        try:
            db.execute("pragma journal_mode = memory")
            db.execute("pragma secure_delete = on")
            db.executemany(
                "update entry set payload = null, salt = null where seq = ?", [(n,) for n in numbers]
            )
            db.execute("vacuum into ?", (str(out),))
        finally:
            db.close()
        sync(out)
    return numbers
