"""Figures of one voltage step from the readings of a slow meter, and what they can't show.

    slow_figures(start_s, end_s, i_a, accuracy=None, turns=1, ...) -> SlowFigures
    slow_figures_of(readings, accuracy=None) -> SlowFigures              the same from `Reading`s of a channel
    peak_range(per_second) -> (low, middle, high)                        largest reading ÷ true peak
    idle_budget(end_s, i_a, idle_a, accuracy, turns) -> Budget           the full budget of a settled current

A true-r.m.s. reading averages over a tenth of a second or more, a switch-on peak lasts milliseconds: the
largest reading is a lower bound of the peak and is shown as such. Shares by rate: ours, on simulated
linear supplies.
"""

import math
from collections.abc import Sequence
from statistics import median

import numpy as np

from benchlog.measure.settling import LEAST_A, WINDOW_S, Floats, settled_since, settled_value, slope
from benchlog.measure.uncertainty import Budget, budget
from benchlog.model.clock import seconds
from benchlog.model.errors import UsageError
from benchlog.model.figures import SlowFigures
from benchlog.model.instrument import Accuracy
from benchlog.model.reading import Measured, Reading, full_scale

_RATES = (2.5, 10.0, 50.0)
_SHARES = ((0.06, 0.12, 0.25), (0.09, 0.18, 0.37), (0.12, 0.24, 0.51))
"""5th percentile, median and 95th percentile of the largest reading ÷ the true peak at those rates."""
_CONTIGUOUS = 0.02
_ENOUGH_FOR_A_LINE = 6


def peak_range(per_second: float) -> tuple[float, float, float]:
    """Largest reading ÷ true peak at a rate: 5th percentile, median, 95th percentile.

    Straight in the logarithms between 2.5, 10 and 50 readings a second, held beyond them.
    """
    at = math.log(min(max(per_second, _RATES[0]), _RATES[-1]))
    logs = [math.log(r) for r in _RATES]
    low, middle, high = (math.exp(float(np.interp(at, logs, [math.log(s) for s in row]))) for row in _SHARES)
    return low, middle, high


def _check(start_s: Floats, end_s: Floats, i_a: Floats) -> None:
    if not (len(start_s) == len(end_s) == len(i_a)):
        raise UsageError("Times and readings must be of the same number. Check the columns.")
    if len(i_a) and not (np.isfinite(i_a).all() and np.isfinite(start_s).all() and np.isfinite(end_s).all()):
        raise UsageError("Among the readings are values that are no numbers. Leave those out and try again.")
    if len(i_a) > 1 and float(np.diff(end_s).min()) <= 0.0:
        k = int(np.argmin(np.diff(end_s)))
        raise UsageError(f"Time goes back or stands still after {end_s[k]:.6g} s. Sort the readings by time.")


def _joule(start_s: Floats, end_s: Floats, i_a: Floats, idle_a: float) -> tuple[float | None, float | None]:
    """I²t above idle where the readings follow one another, and its lower bound where they do not."""
    aperture = end_s - start_s
    if len(i_a) == 0 or not (aperture > 0.0).all():
        return None, None
    excess = (i_a * i_a - idle_a * idle_a) * aperture
    gaps = start_s[1:] - end_s[:-1]
    if len(gaps) == 0 or float(np.abs(gaps).max()) <= _CONTIGUOUS * float(np.median(aperture)):
        total = float(excess.sum())
        return total, total
    return None, float(np.maximum(excess, 0.0).sum())


