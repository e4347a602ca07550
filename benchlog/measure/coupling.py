"""What an AC-coupled input takes off a switch-on, and how it is put back.

    restore(x, corners_hz, rate_hz, quiet) -> Restored    a whole record, from a stretch that repeats itself
    Restorer(corners_hz, rate_hz)                         the same, block by block
    find_corners(x, rate_hz) -> Corners                   the high-pass corners of a step's response
    droop(corner_hz, seconds) -> float                    what is lost of a constant by then

A capacitor or a current transformer ahead of the converter is a first-order high pass s/(s + ω); two of them
follow each other. The inverse is 1 + ω/s: the signal and ω times its integral. It is sound from a stretch
where the signal repeats itself (or is nothing) for as long as the integral of the input's own zero error
stays small; the DC that flowed before that stretch can't be known and counts as zero ("not judged").
Samples are of any one unit and stay in it. Source: the transfer functions of RC coupling and of a current
transformer with its magnetising inductance (textbook), by the trapezoidal rule (the bilinear transform).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from benchlog.measure.crossings import Floats, Samples
from benchlog.model.errors import UsageError

FREE_S = 0.5
"""For so long after a change the integral is let run free; then its mean is let go of."""
LONGEST_FREE_S = 3.0
"""A signal that never repeats itself is let go of all the same after so long."""
_LET_GO_S = 0.3
_CHANGE = 0.02
"""Change of a cycle's r.m.s. against the one before that counts as a change, as a fraction."""
_ZERO_S = 2.0
"""Time over which the input's own zero is followed while nothing changes."""


def droop(corner_hz: float, seconds: float) -> float:
    """Fraction of a constant that a first-order high pass has taken off after so many seconds."""
    return 1.0 - math.exp(-2.0 * math.pi * corner_hz * seconds)


def _running_integral(x: Floats, rate_hz: float, before: float | None) -> Floats:
    """Trapezoidal ∫x from the sample ``before`` the first (or from the first where there is none), in s."""
    found = np.cumsum(x)
    found -= 0.5 * x
    found += 0.5 * (before if before is not None else 0.0) - (0.5 * x[0] if before is None else 0.0)
    return found / rate_hz


@dataclass(frozen=True, slots=True, eq=False)
class Restored:
    """A record with its low frequencies put back."""

    y: Floats
    zero: float
    """The input's own zero, taken off before."""
    drift_per_s: float
    """Standard uncertainty of the drift that the zero's uncertainty makes, per second."""


def restore(x: Samples, corners_hz: Sequence[float], rate_hz: float, quiet: tuple[int, int]) -> Restored:
    """Undo the high passes over a whole record; ``quiet`` samples (start, end) that repeat themselves.

    They should be whole cycles, or nothing at all; the mean of the true signal there counts as zero.
    `UsageError` where they are fewer than two.
    """
    start, end = quiet
    if not 0 <= start < end - 1 or end > len(x):
        raise UsageError("A stretch before the switch-on is needed to put the low frequencies back.")
    zero = float(np.mean(x[start:end], dtype=np.float64))
    y = x.astype(np.float64) - zero
    spread = float(np.std(y[start:end] - _smooth_cycles(y[start:end])))
    slope = 0.0
    for corner_hz in corners_hz:
        omega = 2.0 * math.pi * corner_hz
        y = y + omega * _running_integral(y, rate_hz, None)
        y -= float(np.mean(y[start:end]))
        slope += omega
    return Restored(y, zero, slope * spread / math.sqrt(end - start))


def _smooth_cycles(y: Floats) -> Floats:
    """The signal without its sample noise: a straight line through neighbours on both sides."""
    if len(y) < 3:
        return np.zeros(len(y))
    inner = 0.5 * (y[:-2] + y[2:])
    return np.concatenate([y[:1], inner, y[-1:]])


