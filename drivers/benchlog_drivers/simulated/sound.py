"""The simulated bench as an audio interface hears it: sensors, coupling, converter, and a clock of its own.

`SoundInterface` turns inlet voltage and current at any rate into what a stereo input at 44.1 to 192 kHz
gives, block by block: each sensor's gain and zero, its high passes (transformer, coupling capacitor), noise,
whole counts, clipping at full scale, and a sampling clock that is a few parts in a million off.
"""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
_STRETCH = 512


@dataclass(frozen=True, slots=True)
class SimulatedInput:
    """One input with its sensor."""

    per_full_scale: float
    """True volts or amperes at digital full scale."""
    corners_hz: tuple[float, ...] = (7.0,)
    noise: float = 1e-5
    """R.m.s. of digital full scale."""
    zero: float = 0.0
    """Of digital full scale."""
    bits: int = 24
    delay_s: float = 0.0


class _HighPass:
    """First-order high pass by the bilinear transform, its state carried on."""

    def __init__(self, corner_hz: float, rate_hz: float) -> None:
        half = math.tan(math.pi * corner_hz / rate_hz)
        self._b = 1.0 / (1.0 + half)
        self._a = (1.0 - half) / (1.0 + half)
        self._x = self._y = 0.0

    def feed(self, x: Floats) -> Floats:
        found = np.empty(len(x))
        for begin in range(0, len(x), _STRETCH):
            piece = x[begin : begin + _STRETCH]
            step = self._b * np.diff(piece, prepend=self._x)
            power = self._a ** np.arange(1, len(piece) + 1)
            found[begin : begin + len(piece)] = power * (self._y + np.cumsum(step / power))
            self._x, self._y = float(piece[-1]), float(found[begin + len(piece) - 1])
        return found


class _Path:
    """One input's way from the wire to whole counts."""

    def __init__(self, one: SimulatedInput, rate_hz: float, seed: int) -> None:
        self._one = one
        self._passes = [_HighPass(corner_hz, rate_hz) for corner_hz in one.corners_hz]
        self._random = np.random.default_rng([seed, 0x50C4])

    def feed(self, x: Floats) -> Floats:
        one = self._one
        y = x / one.per_full_scale
        for high_pass in self._passes:
            y = high_pass.feed(y)
        y = y + one.zero + one.noise * self._random.standard_normal(len(y))
        steps = 2.0 ** (one.bits - 1)
        counts: Floats = np.clip(np.round(y * steps), -steps, steps - 1.0) / steps
        return counts


class SoundInterface:
    """Two inputs with one clock."""

    def __init__(
        self,
        volts: SimulatedInput,
        amperes: SimulatedInput,
        rate_hz: float = 48_000.0,
        clock_ppm: float = 0.0,
        seed: int = 1,
    ) -> None:
        """``rate_hz`` as it states it; its clock really runs faster by ``clock_ppm`` millionths."""
        self.rate_hz = rate_hz
        self._true_hz = rate_hz * (1.0 + 1e-6 * clock_ppm)
        self._paths = (_Path(volts, rate_hz, seed), _Path(amperes, rate_hz, seed + 1))
        self._delays = (volts.delay_s, amperes.delay_s)
        self._ends = (0.0, 0.0)
        self._next = 0
        self._from_s = 0.0

    def hear(self, v_v: Floats, i_a: Floats, rate_hz: float) -> npt.NDArray[np.float32]:
        """Samples (n, 2: voltage, current) of a stretch that follows the last one, given at ``rate_hz``."""
        seconds = len(v_v) / rate_hz
        to_s = self._from_s + seconds
        count = max(math.floor(to_s * self._true_hz - 1e-9) + 1 - self._next, 0)
        at_s = (self._next + np.arange(count)) / self._true_hz
        there = self._from_s + (np.arange(len(v_v) + 1)) / rate_hz
        columns = []
        ends = []
        for x, before, delay_s, path in zip((v_v, i_a), self._ends, self._delays, self._paths, strict=True):
            line = np.concatenate([[before], x])
            columns.append(path.feed(np.interp(at_s - delay_s, there, line)) if count else np.empty(0))
            ends.append(float(x[-1]) if len(x) else before)
        self._ends = (ends[0], ends[1])
        self._next += count
        self._from_s = to_s
        return np.stack(columns, axis=1).astype(np.float32)
