"""One commit: a batch made ready for the tables, then stored in one transaction or not at all."""

import sqlite3
from dataclasses import dataclass, replace

from benchlog.session import summary
from benchlog.session.batch import COLUMNS, Batch, link_of
from benchlog.session.resume import State
from benchlog.session.summary import Tail

Statement = tuple[str, list[tuple[object, ...]]]


@dataclass(frozen=True, slots=True)
class Prepared:
    """A batch with its link, ready to be stored as often as it takes."""

    batch: Batch
    seq: int
    digest: bytes
    statements: tuple[Statement, ...]
    tails: dict[int, Tail]


def _insert(table: str, columns: str) -> str:
    marks = ", ".join("?" * (columns.count(",") + 1))
    return f"insert into {table} ({columns}) values ({marks})"


def prepare(batch: Batch, state: State) -> Prepared:
    """The link that follows the state's head, and every row that goes with it."""
    seq = state.links + 1
    packed = batch.packed()
    text, digest = link_of(seq, state.head, batch, packed)
    tails = {channel: replace(state.tails.get(channel, Tail(channel))) for channel in packed}
    blocks = [row for channel, rows in packed.items() for row in tails[channel].take(rows)]
    statements: list[Statement] = []
    for table, columns in COLUMNS.items():
        rows = [(*row, seq) for row in batch.rows[table]] if table != "meta" else list(batch.rows[table])
        if table == "entry":
            columns += ", link, salt, payload"
            rows = [(*row, *batch.payloads[int(row[0])]) for row in rows]  # type: ignore[arg-type]
        elif table != "meta":
            columns += ", link"
        statements.append((_insert(table, columns), list(rows)))
    statements.append(
        (_insert("reading", "channel, t_us, took_us, late_us, value, status, setting"), list(batch.readings))
    )
    statements.append((_insert("summary", summary.COLUMNS), list(blocks)))
    statements.append((_insert("wave_block", "wave, block, v, i"), list(batch.blocks)))
    statements.append((_insert("chain", "seq, t_us, readings, digest"), [(seq, batch.t_us, text, digest)]))
    return Prepared(batch, seq, digest, tuple(s for s in statements if s[1]), tails)


def is_stored(db: sqlite3.Connection, prepared: Prepared) -> bool:
    """Whether a commit that reported a fault reached the disk after all."""
    row = db.execute("select digest from chain where seq = ?", (prepared.seq,)).fetchone()
    return row is not None and row[0] == prepared.digest


def store(db: sqlite3.Connection, prepared: Prepared) -> None:
    """Store it in one transaction. On an error nothing of it is stored."""
    try:
        db.execute("begin immediate")
        for sql, rows in prepared.statements:
            db.executemany(sql, rows)
        db.execute("commit")
    except sqlite3.Error:
        if db.in_transaction:
            db.execute("rollback")
        raise
