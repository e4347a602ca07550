"""Where in a record the unit was switched on, and what the current sensor showed before.

    find_switch_on(v_v, i_a, crossings, rate_hz, frequency_hz, scale_v) -> SwitchOn | None

Two kinds of record occur: the voltage is taken at the unit's inlet and begins with the switch-on, or it is
taken ahead of the switch and runs all the time, and only the current begins. Positions are in samples.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from benchlog.measure.crossings import CHUNK, Floats, Samples
from benchlog.measure.integral import block_rms, integral

_QUIET_SHARE = 0.04
_QUIET_PERIODS = 0.03
_ONSET_SHARE = 0.10
_ONSET_RATIO = 2.0


@dataclass(frozen=True, slots=True)
class SwitchOn:
    """The last quiet sample, whether the voltage begins there, and the sensor's zero, where known."""

    at: int
    with_voltage: bool
    offset_a: float | None

    @property
    def instant(self) -> float:
        """Best estimate of the instant, in samples: half-way to the first sample that is not quiet."""
        return self.at + 0.5


def _first_beyond(y: Samples, level: float) -> Iterator[int]:
    """Position of the first sample beyond ±level in each piece of the record that has one."""
    for begin in range(0, len(y), CHUNK):
        beyond = np.flatnonzero(np.abs(y[begin : begin + CHUNK]) > level)
        if len(beyond):
            yield begin + int(beyond[0])


def _voltage_start(v_v: Samples, scale_v: float, period: float) -> int | None:
    """Last quiet sample of a voltage that is off at first; None where it runs from the beginning."""
    level = _QUIET_SHARE * np.sqrt(2.0) * scale_v
    k = next((k for k in _first_beyond(v_v, level)), 0)
    if k < max(_QUIET_PERIODS * period, 2):
        return None
    quiet = v_v[:k].astype(np.float64)
    quiet -= np.median(quiet)
    noise = 1.2 * float(np.abs(quiet[: max(int(0.8 * k), 1)]).max()) + 1e-9 * scale_v
    return int(np.flatnonzero(np.abs(quiet) <= noise)[-1])


def _current_start(i_a: Samples, period: float) -> int | None:
    """Last quiet sample before the current begins; None where the record shows no beginning.

    The beginning is the first half-cycle whose r.m.s. is twice that of all before it and a tenth of the
    largest.
    """
    size = max(round(period / 2.0), 2)
    if len(i_a) < 3 * size:
        return None
    zero = float(np.mean(i_a[: 2 * size], dtype=np.float64))
    rms = block_rms(i_a, zero, size)
    onset = rms[1:] > np.maximum(_ONSET_RATIO * np.maximum.accumulate(rms)[:-1], _ONSET_SHARE * rms.max())
    if not onset.any():
        return None
    k = int(np.argmax(onset)) + 1
    quiet = i_a[max(k - 11, 0) * size : (k - 1) * size] if k >= 2 else i_a[: size // 2]
    level = float(np.mean(quiet, dtype=np.float64))
    noise = 1.3 * float(np.quantile(np.abs(quiet - level), 0.999))
    start = (k - 1) * size if k >= 2 else size // 2
    beyond = np.abs(i_a[start : (k + 1) * size] - level) > noise
    twice = np.flatnonzero(beyond[1:] & beyond[:-1])
    return max(start + int(twice[0]) - 1, 0) if len(twice) else start


def _zero(i_a: Samples, at: int, period: float, whole_cycles: bool) -> float | None:
    """Mean of the quiet current before ``at``: whole cycles, at most 25, where the mains is already there."""
    if at < 4:
        return None
    guard = max(int(0.02 * period), 1)
    end = float(at - guard) if at > 4 * guard else float(at)
    cycles = int(end / period)
    length = min(cycles, 25) * period if whole_cycles and cycles else end
    if length < 2.0:
        return None
    begin = max(int(end - length) - 1, 0)
    piece = i_a[begin : at + 1].astype(np.float64)
    return integral(piece, end - length - begin, end - begin) / length


def find_switch_on(
    v_v: Samples, i_a: Samples, at: Floats, rate_hz: float, frequency_hz: float | None, scale_v: float
) -> SwitchOn | None:
    """Where the unit was switched on; None where it was on from the first sample, or never.

    ``at`` zero crossings of the voltage, ``scale_v`` its r.m.s. when live. A frequency that is not known
    (a DC supply) counts as 50 Hz here.
    """
    period = rate_hz / (frequency_hz or 50.0)
    start = _voltage_start(v_v, scale_v, period) if scale_v > 0.0 else None
    if start is not None:
        return SwitchOn(start, True, _zero(i_a, start, period, whole_cycles=False))
    start = _current_start(i_a, period)
    if start is None:
        return None
    return SwitchOn(start, False, _zero(i_a, start, period, whole_cycles=len(at) > 2))
