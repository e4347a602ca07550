"""A whole session as one JSON file, and back.

Its shape is `ExportedSession`; the JSON Schema of it is shipped beside this module. Numbers that are none
are null: no NaN and no infinity is ever written. Times are ISO 8601 with offset, and seconds from the
session's start; every array of a channel has one element a reading.
"""

import json
from collections.abc import Iterator
from datetime import datetime
from importlib.resources import files
from pathlib import Path
from typing import Any, Literal, TextIO

import msgspec
import numpy as np

from benchlog.exchange.isotime import instant, iso_times
from benchlog.exchange.readingscsv import VALID
from benchlog.exchange.rows import written
from benchlog.model.clock import seconds
from benchlog.model.errors import UsageError
from benchlog.model.history import Entry, Payload, Withheld
from benchlog.model.quantity import Quantity
from benchlog.model.reading import Channel, Measured, Reading, Setting, Status, Unusable
from benchlog.model.role import Role
from benchlog.model.wave import Waveform
from benchlog.session.payload import kind_in_history
from benchlog.session.reader import SessionReader
from benchlog.session.schema import CODE_STATUS

FORMAT = "benchlog-session"
VERSION = 1
SCHEMA_FILE = "session-export-1.schema.json"
MOST_BYTES = 2_000_000_000
"""A larger file is refused: it is read into memory."""


class ExportedAnchor(msgspec.Struct, frozen=True):
    """Ties the axis to the wall clock."""

    t_s: float
    time: datetime
    scale: float
    """Session seconds per real second from here on."""


class ExportedSetting(msgspec.Struct, frozen=True):
    """How a channel was set."""

    number: int
    """What ``ExportedChannel.setting`` refers to."""
    setting: Setting


class ExportedChannel(msgspec.Struct, frozen=True):
    """Readings of one channel."""

    role: Role
    quantity: Quantity
    unit: str
    instrument: str
    settings: tuple[ExportedSetting, ...]
    time: tuple[datetime, ...]
    """Of the middle of the aperture, as ``t_s``."""
    t_s: tuple[float, ...]
    value: tuple[float | None, ...]
    status: tuple[str, ...]
    """``valid``, or why there is no value."""
    start_s: tuple[float, ...]
    end_s: tuple[float, ...]
    told_s: tuple[float, ...]
    setting: tuple[int, ...]


class ExportedEntry(msgspec.Struct, frozen=True):
    """One line of the history; ``payload`` is null where it is withheld."""

    seq: int
    t_s: float
    time: datetime
    kind: str
    payload: Payload | None


class ExportedWave(msgspec.Struct, frozen=True):
    """A sampled waveform."""

    number: int
    start_s: float
    rate_hz: float
    note: str
    v_v: tuple[float | None, ...]
    i_a: tuple[float | None, ...]


class ExportedSession(msgspec.Struct, frozen=True):
    """A session."""

    format: Literal["benchlog-session"]
    version: Literal[1]
    facts: dict[str, str]
    """What the session file says of itself."""
    head: str
    """Digest of the last link of the session's chain."""
    simulated: bool
    invented: bool
    anchors: tuple[ExportedAnchor, ...]
    entries: tuple[ExportedEntry, ...]
    channels: tuple[ExportedChannel, ...]
    waveforms: tuple[ExportedWave, ...]


def schema_text() -> str:
    """The JSON Schema (2020-12) of an export, as shipped."""
    return files("benchlog.exchange").joinpath(SCHEMA_FILE).read_text(encoding="utf-8")


def make_schema() -> str:
    """The JSON Schema made from the shapes above; what `schema_text` gives has to be the same."""
    schema = {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": f"{FORMAT} {VERSION}",
        **msgspec.json.schema(ExportedSession),
    }
    return json.dumps(schema, indent=1, ensure_ascii=False, sort_keys=True) + "\n"


def export_json(reader: SessionReader, path: Path) -> None:
    """Write the session; one channel at a time is in memory. `SessionFault` where it can't be written."""
    anchors = [ExportedAnchor(seconds(a.t_us), a.wall, a.scale) for a in reader.anchors]
    first = {
        "format": FORMAT,
        "version": VERSION,
        "facts": dict(reader.facts),
        "head": reader.head(),
        "simulated": reader.simulated,
        "invented": reader.invented,
        "anchors": msgspec.to_builtins(anchors),
    }
    with written(path), path.open("w", encoding="utf-8", newline="\n") as file:
        file.write(_dumps(first)[:-1])
        _write_list(file, "entries", map(_entry, reader.entries()))
        _write_list(file, "channels", (_channel(reader, channel) for channel in reader.channels()))
        _write_list(file, "waveforms", (_wave(reader, r.number, r.note) for r in reader.waves()))
        file.write("\n}\n")


