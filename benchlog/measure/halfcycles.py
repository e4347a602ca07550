"""Readings of every half cycle out of a stream of voltage and current samples.

    HalfCycles(volts, amperes, rate_hz).feed(v, i) -> list[HalfCycle]

A half cycle runs from one zero crossing of the voltage to the next, wherever between samples they fall; its
figures are true r.m.s. values over just that aperture. While there is no voltage to cross zero, windows of
the nominal half cycle follow each other, and say so (``aligned`` False). Direct current can't pass the
sensor and is not judged.

Uncertainty (expanded, 95 %): the scale's own; the corner's, by what the restored part contributes to the
r.m.s.; the noise's, also by way of the input's zero, which is only as well known. They are independent and
combined as a root sum of squares (JCGM 100:2008, 5.1.2).
"""

import math
from dataclasses import dataclass

import numpy as np

from benchlog.measure.coupling import Restorer
from benchlog.measure.crossings import Floats, Samples
from benchlog.measure.integral import integral

FULL_SCALE = 0.9995
"""Of digital full scale: at or above it a sample is clipped."""
_LIVE = 0.002
"""R.m.s. of digital full scale below which there is no voltage to follow."""
_HYSTERESIS = 0.25
_LONGEST = 1.6
"""A half cycle longer than so many nominal ones is an interruption of the voltage."""
_SHORTEST = 0.55


@dataclass(frozen=True, slots=True)
class Input:
    """One input: what digital full scale stands for, and how well that is known."""

    per_full_scale: float
    """Volts or amperes at the sensor for a sample of 1.0."""
    u_fraction: float = 0.0
    """Expanded uncertainty of it, as a fraction."""
    corners_hz: tuple[float, ...] = ()
    corner_u_fraction: float = 0.0
    noise: float = 0.0
    """R.m.s. of the input's own noise, of digital full scale."""
    delay_s: float = 0.0
    """By so much what it gives comes late."""


@dataclass(frozen=True, slots=True)
class HalfCycle:
    """Figures of one half cycle. Positions are in samples from the stream's first; gaps count."""

    start: float
    end: float
    current_a: float
    voltage_v: float
    power_w: float
    peak_a: float
    """Largest instantaneous current, with its sign."""
    i2t_a2s: float
    aligned: bool
    clipped: bool
    """A sample of the current stood at full scale: its figures are lower bounds."""
    clipped_v: bool
    current_u_a: float
    """Expanded uncertainty of the r.m.s. current."""
    voltage_u_v: float
    peak_u_a: float = 0.0

    @property
    def power_factor(self) -> float | None:
        """W ÷ (V·A); None where either is nothing."""
        apparent = self.current_a * self.voltage_v
        return self.power_w / apparent if apparent > 0.0 else None

    @property
    def crest_factor(self) -> float | None:
        """Peak ÷ r.m.s. of the current; None without one."""
        return abs(self.peak_a) / self.current_a if self.current_a > 0.0 else None


def _crossing(v: Floats, level: float, after: float, until: float) -> float | None:
    """The first crossing of zero between two positions, from beyond one ±level to beyond the other."""
    beyond = np.flatnonzero(np.abs(v) > level)
    side = v[beyond] > 0.0
    for k in np.flatnonzero(side[1:] != side[:-1]).tolist():
        low, high = int(beyond[k]), int(beyond[k + 1])
        piece = v[low : high + 1] > 0.0
        changes = np.flatnonzero(piece[1:] != piece[:-1])
        if len(changes) == 1:
            low, high = low + int(changes[0]), low + int(changes[0]) + 1
        at = low + (high - low) * float(v[low] / (v[low] - v[high]))
        if at > after:
            return at if at <= until else None
    return None


class _Delay:
    """Holds an input back by a whole and a part of a sample, so that it keeps step with a later one."""

    def __init__(self, samples: float) -> None:
        self._whole = math.floor(samples)
        self._part = samples - self._whole
        self.clear()

    def clear(self) -> None:
        self._held: Floats = np.zeros(self._whole + 1)

    def take(self, x: Floats) -> Floats:
        line = np.concatenate([self._held, x])
        self._held = line[len(x) :]
        late, later = line[1 : len(x) + 1], line[: len(x)]
        return late if self._part == 0.0 else (1.0 - self._part) * late + self._part * later