def slow_figures(
    start_s: Floats,
    end_s: Floats,
    i_a: Floats,
    accuracy: Accuracy | None = None,
    turns: int = 1,
    overloads: Sequence[float | None] = (),
) -> SlowFigures:
    """Figures from the arrival of a voltage on: begin and end of each reading in s, its r.m.s. amperes.

    Where only instants are known give them twice: there is no I²t then. ``overloads`` holds the full scale
    of each reading beyond range, None where unknown. The idle value is the mean of the last second, once
    the slope test has held; its U needs the meter's ``accuracy``. `UsageError` on unequal lengths, values
    that are no numbers or times that do not rise; an empty record gives empty figures.
    """
    _check(start_s, end_s, i_a)
    n = len(i_a)
    if n == 0 and not overloads:
        return _empty("There is no reading. Check the channel.")
    scales = [x for x in overloads if x is not None]
    largest = max([*(float(x) for x in np.abs(i_a)), *scales], default=None)
    at = float(end_s[int(np.argmax(np.abs(i_a)))]) if n and largest not in scales else None
    per_second = (n - 1) / float(end_s[-1] - end_s[0]) if n > 1 else None
    count = accuracy.count / turns if accuracy else 0.0
    settled_at = settled_since(end_s, i_a, LEAST_A, count) if n else None
    idle = settled_value(end_s, i_a) if settled_at is not None else None
    whole, least = _joule(start_s, end_s, i_a, idle or 0.0) if idle is not None else (None, None)
    range_ = peak_range(per_second) if per_second else None
    return SlowFigures(
        readings=n,
        per_second=per_second,
        largest_a=largest,
        largest_at_s=at,
        peak_at_least_a=largest,
        peak_low_a=largest / range_[2] if range_ and largest is not None else None,
        peak_high_a=largest / range_[0] if range_ and largest is not None else None,
        i2t_a2s=whole if not overloads else None,
        i2t_at_least_a2s=least,
        settled=settled_at is not None,
        settled_after_s=settled_at - float(start_s[0]) if settled_at is not None else None,
        idle_a=idle,
        idle_u_a=_expanded(end_s, i_a, idle, accuracy, turns),
        warnings=_warnings(n, settled_at, whole, len(overloads)),
    )


def idle_budget(
    end_s: Floats, i_a: Floats, idle_a: float, accuracy: Accuracy, turns: int = 1, extra_fraction: float = 0.0
) -> Budget:
    """The full budget in A of a settled current: the mean ``idle_a`` of the last second of readings.

    ``end_s`` (s, rising) and ``i_a`` (A, already divided by ``turns``) hold at least one reading; the scatter
    comes from the last `WINDOW_S`, which has more readings than the second that was averaged: about a
    straight line where there are enough of them, since a drift is no scatter; left out where there is but
    one. ``extra_fraction``: what the sheet adds for peaky currents, of reading.
    """
    recent = end_s > float(end_s[-1]) - WINDOW_S
    t_s, window, fitted = end_s[recent], i_a[recent], 1
    if len(window) >= _ENOUGH_FOR_A_LINE:
        window, fitted = window - slope(t_s, window).b * (t_s - t_s.mean()), 2
    averaged = max(int(np.count_nonzero(end_s > float(end_s[-1]) - 1.0)), 2)
    return budget(
        idle_a, accuracy, window, turns, extra_fraction=extra_fraction, averaged=averaged, fitted=fitted
    )


def _expanded(
    end_s: Floats, i_a: Floats, idle_a: float | None, accuracy: Accuracy | None, turns: int
) -> float | None:
    if idle_a is None or accuracy is None:
        return None
    return idle_budget(end_s, i_a, idle_a, accuracy, turns).expanded


def _warnings(n: int, settled_at: float | None, whole: float | None, overloads: int) -> tuple[str, ...]:
    messages = []
    if overloads:
        messages.append(
            f"{overloads} readings were beyond range and count as full scale: the largest is a lower "
            "bound. Use a wider range."
        )
    if n < 3:
        messages.append(f"Only {n} readings: nothing can be said of settling.")
    elif settled_at is None:
        messages.append("The current had not settled: no idle value and no I²t. Record longer.")
    elif whole is None:
        messages.append("The readings leave gaps: I²t is a lower bound, and may miss more than half of it.")
    return tuple(messages)


def _empty(why: str) -> SlowFigures:
    return SlowFigures(
        readings=0,
        per_second=None,
        largest_a=None,
        largest_at_s=None,
        peak_at_least_a=None,
        peak_low_a=None,
        peak_high_a=None,
        i2t_a2s=None,
        i2t_at_least_a2s=None,
        settled=False,
        settled_after_s=None,
        idle_a=None,
        idle_u_a=None,
        warnings=(why,),
    )


def slow_figures_of(readings: Sequence[Reading], accuracy: Accuracy | None = None) -> SlowFigures:
    """Figures from the readings of one current channel, in time order; turns as set in their settings."""
    good = [r for r in readings if isinstance(r, Measured)]
    overloads = [full_scale(r) for r in readings if not isinstance(r, Measured) and r.status == "overload"]
    turns = round(median(r.setting.turns for r in good)) if good else 1
    start = np.array([seconds(r.start_us) for r in good])
    end = np.array([seconds(r.end_us) for r in good])
    return slow_figures(start, end, np.array([r.value for r in good]), accuracy, turns, overloads)
