"""Where a session stands when its writer begins: counters, the head of the chain, the time axis."""

import sqlite3
from dataclasses import dataclass, field
from datetime import UTC, datetime

from benchlog.model.clock import US, microseconds
from benchlog.model.job import Job
from benchlog.model.quantity import Quantity
from benchlog.model.reading import Channel, Setting
from benchlog.model.role import Role
from benchlog.session.batch import Cell, Ids
from benchlog.session.chain import FIRST, PACK
from benchlog.session.summary import Tail
from benchlog.session.timeaxis import MOST_US


@dataclass(slots=True)
class State:
    """What the writer counts on from."""

    start_us: int = 0
    entries: int = 0
    waves: int = 0
    links: int = 0
    head: bytes = FIRST
    last_us: int = 0
    """Latest instant in the session."""
    anchor_us: int = -1
    ids: Ids = field(default_factory=Ids)
    tails: dict[int, Tail] = field(default_factory=dict)


def begin(session_id: bytes, wall: datetime, program: str, job: Job) -> list[tuple[Cell, ...]]:
    """Rows that say what a new session is, so that a copy with the job withheld still says simulated."""
    facts = {
        "created": wall.isoformat(),
        "invented": "yes" if job.invented else "no",
        "program": program,
        "session": session_id.hex(),
        "simulated": "yes" if job.simulated else "no",
    }
    return sorted(facts.items())


def resume(db: sqlite3.Connection, wall: datetime) -> State:
    """The state of a session that exists; a new sitting begins at ``start_us``.

    The axis goes on by the wall-clock time that has passed since the first anchor, and at least one
    second after everything that is there.
    """
    state = State()
    state.entries = db.execute("select ifnull(max(seq), 0) from entry").fetchone()[0]
    state.waves = db.execute("select ifnull(max(id), 0) from wave").fetchone()[0]
    state.links, state.head = db.execute("select seq, digest from chain order by seq desc limit 1").fetchone()
    state.last_us = db.execute("select max(t_us) from chain").fetchone()[0]
    state.anchor_us = db.execute("select ifnull(max(t_us), -1) from anchor").fetchone()[0]
    first_us, unix_us = db.execute("select t_us, unix_us from anchor order by t_us limit 1").fetchone()
    passed_s = (wall - datetime.fromtimestamp(unix_us / 1e6, UTC)).total_seconds()
    state.start_us = max(first_us + microseconds(passed_s), state.last_us + US)
    _take_channels(db, state)
    if max(state.entries, state.waves, state.links, state.last_us, state.start_us) > MOST_US:
        raise ValueError("a number beyond any session")
    return state


def _take_channels(db: sqlite3.Connection, state: State) -> None:
    for number, role, quantity, instrument in db.execute(
        "select id, role, quantity, instrument from channel order by id"
    ).fetchall():
        state.ids.channels[Channel(Role(role), Quantity(quantity), instrument)] = number
        state.tails[number] = _tail(db, number)
        last = db.execute("select max(t_us) from reading where channel = ?", (number,)).fetchone()[0]
        if last is not None:
            state.ids.last_us[number] = last
    for number, channel, *rest in db.execute(
        "select id, channel, range, resolution, aperture_us, turns, test_frequency_hz, note from setting"
    ).fetchall():
        state.ids.settings[channel, Setting(*rest)] = number


def _tail(db: sqlite3.Connection, channel: int) -> Tail:
    block, last_us = db.execute(
        "select ifnull(max(block), -1) + 1, max(last_us) from summary where channel = ?", (channel,)
    ).fetchone()
    rows = db.execute(
        "select t_us, took_us, late_us, ifnull(value, 9e999), status, setting from reading"
        " where channel = ? and t_us > ? order by t_us",
        (channel, -(1 << 62) if last_us is None else last_us),
    ).fetchall()
    return Tail(channel, block, last_us, bytearray(b"".join(PACK.pack(*row) for row in rows)))
