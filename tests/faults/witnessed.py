"""The ``benchlog`` command with a witness: what its session was given, and what is said to be stored.

    python tests/faults/witnessed.py WITNESS COMMAND …

Lines of the witness file, appended by one system call each, so that a kill of this process loses none that
was written: ``r NS ROLE T_US`` a reading handed to the recorder's writer · ``B NS`` the writer begins to save
what it was handed · ``C NS`` it has saved · ``e NS SEQ`` an entry added to the session · ``b NS`` a commit
begins · ``c NS`` it has returned. A reading handed over before a ``B`` whose ``C`` is there must be in the
file, and an entry added before a ``b`` whose ``c`` is there.
"""

import os
import sys
import time
from typing import Any

from benchlog.cli.main import main
from benchlog.model.history import Entry
from benchlog.model.reading import Reading
from benchlog.recorder.writer import Writer
from benchlog.session.writer import SessionWriter


def watch(path: str) -> None:
    """Have every writer of this process tell the witness."""
    out = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o644)
    add_reading, save = Writer.add_reading, Writer._save
    add_entry, commit = SessionWriter.add_entry, SessionWriter.commit

    def tell(*words: object) -> None:
        os.write(out, " ".join(map(str, words)).encode() + b"\n")

    def reading(self: Writer, given: Reading, told_us: int) -> None:
        add_reading(self, given, told_us)
        tell("r", time.monotonic_ns(), given.channel.name, given.end_us)

    def saved(self: Writer) -> None:
        tell("B", time.monotonic_ns())
        save(self)
        if not self.trouble:
            tell("C", time.monotonic_ns())

    def entry(self: SessionWriter, *given: Any, **named: Any) -> Entry:
        added = add_entry(self, *given, **named)
        tell("e", time.monotonic_ns(), added.seq)
        return added

    def committed(self: SessionWriter) -> bool:
        tell("b", time.monotonic_ns())
        stored = commit(self)
        tell("c", time.monotonic_ns())
        return stored

    Writer.add_reading = reading  # type: ignore[method-assign]
    Writer._save = saved  # type: ignore[method-assign]
    SessionWriter.add_entry = entry  # type: ignore[method-assign]
    SessionWriter.commit = committed  # type: ignore[method-assign]


if __name__ == "__main__":
    watch(sys.argv[1])
    sys.exit(main(sys.argv[2:]))