class _Stage:
    """One corner's inverse with its integral carried on, and the mean of what it gives over a cycle."""

    def __init__(self, corner_hz: float, rate_hz: float) -> None:
        self.omega = 2.0 * math.pi * corner_hz
        self._rate_hz = rate_hz
        self.clear()

    def clear(self) -> None:
        self._integral = 0.0
        self._before: float | None = None
        self._sum = 0.0
        self._count = 0

    def feed(self, x: Floats) -> Floats:
        integral = self._integral + _running_integral(x, self._rate_hz, self._before)
        self._integral, self._before = float(integral[-1]), float(x[-1])
        y: Floats = x + self.omega * integral
        self._sum += float(y.sum())
        self._count += len(y)
        return y

    def end_cycle(self, share: float) -> None:
        if self._count and self.omega > 0.0:
            self._integral -= share * self._sum / (self._count * self.omega)
        self._sum, self._count = 0.0, 0


class Restorer:
    """Undoes the high passes of one input block by block.

    After a change the integral runs free for `FREE_S`; while the signal repeats itself its mean is let go of,
    as is the input's own zero, so that neither grows. The caller says where a cycle of the mains ends.
    """

    def __init__(self, corners_hz: Sequence[float], rate_hz: float) -> None:
        """``corners_hz`` of the high passes, one after the other; none leaves all as it is but the zero."""
        self._stages = [_Stage(corner_hz, rate_hz) for corner_hz in corners_hz]
        self._rate_hz = rate_hz
        self.clear()

    def clear(self) -> None:
        """Forget everything: samples are missing."""
        for stage in self._stages:
            stage.clear()
        self.zero = 0.0
        """The input's own zero as it is followed."""
        self.part: Floats = np.empty(0)
        """Of the samples last given back: how they hang on the corners (see `_sensitivity`)."""
        self._sum = self._squares = 0.0
        self._count = 0
        self._rms: float | None = None
        self._free_s = self._running_s = 0.0
        self._followed_s = self._adrift_s = 0.0

    def feed(self, x: Samples) -> Floats:
        """The samples with their low frequencies put back."""
        y = x.astype(np.float64)
        self._sum += float(y.sum())
        self._squares += float(np.dot(y, y))
        self._count += len(y)
        y -= self.zero
        parts = []
        for stage in self._stages:
            before, y = y, stage.feed(y)
            parts.append(y - before)
        self.part = self._sensitivity(parts, len(y))
        return y

    def _sensitivity(self, parts: list[Floats], count: int) -> Floats:
        """What the samples change by, for a corner frequency that is larger by its whole self.

        Of one corner that is ω∫x, what was put back. Of two, both wrong alike, (ω1 + ω2)∫x + 2·ω1·ω2∬x.
        More are bounded.
        """
        if not parts:
            return np.zeros(count)
        if len(parts) == 1:
            return parts[0]
        if len(parts) == 2:
            first, second = (stage.omega for stage in self._stages)
            return parts[0] * (1.0 - second / first) + 2.0 * parts[1]
        bound: Floats = len(parts) * np.abs(np.array(parts)).sum(axis=0)
        return bound

    def drift(self, noise: float) -> float:
        """What the zero's uncertainty may have made of the samples since the integral ran free.

        Four times its u: the zero is known from before the change only, and what two high passes made of it
        is let go of more slowly than it came (factor ours, tried on drawn set-ups).
        ``noise``: r.m.s. of the input's own, in the unit of the samples, as the result is.
        """
        zero_u = noise / math.sqrt(max(self._followed_s * self._rate_hz, 1.0))
        rates = [stage.omega for stage in self._stages]
        t = self._adrift_s
        both = (sum(rates) ** 2 - sum(w * w for w in rates)) / 2.0
        return 4.0 * zero_u * (sum(rates) * t + both * t * t / 2.0)

    def end_cycle(self) -> None:
        """A cycle of the mains ends with the samples given so far."""
        if self._count == 0:
            return
        seconds = self._count / self._rate_hz
        mean = self._sum / self._count
        rms = math.sqrt(max(self._squares / self._count - mean * mean, 0.0))
        changed = self._rms is None or abs(rms - self._rms) > _CHANGE * max(rms, self._rms) + 1e-5
        first, self._rms = self._rms is None, rms
        self._free_s = FREE_S if changed and not first else max(self._free_s - seconds, 0.0)
        if first:
            self._begin(mean)
            return
        self._running_s = self._running_s + seconds if self._free_s > 0.0 else 0.0
        self._adrift_s += seconds
        settled = self._free_s == 0.0 or self._running_s > LONGEST_FREE_S
        if settled:
            self._adrift_s *= math.exp(-seconds / _LET_GO_S)
            self._followed_s = min(self._followed_s + seconds, _ZERO_S)
            self.zero += (mean - self.zero) * seconds / self._followed_s
        for stage in self._stages:
            stage.end_cycle(1.0 - math.exp(-seconds / _LET_GO_S) if settled else 0.0)
        self._sum = self._squares = 0.0
        self._count = 0

    def _begin(self, mean: float) -> None:
        """The first cycle tells the zero; what was integrated before it was known is forgotten."""
        self.zero, self._followed_s = mean, self._count / self._rate_hz
        for stage in self._stages:
            stage.clear()
        self._sum = self._squares = 0.0
        self._count = 0