def _dumps(value: object) -> str:
    return json.dumps(value, allow_nan=False, ensure_ascii=False, separators=(",", ":"))


def _write_list(file: TextIO, key: str, items: Iterator[object]) -> None:
    file.write(f',\n"{key}":[')
    for count, item in enumerate(items):
        file.write((",\n" if count else "\n") + _dumps(item))
    file.write("]")


def _entry(entry: Entry) -> dict[str, Any]:
    here = not isinstance(entry.payload, Withheld)
    return {
        "seq": entry.seq,
        "t_s": seconds(entry.t_us),
        "time": entry.wall.isoformat(),
        "kind": kind_in_history(entry.payload),
        "payload": msgspec.to_builtins(entry.payload) if here else None,
    }


def _numbers(values: "np.ndarray[Any, np.dtype[np.float64]]") -> list[float | None]:
    return [value if np.isfinite(value) else None for value in values.tolist()]


def _channel(reader: SessionReader, channel: Channel) -> dict[str, Any]:
    series = reader.readings(channel)
    used = set(series.setting.tolist())
    status = {0: VALID} | {code: name.value for code, name in CODE_STATUS.items()}
    start_us = series.t_us - series.took_us
    return {
        "role": channel.role.value,
        "quantity": channel.quantity.value,
        "unit": channel.quantity.unit,
        "instrument": channel.instrument,
        "settings": [
            {"number": n, "setting": msgspec.to_builtins(s)} for n, s in reader.settings.items() if n in used
        ],
        "time": iso_times(reader.anchors, series.mid_us),
        "t_s": (series.mid_us / 1e6).tolist(),
        "value": _numbers(series.value),
        "status": [status[code] for code in series.status.tolist()],
        "start_s": (start_us / 1e6).tolist(),
        "end_s": (series.t_us / 1e6).tolist(),
        "told_s": ((series.t_us + series.late_us) / 1e6).tolist(),
        "setting": series.setting.tolist(),
    }


def _wave(reader: SessionReader, number: int, note: str) -> dict[str, Any]:
    wave = reader.wave(number)
    return {
        "number": number, "start_s": seconds(wave.start_us), "rate_hz": wave.rate_hz, "note": note,
        "v_v": _numbers(wave.v_v), "i_a": _numbers(wave.i_a),
    }  # fmt: skip


def read_json(path: Path) -> ExportedSession:
    """A session of a file that `export_json` wrote. `UsageError` says where it is not one."""
    try:
        if path.stat().st_size > MOST_BYTES:
            raise UsageError(f"{path} is larger than {MOST_BYTES // 10**9} GB. Use the session file itself.")
        content = path.read_bytes()
    except OSError as error:
        raise UsageError(f"{path} can't be read: {error.strerror or error}. Check the name.") from error
    try:
        return msgspec.json.decode(content, type=ExportedSession)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        raise UsageError(f"{path} is no export of a session ({error}). Export it again.") from error


def entries_of(exported: ExportedSession) -> tuple[Entry, ...]:
    """The history of an export, as the session's reader gives it. `UsageError` for an impossible instant."""
    try:
        return tuple(
            Entry(e.seq, instant(e.t_s), e.time, Withheld(e.kind) if e.payload is None else e.payload)
            for e in exported.entries
        )
    except ValueError as error:
        raise UsageError(f"The export's history can't be read ({error}). Export it again.") from error


def readings_of(channel: ExportedChannel) -> Iterator[tuple[Reading, int]]:
    """The readings of a channel of an export, each with the instant at which it was told.

    `UsageError` where its arrays are not of one length or hold a word that is no status.
    """
    whose = Channel(channel.role, channel.quantity, channel.instrument)
    settings = {s.number: s.setting for s in channel.settings}
    columns = (channel.value, channel.status, channel.start_s, channel.end_s, channel.told_s, channel.setting)
    try:
        for value, status, start_s, end_s, told_s, setting in zip(*columns, strict=True):
            start, end, how = instant(start_s), instant(end_s), settings[setting]
            if status == VALID and value is not None:
                yield Measured(whose, value, start, end, how), instant(told_s)
            else:
                yield Unusable(whose, Status(status), start, end, how), instant(told_s)
    except (ValueError, KeyError) as error:
        raise UsageError(
            f"The export's channel {whose.name} can't be read ({error}). Export it again."
        ) from error


def wave_of(exported: ExportedWave) -> Waveform:
    """A waveform of an export; a sample that is none is NaN."""
    v, i = (np.array([np.nan if x is None else x for x in xs]) for xs in (exported.v_v, exported.i_a))
    return Waveform(v, i, exported.rate_hz, instant(exported.start_s))


if __name__ == "__main__":
    Path(__file__).with_name(SCHEMA_FILE).write_text(make_schema(), encoding="utf-8")
