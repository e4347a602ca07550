"""Readings of slow meters out of CSV files: ``t_s, v_v, i_a`` and, where measured, ``p_w``."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from benchlog.exchange.table import numbers, read_table
from benchlog.model.errors import UsageError

NAMES = ("t_s", "v_v", "i_a", "p_w")
MOST_ROWS = 5_000_000
"""More readings than a day at 50 a second; a longer file is no record of a bring-up."""

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class SlowRecord:
    """Readings of a bring-up, arrays of one length: seconds, volts and amperes r.m.s., watts where measured.

    Time rises strictly; a value that is not a number is a reading without one.
    """

    t_s: Floats
    v_v: Floats
    i_a: Floats
    p_w: Floats | None

    @property
    def period_s(self) -> float:
        """Median time between readings in s."""
        return float(np.median(np.diff(self.t_s)))


def read_slow(path: Path) -> SlowRecord:
    """Readings by the names in the header, or the first three columns where there is no header.

    `UsageError` for a file without such a table, with fewer than two readings, or whose time goes back.
    """
    table = read_table(path)
    names = [name.strip().lower() for name in table.names]
    if any(names):
        missing = [name for name in NAMES[:3] if name not in names]
        if missing:
            raise UsageError(
                f"{path} has no column {' and '.join(missing)} among {', '.join(table.names)}. Name them "
                "in its first line: t_s, v_v, i_a and, where measured, p_w."
            )
        wanted = [names.index(name) for name in NAMES if name in names]
    else:
        wanted = list(range(min(len(table.positions), 4)))
    if len(wanted) < 3:
        raise UsageError(f"{path} has {len(wanted)} columns; time, inlet voltage and current are needed.")
    data = numbers(table, wanted)
    _check(path, data)
    return SlowRecord(data[:, 0], data[:, 1], data[:, 2], data[:, 3] if len(wanted) > 3 else None)


def _check(path: Path, data: Floats) -> None:
    if not 2 <= len(data) <= MOST_ROWS:
        raise UsageError(f"{path} holds {len(data)} readings; from 2 to {MOST_ROWS:,} can be judged.")
    if not np.isfinite(data[:, 0]).all():
        raise UsageError(f"{path}: the time column holds values that are no numbers.")
    steps = np.diff(data[:, 0])
    if steps.min() <= 0.0:
        k = int(np.argmin(steps)) + 1
        raise UsageError(f"{path}: time stands still or goes back at reading {k + 1}, {data[k, 0]:g} s.")
    if np.isinf(data[:, 1:]).any():
        raise UsageError(f"{path} holds infinite readings. Leave overloaded readings as 'nan'.")
