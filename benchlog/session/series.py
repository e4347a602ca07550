"""Readings as arrays: what the reader gives out and what graphs are drawn from."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchlog.model.reading import Channel

Instants = npt.NDArray[np.int64]
Values = npt.NDArray[np.float64]

ROW = np.dtype(
    [
        ("t_us", "<i8"),
        ("took_us", "<i8"),
        ("late_us", "<i8"),
        ("value", "<f8"),
        ("status", "<i8"),
        ("setting", "<i8"),
    ]
)
"""One reading as `chain.PACK` packs it; a missing value is infinite there."""

Rows = npt.NDArray[np.void]


@dataclass(frozen=True, slots=True, eq=False)
class Series:
    """All that is stored of the readings of one channel in a stretch of time; arrays of one length."""

    channel: Channel
    t_us: Instants
    """End of each reading; strictly rising."""
    took_us: Instants
    """End less start."""
    late_us: Instants
    """Instant at which the limit watch was told, less the end."""
    value: Values
    """In the quantity's unit of measure; NaN where the reading has none."""
    status: npt.NDArray[np.int64]
    """0 where valid, else a code of `schema.CODE_STATUS`."""
    setting: npt.NDArray[np.int64]
    """Keys of the reader's ``settings``."""

    @property
    def mid_us(self) -> Instants:
        """Middle of each reading's aperture: where it belongs on a time axis."""
        return self.t_us - self.took_us // 2


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """A curve ready to be drawn; NaN where the line breaks."""

    t_us: Instants
    """Middles of apertures, never falling."""
    value: Values
    count: int
    """Readings that it stands for."""
    reduced: bool
    """True where not every reading is among the points; the greatest and least always are."""


def series_of(channel: Channel, rows: Rows) -> Series:
    """A series of packed rows."""
    value = np.where(rows["status"] == 0, rows["value"], np.nan)
    return Series(
        channel,
        np.ascontiguousarray(rows["t_us"]),
        np.ascontiguousarray(rows["took_us"]),
        np.ascontiguousarray(rows["late_us"]),
        value,
        np.ascontiguousarray(rows["status"]),
        np.ascontiguousarray(rows["setting"]),
    )
