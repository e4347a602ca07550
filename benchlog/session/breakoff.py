"""A recording that broke off: told from the session itself, with what may be missing."""

import sqlite3
from dataclasses import dataclass
from datetime import datetime

from benchlog.model.history import RunEnded
from benchlog.model.step import Outcome
from benchlog.session.timeaxis import anchor_of, wall_of

RUN_LOST_S = 0.3
"""Readings of a bring-up are committed each 0.25 s of real time; with the commit itself."""
SOAK_LOST_S = 1.1
"""In a soak each second."""


@dataclass(frozen=True, slots=True)
class BreakOff:
    """A bring-up that has no end in its session, because nobody was left to write one."""

    t_us: int
    """Instant of the last that is stored."""
    wall: datetime
    """Its wall-clock time."""
    lost_s: float
    """Real seconds of readings after it that may be missing, at most."""
    in_soak: bool

    def __str__(self) -> str:
        """In two sentences, for screen, history and document."""
        stage = "soak" if self.in_soak else "bring-up"
        return (
            f"The recording broke off in the {stage}: the last that is stored is of {self.wall:%H:%M:%S}. "
            f"Up to {self.lost_s:g} s of readings after it and one line of the history may be missing."
        )

    def entry(self) -> RunEnded:
        """What ends it in the history, in the place of the end that was never written."""
        return RunEnded(
            Outcome.UNDECIDED,
            str(self),
            (),
            not_tested=("Anything that was not reached before it broke off.",),
        )


def broken_off(db: sqlite3.Connection) -> BreakOff | None:
    """How the last bring-up broke off; None where it has its end, or none was begun.

    Meaningful of a session that nobody records at the moment. Only the last sitting can have broken off:
    who goes on with a session ends what broke off first.
    """
    begun, ended = (
        db.execute("select ifnull(max(seq), 0) from entry where kind = ?", (kind,)).fetchone()[0]
        for kind in ("run-begun", "run-ended")
    )
    if begun <= ended:
        return None
    t_us = int(db.execute("select max(t_us) from chain").fetchone()[0])
    soak = db.execute(
        "select count(*) from entry where seq > ? and kind = 'said'"
        ' and payload like \'%"type":"marked"%"what":"soak%\'',
        (begun,),
    ).fetchone()[0]
    anchors = [
        anchor_of(*row)
        for row in db.execute("select t_us, unix_us, offset_s, scale from anchor order by t_us").fetchall()
    ]
    return BreakOff(t_us, wall_of(anchors, t_us), SOAK_LOST_S if soak else RUN_LOST_S, bool(soak))
