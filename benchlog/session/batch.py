"""What waits to be committed: rows ready for the tables, made without touching the disk."""

from dataclasses import dataclass, field
from math import inf, isfinite

from benchlog.model.reading import Channel, Measured, Reading, Setting, Status
from benchlog.session.chain import PACK, Link, counts_text
from benchlog.session.schema import STATUS_CODE

Cell = None | int | float | str | bytes
ReadingRow = tuple[int, int, int, int, float | None, int, int]
"""channel, t_us, took_us, late_us, value, status, setting."""

COLUMNS: dict[str, str] = {
    "meta": "key, value",
    "anchor": "t_us, unix_us, offset_s, scale",
    "channel": "id, role, quantity, unit, instrument",
    "setting": "id, channel, range, resolution, aperture_us, turns, test_frequency_hz, note",
    "entry": "seq, t_us, wall, kind, digest",
    "wave": "id, start_us, rate_hz, samples, note, digest",
}
"""What of each table enters the chain, in the order in which it enters."""


@dataclass(slots=True)
class Batch:
    """Rows of one commit to come."""

    rows: dict[str, list[tuple[Cell, ...]]] = field(default_factory=lambda: {name: [] for name in COLUMNS})
    payloads: dict[int, tuple[bytes, str]] = field(default_factory=dict)
    """Salt and payload of each entry by its number."""
    blocks: list[tuple[int, int, bytes, bytes]] = field(default_factory=list)
    readings: list[ReadingRow] = field(default_factory=list)
    t_us: int = 0
    """Latest instant in it."""

    def is_empty(self) -> bool:
        """Whether there is nothing to commit."""
        return not self.readings and not any(self.rows.values())

    def packed(self) -> dict[int, bytes]:
        """The readings of each channel as they enter the chain."""
        parts: dict[int, list[bytes]] = {}
        for channel, t, took, late, value, status, setting in self.readings:
            row = PACK.pack(t, took, late, inf if value is None else value, status, setting)
            parts.setdefault(channel, []).append(row)
        return {channel: b"".join(parts[channel]) for channel in sorted(parts)}


def link_of(seq: int, before: bytes, batch: Batch, packed: dict[int, bytes]) -> tuple[str, bytes]:
    """The link's list of readings and its digest."""
    text = counts_text((channel, len(rows) // PACK.size) for channel, rows in packed.items())
    link = Link(seq, batch.t_us, text, before)
    for name in COLUMNS:
        link.add(name, batch.rows[name])
    for rows in packed.values():
        link.add_readings(rows)
    return text, link.digest()


@dataclass(slots=True)
class Ids:
    """Numbers of channels and settings, and where each channel's time stands."""

    channels: dict[Channel, int] = field(default_factory=dict)
    settings: dict[tuple[int, Setting], int] = field(default_factory=dict)
    last_us: dict[int, int] = field(default_factory=dict)

    def channel(self, channel: Channel, batch: Batch) -> int:
        """The channel's number; a new one is put into the batch."""
        known = self.channels.get(channel)
        if known is not None:
            return known
        number = self.channels[channel] = len(self.channels) + 1
        quantity = channel.quantity
        batch.rows["channel"].append(
            (number, channel.role.value, quantity.value, quantity.unit, channel.instrument)
        )
        return number

    def setting(self, channel: int, setting: Setting, batch: Batch) -> int:
        """The setting's number; a new one is put into the batch."""
        known = self.settings.get((channel, setting))
        if known is not None:
            return known
        number = self.settings[channel, setting] = len(self.settings) + 1
        batch.rows["setting"].append(
            (
                number, channel, _real(setting.range), _real(setting.resolution), setting.aperture_us,
                setting.turns, _real(setting.test_frequency_hz), setting.note,
            )
        )  # fmt: skip
        return number

    def row(self, reading: Reading, told_us: int, batch: Batch) -> ReadingRow:
        """The row of a reading. Two of one channel never share an instant: the later moves by 1 µs."""
        channel = self.channel(reading.channel, batch)
        setting = self.setting(channel, reading.setting, batch)
        t_us = max(reading.end_us, self.last_us.get(channel, reading.end_us - 1) + 1)
        self.last_us[channel] = t_us
        value, status = _value(reading)
        return channel, t_us, t_us - reading.start_us, told_us - t_us, value, status, setting


def _real(value: float | None) -> float | None:
    return None if value is None or not isfinite(value) else float(value) + 0.0


def _value(reading: Reading) -> tuple[float | None, int]:
    if not isinstance(reading, Measured):
        return None, STATUS_CODE[reading.status]
    if not isfinite(reading.value):
        return None, STATUS_CODE[Status.NOT_A_NUMBER]
    return float(reading.value) + 0.0, 0
