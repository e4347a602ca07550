"""Readings of one channel as a CSV file, and back.

Columns: ``time`` (ISO 8601 with offset) and ``t_s`` (seconds from the session's start) of the middle of the
reading's aperture; the value, in a column named after the channel and its unit of measure, e.g.
``source_current_a``, empty where there is none; ``status`` (``valid`` or why there is no value); exact
``start_s``, ``end_s`` and ``told_s`` (when the limit watch was told); how the meter was set; which channel.
"""

from collections.abc import Iterator
from pathlib import Path

import msgspec
import numpy as np

from benchlog.exchange.freetext import guard, unguard
from benchlog.exchange.isotime import instant, iso_times
from benchlog.exchange.rows import Cell, read_rows, write_guarded_rows
from benchlog.model.errors import UsageError
from benchlog.model.quantity import Quantity
from benchlog.model.reading import Channel, Measured, Reading, Setting, Status, Unusable
from benchlog.model.role import Role
from benchlog.session.reader import SessionReader
from benchlog.session.schema import CODE_STATUS
from benchlog.session.series import Values

VALID = "valid"

_LAST = ("aperture_s", "turns", "test_frequency_hz", "setting_note", "role", "quantity", "instrument")
_NEEDED = ("status", "start_s", "end_s", "told_s", *_LAST)


class _Names(msgspec.Struct, frozen=True):
    value: str
    range: str
    resolution: str


def _names(channel: Channel) -> _Names:
    unit = channel.quantity.ascii_unit
    return _Names(f"{channel.name.replace('-', '_')}_{unit}", f"range_{unit}", f"resolution_{unit}")


def header_of(channel: Channel) -> tuple[str, ...]:
    """Names of the columns of a channel's file."""
    names = _names(channel)
    first = ("time", "t_s", names.value, "status", "start_s", "end_s", "told_s")
    return (*first, names.range, names.resolution, *_LAST)


def readings_file_name(channel: Channel) -> str:
    """Name of a channel's file: its role, quantity and instrument in plain letters."""
    instrument = "".join(c if c.isascii() and c.isalnum() else "-" for c in channel.instrument).strip("-")[
        :40
    ]
    return f"readings-{channel.name}-{channel.quantity.value}-{instrument or 'instrument'}.csv"


def export_readings(reader: SessionReader, channel: Channel, path: Path, bom: bool = False) -> int:
    """Write all readings of a channel; returns how many. Faults as `write_rows` and the reader's own."""
    series = reader.readings(channel)
    settings = {number: _setting_cells(setting) for number, setting in reader.settings.items()}
    status = {0: VALID} | {code: name.value for code, name in CODE_STATUS.items()}
    who = (channel.role.value, channel.quantity.value, guard(channel.instrument))
    start_us, told_us = series.t_us - series.took_us, series.t_us + series.late_us
    instants = [(at / 1e6).tolist() for at in (series.mid_us, start_us, series.t_us, told_us)]
    columns = zip(
        iso_times(reader.anchors, series.mid_us), *instants, _cells_of(series.value),
        series.status.tolist(), series.setting.tolist(), strict=True,
    )  # fmt: skip
    rows = (
        (time, t_s, value, status[code], start_s, end_s, told_s, *settings[setting], *who)
        for time, t_s, start_s, end_s, told_s, value, code, setting in columns
    )
    write_guarded_rows(path, header_of(channel), rows, bom)
    return int(series.t_us.size)


def _setting_cells(setting: Setting) -> tuple[Cell, ...]:
    return (
        setting.range, setting.resolution, setting.aperture_us / 1e6, setting.turns,
        setting.test_frequency_hz, guard(setting.note),
    )  # fmt: skip


def _cells_of(values: Values) -> list[float | None]:
    return [None if value != value else value for value in values.tolist()]


def read_readings(path: Path) -> Iterator[tuple[Reading, int]]:
    """Readings of a file that `export_readings` wrote, each with the instant at which it was told.

    As `SessionWriter.add_readings` takes them. `UsageError` names the line that can't be one.
    """
    for line, row in read_rows(path, _NEEDED):
        try:
            channel = Channel(Role(row["role"]), Quantity(row["quantity"]), unguard(row["instrument"]))
            yield _reading(row, channel), instant(float(row["told_s"]))
        except (ValueError, KeyError) as error:
            raise UsageError(f"{path}, line {line}: {error} can't be read. Mend that line.") from error


def _reading(row: dict[str, str], channel: Channel) -> Reading:
    names = _names(channel)
    start, end = instant(float(row["start_s"])), instant(float(row["end_s"]))
    setting = Setting(
        range=_number(row[names.range]),
        resolution=_number(row[names.resolution]),
        aperture_us=instant(float(row["aperture_s"])),
        turns=int(row["turns"]),
        test_frequency_hz=_number(row["test_frequency_hz"]),
        note=unguard(row["setting_note"]),
    )
    if row["status"] != VALID:
        return Unusable(channel, Status(row["status"]), start, end, setting)
    value = float(row[names.value])
    if not np.isfinite(value):
        raise ValueError(f"the value {row[names.value]!r}")
    return Measured(channel, value, start, end, setting)


def _number(cell: str) -> float | None:
    return float(cell) if cell else None
