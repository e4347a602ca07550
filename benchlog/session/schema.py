"""The tables of a session file, and how a file is told to be one.

A session file is an SQLite database whose ``application_id`` is `APPLICATION_ID` and whose
``user_version`` is the number of its schema. Times are whole microseconds on the session's axis.
"""

from benchlog.model.reading import Status

APPLICATION_ID = 0x424C4F47
"""The letters BLOG."""

VERSION = 1
"""Number of the schema that this program writes."""

LEAST_SQLITE = (3, 37, 0)
"""Typed tables (STRICT) need it; VACUUM INTO is older."""

BLOCK = 256
"""Readings in one row of the summary."""

WAVE_BLOCK = 65_536
"""Samples in one block of a waveform."""

MOST_IN_CELL = 64_000_000
"""Bytes in one cell; a file with more is refused."""

MOST_IN_PAYLOAD = 16_000_000
"""Bytes of one entry."""

STATUS_CODE: dict[Status, int] = {
    Status.OVERLOAD: 1,
    Status.OPEN_LEADS: 2,
    Status.NOT_A_NUMBER: 3,
    Status.GARBLED: 4,
    Status.STALE: 5,
    Status.AUTORANGING: 6,
    Status.REFUSED: 7,
}
"""How a status is stored; 0 is a valid reading. Codes are never given a second meaning."""

CODE_STATUS: dict[int, Status] = {code: status for status, code in STATUS_CODE.items()}

_STATUS_WORDS = " ".join(f"when {code} then '{status.value}'" for status, code in STATUS_CODE.items())

TABLES: tuple[str, ...] = (
    "create table meta (key text primary key, value text not null) strict, without rowid",
    "create table anchor (t_us integer primary key, unix_us integer not null, offset_s integer not null,"
    " scale real not null, link integer not null) strict",
    "create table channel (id integer primary key, role text not null, quantity text not null,"
    " unit text not null, instrument text not null, link integer not null) strict",
    "create table setting (id integer primary key, channel integer not null, range real, resolution real,"
    " aperture_us integer not null, turns integer not null, test_frequency_hz real, note text not null,"
    " link integer not null) strict",
    "create table reading (channel integer not null, t_us integer not null, took_us integer not null,"
    " late_us integer not null, value real, status integer not null, setting integer not null,"
    " primary key (channel, t_us)) strict, without rowid",
    "create table summary (channel integer not null, block integer not null, first_us integer not null,"
    " last_us integer not null, count integer not null, gaps integer not null, gap_at_us integer,"
    " longest_us integer not null, longest_at_us integer not null, least real, least_at_us integer,"
    " greatest real, greatest_at_us integer, mean real, primary key (channel, block)) strict, without rowid",
    "create table entry (seq integer primary key, t_us integer not null, wall text not null,"
    " kind text not null, salt blob, payload text, digest blob not null, link integer not null) strict",
    "create table wave (id integer primary key, start_us integer not null, rate_hz real not null,"
    " samples integer not null, note text not null, digest blob not null, link integer not null) strict",
    "create table wave_block (wave integer not null, block integer not null, v blob not null,"
    " i blob not null, primary key (wave, block)) strict, without rowid",
    "create table chain (seq integer primary key, t_us integer not null, readings text not null,"
    " digest blob not null) strict",
    "create view readings as select c.role as channel, c.quantity as quantity, r.value as value,"
    " c.unit as unit, r.t_us / 1e6 as t_s,"
    " strftime('%Y-%m-%dT%H:%M:%f',"
    " (a.unix_us + (r.t_us - a.t_us) / a.scale) / 1e6 + a.offset_s, 'unixepoch')"
    " || printf('%s%02d:%02d', iif(a.offset_s < 0, '-', '+'), abs(a.offset_s) / 3600,"
    " abs(a.offset_s) / 60 % 60) as time,"
    f" case r.status when 0 then 'valid' {_STATUS_WORDS} else 'unknown' end as status,"
    " r.took_us / 1e6 as duration_s, s.range as range, s.resolution as resolution, s.turns as turns,"
    " c.instrument as instrument"
    " from reading r join channel c on c.id = r.channel left join setting s on s.id = r.setting"
    " left join anchor a on a.t_us = (select max(t_us) from anchor where t_us <= r.t_us)",
)
"""Every statement that makes the schema, in order. The view ``readings`` is for strangers only."""

OLDER: dict[int, tuple[str, ...]] = {}
"""For each older schema: temporary views that show it as this one. None is older yet."""


def expected_schema() -> frozenset[str]:
    """The statements as SQLite keeps them in a file of this schema."""
    return frozenset(_as_kept(statement) for statement in TABLES)


def _as_kept(statement: str) -> str:
    verb, kind, rest = statement.split(" ", 2)
    return f"{verb.upper()} {kind.upper()} {rest}"