@dataclass(frozen=True, slots=True)
class Corners:
    """High-pass corners found from the response to a step."""

    corners_hz: tuple[float, ...]
    u_fraction: float
    """Expanded uncertainty of their sum, as a fraction of it."""
    residual: float
    """What the fit leaves, r.m.s., of the step's height."""


_ONE_IS_ENOUGH = 1.15
_LEAST_SAMPLES = 50
_COARSEST = 0.05
_BIAS = 3.0


def _fit(y: Floats, order: int, rate_hz: float) -> tuple[Floats, float, Floats]:
    """Least squares of y on a constant and its first ``order`` integrals: coefficients, residual, their u.

    The step lies somewhere between two samples, so that each integral lacks a constant; what a further
    integral makes of that is fitted along.
    """
    columns, integral = [np.ones(len(y))], y
    for _ in range(order):
        integral = _running_integral(integral, rate_hz, None)
        columns.append(-integral)
    columns += [(np.arange(len(y)) / rate_hz) ** k for k in range(1, order)]
    design = np.stack(columns, axis=1)
    found: Floats = np.linalg.lstsq(design, y, rcond=None)[0].astype(np.float64)
    left = y - design @ found
    spread = float(np.sqrt(np.dot(left, left) / max(len(y) - order - 1, 1)))
    u: Floats = spread * np.sqrt(np.abs(np.diag(np.linalg.pinv(design.T @ design, hermitian=True))))
    return found, spread, u


def find_corners(x: Samples, rate_hz: float) -> Corners:
    """Corners of the high passes whose response to a step ``x`` is, from the sample after the step.

    The zero before the step is taken off already. One corner or two, whichever the response asks for: of a
    cascade s²/((s + ω1)(s + ω2)) the response y obeys y = A − (ω1 + ω2)∫y − ω1·ω2∬y, which is linear in the
    unknowns. `UsageError` where it is no such response: too short, no decay, or nothing there.
    """
    y = x.astype(np.float64)
    if len(y) < _LEAST_SAMPLES or not np.isfinite(y).all():
        raise UsageError(f"A step's response needs at least {_LEAST_SAMPLES} samples. Record a longer one.")
    one, one_left, one_u = _fit(y, 1, rate_hz)
    two, two_left, two_u = _fit(y, 2, rate_hz)
    single = one_left <= _ONE_IS_ENOUGH * two_left or two[2] <= 2.0 * two_u[2]
    found, left, u = (one, one_left, one_u) if single else (two, two_left, two_u)
    height, total = abs(float(found[0])), float(found[1])
    if not (height > 0.0 and total > 0.0) or left > _COARSEST * height or total * len(y) / rate_hz < 0.5:
        raise UsageError(
            "This is not the response of an AC-coupled input to one step: it has no clean decay. Switch a "
            "steady direct current or voltage on once, with nothing else on the input, and record it again."
        )
    corners = (total,) if single else _roots(total, float(found[2]))
    u_fraction = 2.0 * float(u[1]) / total + _BIAS * left / height  # noise in the integrals biases low
    return Corners(tuple(w / (2.0 * math.pi) for w in corners), u_fraction, left / height)


def _roots(total: float, product: float) -> tuple[float, float]:
    """Two numbers of that sum and product; equal ones where noise makes them complex."""
    root = math.sqrt(max(total * total / 4.0 - product, 0.0))
    return total / 2.0 + root, total / 2.0 - root
