"""Recorded readings as an instrument: a session file or a CSV table, played at the pace it was recorded."""

import csv
import sqlite3
import time
from collections.abc import Iterator, Sequence
from contextlib import closing
from pathlib import Path

from benchlog.bench.adaptor import Identity
from benchlog.bench.file import InstrumentConfig
from benchlog.model.clock import US, Clock, microseconds
from benchlog.model.errors import LinkLost, PortRefused, UsageError
from benchlog.model.quantity import Quantity
from benchlog.model.reading import Channel, Measured, Reading, Setting, Status, Unusable
from benchlog.model.textfile import read_bounded
from benchlog_drivers.adaptors.channels import NOT_MEASURING, ROLE_QUANTITY
from benchlog_drivers.codecs.played import PlayedRow, read_csv

STATUS_CODES = {
    1: Status.OVERLOAD,
    2: Status.OPEN_LEADS,
    3: Status.NOT_A_NUMBER,
    4: Status.GARBLED,
    5: Status.STALE,
    6: Status.AUTORANGING,
    7: Status.REFUSED,
}
"""How a session file stores a status; 0 is a valid reading."""

_SLICE_S = 0.02
_FAULTS = (OSError, ValueError, TypeError, OverflowError, csv.Error, sqlite3.Error)
"""What a file from a stranger may lead to."""
_MOST_BYTES = 300_000_000
"""Of a CSV file."""
_MOST_ROWS = 10_000_000
_TABLES = "select count(*) from sqlite_master where type = 'table' and sql like 'create table %'"
_OURS = " and name in ('reading', 'channel', 'setting')"
_QUERY = (
    "select r.t_us, r.took_us, r.value, r.status, s.range, s.resolution from reading r"
    " join channel c on c.id = r.channel left join setting s on s.id = r.setting"
    " where c.role = ? and c.quantity = ? order by r.t_us"
)


class PlayedBack:
    """Implements `benchlog.bench.adaptor.Meter`. The first reading comes when it is opened."""

    def __init__(self, config: InstrumentConfig, clock: Clock) -> None:
        """``config.connection`` is the file; ``config.profile`` the quantity."""
        roles = [role for role in config.roles if role not in NOT_MEASURING]
        if not roles or not config.connection:
            raise UsageError(
                f"The instrument {config.name!r} needs a file as its connection and a role that measures."
            )
        named = Quantity(config.profile) if config.profile else None
        quantities = [named or ROLE_QUANTITY.get(role, Quantity.RESISTANCE) for role in roles]
        pairs = zip(roles, quantities, strict=True)
        self.channels: tuple[Channel, ...] = tuple(Channel(role, one, config.name) for role, one in pairs)
        self.period_s = 1.0
        self._config, self._clock = config, clock
        self._rows: list[PlayedRow] = []
        self._next = 0
        self._begun_us = 0
        self._first_s = 0.0

    def open(self) -> Identity:
        """Read the file. `PortRefused` when it can't be read, or holds nothing that fits."""
        path = Path(self._config.connection).expanduser()
        try:
            rows = [row for channel in self.channels for row in _rows(path, channel)]
        except _FAULTS as error:
            raise PortRefused(f"{self._config.name}: {path} can't be played back: {error}.") from error
        if not rows:
            roles = ", ".join(channel.name for channel in self.channels)
            raise PortRefused(
                f"{self._config.name}: {path} holds no readings of {roles}. Choose another file."
            )
        self._rows = sorted(rows, key=lambda row: row.end_s)
        self._next = 0
        self._first_s = self._rows[0].end_s
        self._begun_us = self._clock.now()
        span = self._rows[-1].end_s - self._first_s
        self.period_s = max(span / max(len(rows) / len(self.channels) - 1, 1), 1e-3) / self._clock.scale
        return Identity(f"played back from {path.name}")

    def close(self) -> None:
        """Nothing stays open."""

    def read(self) -> Sequence[Reading]:
        """What is due. `LinkLost` when the recording is at its end."""
        if self._next >= len(self._rows):
            raise LinkLost(f"{self._config.name}: the recording {self._config.connection} is at its end.")
        due_us = self._due_us(self._rows[self._next].end_s)
        wait_s = (due_us - self._clock.now()) / (US * self._clock.scale)
        if wait_s > 0.0:
            time.sleep(min(wait_s, _SLICE_S))
            if wait_s > _SLICE_S:
                return ()
        row = self._rows[self._next]
        self._next += 1
        return (self._reading(row),)

    def _due_us(self, at_s: float) -> int:
        return self._begun_us + microseconds(at_s - self._first_s)

    def _reading(self, row: PlayedRow) -> Reading:
        channel = next(c for c in self.channels if c.name == row.role)
        start_us, end_us = self._due_us(row.start_s), self._due_us(row.end_s)
        setting = Setting(range=row.range, resolution=row.resolution, note="played back")
        if row.value is None:
            return Unusable(channel, row.status or Status.GARBLED, start_us, end_us, setting)
        return Measured(channel, row.value, start_us, end_us, setting)


def _rows(path: Path, channel: Channel) -> Iterator[PlayedRow]:
    with path.open("rb") as file:
        is_session = file.read(16) == b"SQLite format 3\x00"
    if is_session:
        return _session_rows(path, channel)
    content = read_bounded(path, _MOST_BYTES).decode("utf-8")
    return read_csv(content, channel.name, channel.quantity)


def _session_rows(path: Path, channel: Channel) -> Iterator[PlayedRow]:
    """Rows of a session file, read-only; nothing that the file itself defines is run."""
    with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)) as database:
        database.execute("pragma trusted_schema = off")
        database.execute("pragma query_only = on")
        if database.execute(_TABLES + _OURS).fetchone() != (3,):
            raise ValueError("its tables are not those of a session")
        database.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, 1_000_000)
        found = database.execute(_QUERY, (channel.name, channel.quantity.value)).fetchmany(_MOST_ROWS)
    for t_us, took_us, value, status, full, resolution in found:
        bad = None if status == 0 else STATUS_CODES.get(status, Status.GARBLED)
        yield PlayedRow(
            (t_us - took_us) / US, t_us / US, channel.name, channel.quantity,
            value if bad is None else None, bad, full, resolution,
        )  # fmt: skip
