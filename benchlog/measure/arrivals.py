"""Switch-ons picked out of a stream of half cycles, each with its waveform.

    Arrivals(rate_hz, nominal_v).take(half_cycle) -> bool | None     see there
    .hear(first, v, i)                                               the samples themselves, as they come
    .finished() -> Arrival | None                                    once the time after it has been heard
    .rest() -> Arrival | None                                        what there is of one when the stream ends

An arrival is a voltage that rises by more than 2 % of nominal above the least of the second before.
"""

from collections import deque
from dataclasses import dataclass

import numpy as np

from benchlog.measure.crossings import Floats
from benchlog.measure.halfcycles import HalfCycle
from benchlog.model.wave import Waveform

BEFORE_S, AFTER_S = 0.2, 3.0
"""Kept of the waveform round an arrival."""
RISE = 0.02
EARLY_S = 0.1
"""An inrush is told half cycle by half cycle for so long: what melts a fuse happens in it."""
_GROWTH = 1.2
_SETTLED_S = 0.5
_DECAYED = 1.10


@dataclass(frozen=True, slots=True, eq=False)
class Arrival:
    """One switch-on."""

    wave: Waveform
    """``start_us`` is not set: the caller knows the stream's clock."""
    first: int
    """Number of its first sample."""
    peak_a: float
    peak_u_a: float
    i2t_a2s: float
    """To the end of the decay; of the whole waveform where it never came down."""
    clipped: bool
    half_cycles: tuple[HalfCycle, ...]


@dataclass(frozen=True, slots=True)
class Early:
    """What an inrush has amounted to so far."""

    peak_a: float
    peak_u_a: float
    i2t_a2s: float
    clipped: bool


class Arrivals:
    """Follows one stream; `clear` where samples are missing."""

    def __init__(self, rate_hz: float, nominal_v: float) -> None:
        """``nominal_v``: of the unit, for the size of a rise."""
        self._rate_hz = rate_hz
        self._rise_v = RISE * nominal_v
        self.clear()

    def clear(self) -> None:
        """Samples are missing: a waveform under way is given up."""
        self._kept: deque[tuple[int, Floats, Floats]] = deque()
        self._volts: deque[tuple[float, float]] = deque()
        self._seen: list[HalfCycle] = []
        self._on: float | None = None
        self._told_a2s = 0.0

    def hear(self, first: int, v: Floats, i: Floats) -> None:
        """Samples in V and A that follow the last; ``first`` the number of the first of them."""
        self._kept.append((first, v, i))
        since = self._on if self._on is not None else first + len(v)
        while (
            self._kept and self._kept[0][0] + len(self._kept[0][1]) < since - 1.5 * BEFORE_S * self._rate_hz
        ):
            self._kept.popleft()

    def take(self, one: HalfCycle) -> Early | None:
        """A half cycle; what the inrush amounts to so far, where that has grown enough to be told."""
        if self._on is None:
            least_v = min((v for _, v in self._volts), default=None)
            self._volts.append((one.end, one.voltage_v))
            while self._volts[0][0] < one.end - self._rate_hz:
                self._volts.popleft()
            if least_v is None or one.voltage_v < least_v + self._rise_v:
                return None
            self._on, self._seen, self._told_a2s = one.start, [], 0.0
        self._seen.append(one)
        if one.start > self._on + EARLY_S * self._rate_hz:
            return None
        i2t_a2s = sum(x.i2t_a2s for x in self._seen)
        if i2t_a2s <= _GROWTH * self._told_a2s:
            return None
        self._told_a2s = i2t_a2s
        largest = max(self._seen, key=lambda x: abs(x.peak_a))
        return Early(largest.peak_a, largest.peak_u_a, i2t_a2s, any(x.clipped for x in self._seen))

    def finished(self) -> Arrival | None:
        """The arrival whose time after it has been heard; each once."""
        if self._on is None or not self._seen or not self._kept:
            return None
        until = self._on + AFTER_S * self._rate_hz
        if self._seen[-1].end < until or self._kept[-1][0] + len(self._kept[-1][1]) < until:
            return None
        found = self._arrival(self._on, until)
        self._volts.clear()
        self._volts.extend((x.end, x.voltage_v) for x in self._seen[-4:])
        self._on, self._seen = None, []
        return found

    def rest(self) -> Arrival | None:
        """The arrival under way as far as it was heard: nothing more will come. Each once."""
        if self._on is None or not self._seen or not self._kept:
            return None
        found = self._arrival(self._on, float(self._kept[-1][0] + len(self._kept[-1][1])))
        self._on, self._seen = None, []
        return found

    def _arrival(self, on: float, until: float) -> Arrival:
        begin = self._kept[0][0]
        v = np.concatenate([x for _, x, _ in self._kept])
        i = np.concatenate([x for _, _, x in self._kept])
        low = max(round(on - BEFORE_S * self._rate_hz), begin)
        part = slice(low - begin, round(until) - begin)
        largest = max(self._seen, key=lambda x: abs(x.peak_a))
        return Arrival(
            Waveform(v[part], i[part], self._rate_hz), low, largest.peak_a, largest.peak_u_a,
            self._i2t(), any(x.clipped for x in self._seen), tuple(self._seen),
        )  # fmt: skip

    def _i2t(self) -> float:
        """To the end of the first whole cycle within 10 % above the settled r.m.s."""
        squares = np.array([x.current_a**2 for x in self._seen])
        late = [
            x.current_a**2 for x in self._seen if x.start > self._seen[-1].end - _SETTLED_S * self._rate_hz
        ]
        settled = float(np.mean(late)) * _DECAYED**2
        cycles = 0.5 * (squares[1:] + squares[:-1])
        largest = int(np.argmax(cycles)) if len(cycles) else 0
        down = np.flatnonzero(cycles[largest:] <= settled)
        count = largest + int(down[0]) + 2 if len(down) else len(squares)
        return float(sum(x.i2t_a2s for x in self._seen[:count]))
