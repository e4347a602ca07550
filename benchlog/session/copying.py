"""Copies of a session: compact ones to send or attach, and ones without the customer."""

import sqlite3
from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory

from benchlog.model.history import Approved, Corrected, Entry, JobEnded, JobEntered, Noted
from benchlog.model.work import Estimated, FirstLook, Photographed
from benchlog.session.connection import check_new, sync
from benchlog.session.faults import mapped
from benchlog.session.reader import SessionReader

_CUSTOMER = (JobEntered, Approved, Noted, Corrected, JobEnded, Estimated, FirstLook, Photographed)


def customer_data(entry: Entry) -> bool:
    """Entries that name the customer, or hold words of one's own or a picture in which a name may stand."""
    return isinstance(entry.payload, _CUSTOMER)


def copy_session(path: Path, out: Path) -> None:
    """`SessionReader.copy_to` of a file that is not open yet."""
    with SessionReader(path) as reader:
        reader.copy_to(out)


def withhold(path: Path, out: Path, which: Callable[[Entry], bool] = customer_data) -> tuple[int, ...]:
    """Write a copy without the payloads of the entries that ``which`` picks; returns their numbers.

    Their digests stay, so that the chain of the copy still verifies and its head is that of the original.
    The payloads and their salts are gone from every byte of the copy. Faults as `copy_session`.
    """
    check_new(out)
    with SessionReader(path) as reader:
        numbers = tuple(entry.seq for entry in reader.entries(photographs=False) if which(entry))
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
