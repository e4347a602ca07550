"""A switch-on heard through the inputs of an audio interface, as volts and amperes with its uncertainty.

    heard_wave(v, i, volts, amperes, rate_hz) -> Heard      samples of full scale 1.0 in, a waveform out

The low frequencies that the inputs took off are put back where the record shows a stretch before the
switch-on to start from; where it does not, they are left off and the notes say what that means.
"""

import math
from dataclasses import dataclass

import numpy as np

from benchlog.measure.coupling import droop, restore
from benchlog.measure.crossings import Floats, Samples, find_crossings, mains_frequency, regular
from benchlog.measure.halfcycles import FULL_SCALE, Input
from benchlog.measure.integral import block_rms
from benchlog.measure.switching import find_switch_on
from benchlog.model.errors import UsageError
from benchlog.model.wave import Waveform

LEAST_QUIET_S = 0.02
"""Shortest stretch before the switch-on from which low frequencies are put back."""
_GUARD_S = 0.003
_DRIFT = 0.01
"""Drift over the record, of the largest current, above which it is told."""


@dataclass(frozen=True, slots=True, eq=False)
class Heard:
    """A waveform out of two inputs."""

    wave: Waveform
    corrected: bool
    """Low frequencies were put back (or nothing had to be)."""
    clipped: bool
    """The current's input stood at full scale: peak, r.m.s. and I²t are lower bounds."""
    peak_a: float
    """Largest instantaneous current after the switch-on, with its sign."""
    peak_u_a: float
    """Expanded uncertainty of it."""
    notes: tuple[str, ...]


def heard_wave(
    v: Samples, i: Samples, volts: Input, amperes: Input, rate_hz: float, start_us: int = 0
) -> Heard:
    """Volts and amperes from samples of both inputs. `UsageError` where they are no record at all."""
    if v.ndim != 1 or v.shape != i.shape or len(v) < 16:
        raise UsageError("Both inputs must have the same number of samples, and at least a cycle of them.")
    v, i = _in_step(v.astype(np.float64), i.astype(np.float64), (amperes.delay_s - volts.delay_s) * rate_hz)
    notes = [*_silent(v, volts, "voltage"), *_silent(i, amperes, "current")]
    clipped = [bool(np.count_nonzero(np.abs(x) >= FULL_SCALE)) for x in (v, i)]
    quiet = _quiet(v, i, rate_hz)
    corrected = quiet is not None or not (volts.corners_hz or amperes.corners_hz)
    v_v, _ = _restored(v, volts, rate_hz, quiet)
    i_a, drift = _restored(i, amperes, rate_hz, quiet)
    if not corrected:
        notes.append(_uncorrected(amperes.corners_hz or volts.corners_hz))
    for name, is_clipped in zip(("voltage", "current"), clipped, strict=True):
        if is_clipped:
            notes.append(
                f"The input of the {name} was at full scale: it is clipped, and its peak, r.m.s. and I²t are "
                "lower bounds. Turn its gain down, calibrate again, and record again."
            )
    on = quiet[1] if quiet is not None else 0
    at = on + int(np.argmax(np.abs(i_a[on:])))
    peak_a = float(i_a[at])
    if drift * len(i_a) / rate_hz > _DRIFT * abs(peak_a):
        notes.append("The low frequencies put back may drift by more than 1 % of the peak by the end.")
    back_a = abs(peak_a - (float(i[at]) - _zero(i, quiet)) * amperes.per_full_scale)
    u = (
        amperes.u_fraction * peak_a,
        (amperes.corner_u_fraction if corrected else 1.0) * back_a,
        3.0 * amperes.noise * amperes.per_full_scale,
        2.0 * drift * (at - on) / rate_hz,
    )
    wave = Waveform(v_v, i_a, rate_hz, start_us)
    return Heard(wave, corrected, clipped[1], peak_a, math.sqrt(sum(x * x for x in u)), tuple(notes))


def _in_step(v: Floats, i: Floats, late: float) -> tuple[Floats, Floats]:
    """Both inputs with the later one moved forward by a whole and a part of a sample."""
    if late == 0.0:
        return v, i
    at = np.arange(len(v), dtype=np.float64)
    if late > 0.0:
        return v, np.interp(at + late, at, i)
    return np.interp(at - late, at, v), i


def _silent(x: Floats, one: Input, name: str) -> list[str]:
    if float(np.std(x)) > max(3.0 * one.noise, 2e-5):
        return []
    return [f"The input of the {name} is silent: nothing but noise is on it. Check sensor, lead and gain."]


def _zero(x: Floats, quiet: tuple[int, int] | None) -> float:
    return float(np.mean(x if quiet is None else x[quiet[0] : quiet[1]]))


def _restored(x: Floats, one: Input, rate_hz: float, quiet: tuple[int, int] | None) -> tuple[Floats, float]:
    """In SI units, with the drift per second that the zero's uncertainty makes."""
    if quiet is None:
        return (x - _zero(x, None)) * one.per_full_scale, 0.0
    found = restore(x, one.corners_hz, rate_hz, quiet)
    return found.y * one.per_full_scale, found.drift_per_s * one.per_full_scale


def _quiet(v: Floats, i: Floats, rate_hz: float) -> tuple[int, int] | None:
    """A stretch before the switch-on that repeats itself: whole cycles where there is a voltage already."""
    size = min(max(round(0.02 * rate_hz), 2), len(v))
    scale = float(np.quantile(block_rms(v, float(np.mean(v)), size), 0.95))
    found = find_crossings(v - np.mean(v), scale).at if scale > 0.0 else np.empty(0)
    frequency = mains_frequency(regular(found), rate_hz)
    on = find_switch_on(v, i, found, rate_hz, frequency, scale)
    if on is None:
        return _before_a_rise(i, found, rate_hz)
    end = on.at - round(_GUARD_S * rate_hz)
    if not on.with_voltage and frequency:
        cycle = rate_hz / frequency
        cycles = int(end / cycle)
        return (end - round(cycles * cycle), end) if cycles >= 1 else None
    return (0, end) if end >= LEAST_QUIET_S * rate_hz else None


def _before_a_rise(i: Floats, at: Floats, rate_hz: float) -> tuple[int, int] | None:
    """Whole cycles before the first half cycle that is larger than those before it by a fifth."""
    if len(at) < 6:
        return None
    edges = np.round(at).astype(int)
    zero = float(np.mean(i[edges[0] : edges[2]]))
    rms = [float(np.sqrt(np.mean(np.square(i[a:b] - zero)))) for a, b in zip(edges, edges[2:], strict=False)]
    for k in range(2, len(rms)):
        if rms[k] > 1.2 * rms[k - 2]:
            first = edges[0] if (k - 1) % 2 == 0 else edges[1]
            return (
                (int(first), int(edges[k - 1])) if edges[k - 1] - first >= LEAST_QUIET_S * rate_hz else None
            )
    return None


def _uncorrected(corners_hz: tuple[float, ...]) -> str:
    corner_hz = sum(corners_hz)
    return (
        f"The record does not show what was before the switch-on, so the low frequencies that the input "
        f"takes off (corner {corner_hz:.3g} Hz) are not put back: a current that flows one way is "
        f"{droop(corner_hz, 0.005):.0%} too small after 5 ms and {droop(corner_hz, 0.02):.0%} after 20 ms. "
        "Begin to record at least 0.1 s earlier."
    )