class _Channel:
    """One input on its way from raw samples to restored ones in SI units."""

    def __init__(self, one: Input, rate_hz: float, wait_s: float) -> None:
        self.input = one
        self._restorer = Restorer(one.corners_hz, rate_hz)
        self._delay = _Delay(wait_s * rate_hz)
        self.clear()

    def clear(self) -> None:
        self._restorer.clear()
        self._delay.clear()
        self.kept: Floats = np.empty(0)
        self.part: Floats = np.empty(0)
        """How what is kept hangs on the corners."""
        self.over: Floats = np.empty(0)

    def take(self, samples: Samples) -> None:
        raw = self._delay.take(samples.astype(np.float64))
        restored = self._restorer.feed(raw)
        scale = self.input.per_full_scale
        self.kept = np.concatenate([self.kept, restored * scale])
        self.part = np.concatenate([self.part, self._restorer.part * scale])
        self.over = np.concatenate([self.over, (np.abs(raw) >= FULL_SCALE).astype(np.float64)])

    def end_cycle(self) -> None:
        self._restorer.end_cycle()

    def drop(self, count: int) -> None:
        self.kept, self.part, self.over = self.kept[count:], self.part[count:], self.over[count:]

    def rms(self, start: float, end: float) -> tuple[float, float]:
        """True r.m.s. between two positions, and its expanded uncertainty."""
        count = end - start
        rms = math.sqrt(max(integral(self.kept * self.kept, start, end), 0.0) / count)
        noise = self.input.noise * self.input.per_full_scale
        least = max(rms, noise, 1e-30)
        moved = self.input.corner_u_fraction * self.part
        corner = abs(integral(self.kept * moved, start, end)) + 0.5 * integral(moved * moved, start, end)
        floor = noise * noise / least + 2.0 * noise / math.sqrt(2.0 * count)
        drift = self._restorer.drift(self.input.noise) * self.input.per_full_scale
        mean = abs(integral(self.kept, start, end)) / count
        adrift = (drift * mean + 0.5 * drift * drift) / least
        parts = (self.input.u_fraction * rms, corner / (count * least), floor, adrift)
        return rms, math.sqrt(sum(part * part for part in parts))

    def peak(self, start: float, end: float) -> tuple[float, float]:
        """Largest value between two positions, with its sign, and its expanded uncertainty."""
        low = math.ceil(start)
        at = low + int(np.argmax(np.abs(self.kept[low : math.floor(end) + 1])))
        peak, noise = float(self.kept[at]), 3.0 * self.input.noise * self.input.per_full_scale
        corner = self.input.corner_u_fraction * float(self.part[at])
        return peak, math.sqrt((self.input.u_fraction * peak) ** 2 + corner**2 + noise**2)

    def clipped(self, start: float, end: float) -> bool:
        return bool(self.over[math.floor(start) : math.ceil(end) + 1].any())


class HalfCycles:
    """Cuts a stream into half cycles. One thread; nothing waits, nothing reads a clock."""

    def __init__(self, volts: Input, amperes: Input, rate_hz: float, mains_hz: float = 50.0) -> None:
        """``mains_hz``: nominal frequency, for windows while there is no voltage."""
        self._rate_hz = rate_hz
        late_s = amperes.delay_s - volts.delay_s
        self._v = _Channel(volts, rate_hz, max(late_s, 0.0))
        self._i = _Channel(amperes, rate_hz, max(-late_s, 0.0))
        self._nominal = 0.5 * rate_hz / mains_hz
        self.clear(0)

    def clear(self, first: int) -> None:
        """Samples are missing: the half cycle under way is given up. The next sample is number ``first``."""
        self._v.clear()
        self._i.clear()
        self._first = first
        self.restored: list[tuple[Floats, Floats]] = []
        """Volts and amperes as they were put back since the caller last emptied it, without a gap."""
        self._half = self._nominal
        self._from: float | None = None
        self._chunk = 0
        self._odd = False

    def feed(self, v: Samples, i: Samples) -> list[HalfCycle]:
        """Samples of both inputs (full scale 1.0, equal length) that follow the last; what was completed."""
        found: list[HalfCycle] = []
        while len(v):
            if self._chunk == 0:
                self._chunk = max(round(self._half), 8)
            count = min(self._chunk, len(v))
            self._v.take(v[:count])
            self._i.take(i[:count])
            self.restored.append((self._v.kept[-count:], self._i.kept[-count:]))
            v, i = v[count:], i[count:]
            self._chunk -= count
            found += self._cut()
            if self._chunk == 0:
                self._end_half()
        return found

    def _end_half(self) -> None:
        """As many samples as a half cycle has were taken."""
        self._odd = not self._odd
        if not self._odd:
            self._v.end_cycle()
            self._i.end_cycle()

    def _cut(self) -> list[HalfCycle]:
        """Half cycles that are complete in what is kept."""
        found: list[HalfCycle] = []
        while (end := self._next_end()) is not None:
            at, aligned = end
            if self._from is not None:
                found.append(self._half_cycle(self._from, at, aligned))
                length = at - self._from
                if aligned and 0.8 < length / self._nominal < 1.25:
                    self._half += 0.1 * (length - self._half)
            done = max(math.floor(at) - 1, 0)
            self._v.drop(done)
            self._i.drop(done)
            self._first += done
            self._from = at - done
        return found

    def _next_end(self) -> tuple[float, bool] | None:
        """Where the half cycle under way ends, and whether at a crossing; None while it goes on."""
        v, start = self._v.kept, self._from
        ready = len(v) - 3.0
        least = 0.0 if start is None else start + _SHORTEST * self._nominal
        if ready < least:
            return None
        scale = float(np.sqrt(np.mean(np.square(v[-2 * round(self._half) :]))))
        if scale > _LIVE * self._v.input.per_full_scale:
            at = _crossing(v, _HYSTERESIS * scale, least, ready)
            if at is not None:
                return at, True
        nominal = (start or 0.0) + _LONGEST * self._half
        return ((start or 0.0) + self._half, False) if ready > nominal else None

    def _half_cycle(self, start: float, end: float, aligned: bool) -> HalfCycle:
        current_a, current_u_a = self._i.rms(start, end)
        voltage_v, voltage_u_v = self._v.rms(start, end)
        peak_a, peak_u_a = self._i.peak(start, end)
        count = end - start
        return HalfCycle(
            start=self._first + start,
            end=self._first + end,
            current_a=current_a,
            voltage_v=voltage_v,
            power_w=integral(self._v.kept * self._i.kept, start, end) / count,
            peak_a=peak_a,
            i2t_a2s=current_a * current_a * count / self._rate_hz,
            aligned=aligned,
            clipped=self._i.clipped(start, end),
            clipped_v=self._v.clipped(start, end),
            current_u_a=current_u_a,
            voltage_u_v=voltage_u_v,
            peak_u_a=peak_u_a,
        )
