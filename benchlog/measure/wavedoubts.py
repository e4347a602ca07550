"""Why a waveform's figures may be wrong: each doubt is a sentence with what was seen and what to do.

    doubts(wave, frame, settled, inrush, nominal_v) -> tuple[str, ...]
    flatness(y, extreme, period, bands) -> list[Flat]        how flat the tops of one polarity are

Thresholds: ours, set on simulated and recorded waveforms (an unclipped top scores 0.5, a flat one 1).
"""

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from benchlog.measure.crossings import CHUNK, Floats, Samples
from benchlog.measure.waveframe import Frame, Inrush, Settled
from benchlog.model.wave import Waveform

LEAST_RATE_HZ = 2000.0
"""A digitiser below this sees less than 95 % of a switch-on peak (simulated linear supplies)."""
CHANGE = 0.01
"""Change between the last two windows above which the record is said to end too early."""
_FLAT_CURRENT = 0.65
_FLAT_VOLTAGE = 0.75
_LAST_S = 2.0
"""How much of the voltage is looked at for flat tops: a probe that is overdriven is so in every cycle."""
_LEAST_PERIOD = 20.0
"""Samples in a cycle below which a top is not told from a flat one."""


class Flat(NamedTuple):
    """Share of the samples near the extreme that lie close to it, and in how many separate tops."""

    share: float
    samples: int
    tops: int


def _count(y: Samples) -> float:
    """Size of one digitiser step, from the values that occur; 0 where there is only one."""
    steps = np.diff(np.unique(y[:20_000]))
    return float(steps.min()) if len(steps) else 0.0


def _beyond(y: Samples, level: float, side: float) -> tuple[npt.NDArray[np.int64], Floats]:
    """Samples with side·y ≥ level, with their positions; gathered in pieces that stay in the cache."""
    at: list[npt.NDArray[np.int64]] = []
    values: list[Floats] = []
    for begin in range(0, len(y), CHUNK):
        piece = y[begin : begin + CHUNK]
        found = np.flatnonzero(piece >= level if side > 0 else piece <= -level)
        at.append(found + begin)
        values.append(side * piece[found].astype(np.float64))
    return np.concatenate(at), np.concatenate(values)


def flatness(y: Samples, extreme: float, period: float, bands: tuple[float, ...]) -> list[Flat]:
    """How flat the tops at ``extreme`` are, for each band: 0.5 for a rounded top, near 1 for a clipped one.

    The samples within a band of the extreme are compared with those within four times that; round tops give
    √(1/4). ``bands`` from wide to narrow, in the unit of ``y``; ``period`` of the mains in samples.
    """
    side = 1.0 if extreme > 0 else -1.0
    at, height = _beyond(y, abs(extreme) - 4.0 * bands[0], side)
    found = []
    for band in bands:
        inner = at[height >= abs(extreme) - band]
        outer = int(np.count_nonzero(height >= abs(extreme) - 4.0 * band))
        tops = 1 + int(np.count_nonzero(np.diff(inner) > 0.4 * period))
        found.append(Flat(len(inner) / max(outer, 1), len(inner), tops))
    return found


def _clipped(y: Samples, offset: float, period: float, limit: float) -> list[str]:
    """Which sides are clipped, as ``+1.2`` or ``-3.4`` in the unit of ``y``."""
    sides = []
    step = _count(y)
    high, low = float(y.max()), float(y.min())
    for extreme in (high, low) if high > low else ():
        height = abs(extreme - offset)
        if height <= 4.0 * step or extreme == 0.0:
            continue
        bands = tuple(max(share * height, 0.55 * step) for share in (0.02, 0.005))
        for flat in flatness(y, extreme, period, bands):
            repeated = flat.tops >= 2 and flat.samples >= 4 * flat.tops and flat.share > limit
            if repeated or (flat.samples >= 8 and flat.share > 0.85):
                sides.append(f"{extreme:+.4g}")
                break
    return sides


def _clipping(wave: Waveform, frame: Frame, offset_a: float) -> list[str]:
    period = frame.rate_hz / (frame.frequency_hz or 50.0)
    messages = []
    current = _clipped(wave.i_a, offset_a, period, _FLAT_CURRENT)
    if current and period >= _LEAST_PERIOD:
        messages.append(
            f"The current is flat at {' and '.join(current)} A: the sensor or the input is saturated, and "
            "peak, r.m.s. and I²t are lower bounds. Use a wider range and record again."
        )
    last = wave.v_v[-int(_LAST_S * frame.rate_hz) :]
    voltage = _clipped(last, 0.0, period, _FLAT_VOLTAGE) if frame.frequency_hz else []
    if voltage and period >= _LEAST_PERIOD:
        messages.append(
            f"The voltage is flat at {' and '.join(voltage)} V: the probe or the input is overdriven, and "
            "volts, watts and power factor are wrong. Use a wider range and record again."
        )
    return messages


def _sampling(wave: Waveform, frame: Frame, inrush: Inrush, offset_a: float) -> list[str]:
    if frame.rate_hz < LEAST_RATE_HZ:
        return [
            f"At {frame.rate_hz:.4g} samples a second a switch-on spike falls between samples: the peak is "
            "a lower bound. Record at 5000 or more."
        ]
    if inrush.peak_a is None:
        return []
    near = wave.i_a[max(inrush.peak_at - 4, 0) : inrush.peak_at + 5].astype(np.float64) - offset_a
    at = min(inrush.peak_at, 4)
    tall = near * math.copysign(1.0, inrush.peak_a) >= 0.5 * abs(inrush.peak_a)
    left = at - int(np.argmin(tall[at::-1])) if not tall[: at + 1].all() else -1
    right = at + int(np.argmin(tall[at:])) if not tall[at:].all() else len(tall)
    if right - left - 1 >= 4:
        return []
    return [
        f"The largest spike is only {right - left - 1} samples wide at half its height: its true peak may "
        "be higher. Record at a higher rate."
    ]


def _voltage_scale(settled: Settled, frequency_hz: float | None, nominal_v: float | None) -> list[str]:
    volts = settled.rms_v
    if nominal_v is not None:
        if 0.8 * nominal_v <= volts <= 1.2 * nominal_v:
            return []
        return [
            f"The voltage is {volts:.4g} V r.m.s. where {nominal_v:.4g} V was meant. Check the probe's "
            "factor; the watts follow it."
        ]
    if volts < 85.0:
        return [
            f"The voltage is {volts:.4g} V r.m.s., less than any mains. Right for a low step or behind a "
            "lamp; otherwise check the probe's factor."
        ]
    odd = 140.0 < volts < 195.0 or volts > 277.0
    if frequency_hz is not None and 48.0 < frequency_hz < 52.0:
        odd = odd or 111.0 < volts < 195.0
    if not odd:
        return []
    return [
        f"The voltage is {volts:.4g} V r.m.s., which no mains supplies (IEC 60038: 100, 120, 230 V, ±10 "
        "%). Check the probe's factor; the watts follow it."
    ]


def _swapped(settled: Settled, wave: Waveform, frame: Frame) -> list[str]:
    low, high = int(settled.start), int(settled.end) + 1
    peak_v = float(np.abs(wave.v_v[low:high]).max())
    crest_v = peak_v / settled.rms_v if settled.rms_v > 0.0 else 0.0
    crest_i = settled.peak_a / settled.rms_a if settled.rms_a > 0.0 else 0.0
    size = settled.rms_a >= 60.0 and settled.rms_v <= 0.7 * settled.rms_a
    shape = crest_v > 2.0 and 1.3 < crest_i < 1.6 and settled.rms_a > settled.rms_v
    if not size and not shape:
        return []
    return [
        f"The channels look swapped: the current column holds {settled.rms_a:.4g} r.m.s., the voltage column "
        f"{settled.rms_v:.4g}. Name the columns the other way round."
    ]


def _mains(wave: Waveform, frame: Frame) -> list[str]:
    if frame.frequency_hz is None:
        mean = float(np.mean(wave.v_v, dtype=np.float64))
        long_enough = frame.count >= 0.08 * frame.rate_hz
        if long_enough and frame.scale_v > 0.0 and abs(mean) > 0.5 * frame.scale_v:
            return [
                f"The voltage does not change sign (mean {mean:.4g} V): a DC supply or a wrong coupling. No "
                "frequency, half-cycles, harmonics or phase."
            ]
        return [
            "The voltage shows no whole cycle of mains: dead channel, or a record shorter than a cycle. No "
            "frequency, half-cycles, harmonics or phase; check the column and record longer."
        ]
    if 45.0 <= frame.frequency_hz <= 65.0:
        return []
    return [
        f"The frequency is {frame.frequency_hz:.4g} Hz, not that of a 50 or 60 Hz mains. The figures hold "
        "for it; check the time column."
    ]


def _beginning(frame: Frame, inrush: Inrush) -> list[str]:
    if frame.switch_on is None:
        return [
            "The record shows no switch-on: no inrush figures, and the sensor's zero is not known, so that "
            "it is in every current and in the DC. Start the record before switching on."
        ]
    messages = []
    if frame.switch_on.offset_a is None:
        messages.append(
            "There is no quiet stretch before switch-on: the sensor's zero is not known and not removed. "
            "Start the record earlier."
        )
    late = (inrush.peak_at - frame.switch_on.at) / frame.rate_hz
    if late > 1.0 and abs(inrush.peak_a or 0.0) > 1.2 * abs(inrush.early_peak_a or 0.0):
        messages.append(
            f"The largest current came {late:.3g} s after switch-on: something else was switched or "
            "started then."
        )
    return messages


def _ending(frame: Frame, settled: Settled | None, inrush: Inrush) -> list[str]:
    if settled is None:
        return ["Less than a whole cycle follows the switch-on: no settled figures. Record longer."]
    missing = [name for name, y in zip(("10 ms", "100 ms", "1 s"), inrush.i2t, strict=True) if y is None]
    messages = []
    if missing and frame.switch_on is not None:
        messages.append(
            f"The record ends before {missing[0]} after switch-on: no I²t over {', '.join(missing)}."
        )
    if inrush.earlier_rms_a is None:
        messages.append("The record is too short to tell whether the current had settled. Record longer.")
    elif abs(settled.rms_a - inrush.earlier_rms_a) > CHANGE * settled.rms_a:
        change = settled.rms_a / inrush.earlier_rms_a - 1.0 if inrush.earlier_rms_a > 0.0 else math.inf
        messages.append(
            f"The record ends before the current had settled: {change:+.1%} from one 0.2 s to the next. "
            "Record longer."
        )
    return messages


def doubts(
    wave: Waveform, frame: Frame, settled: Settled | None, inrush: Inrush, nominal_v: float | None
) -> tuple[str, ...]:
    """All warnings of a record, the gravest first."""
    offset_a = (frame.switch_on.offset_a if frame.switch_on else None) or 0.0
    messages = _mains(wave, frame)
    if settled is not None:
        messages += _swapped(settled, wave, frame)
        messages += _voltage_scale(settled, frame.frequency_hz, nominal_v)
        if settled.rms_a == 0.0:
            messages.append(
                "The current is zero throughout: no crest factor or power factor. Check the sensor."
            )
    messages += _clipping(wave, frame, offset_a)
    messages += _sampling(wave, frame, inrush, offset_a)
    messages += _beginning(frame, inrush)
    messages += _ending(frame, settled, inrush)
    if len(inrush.half_cycles) and not np.isfinite(inrush.half_cycles).all():
        messages.append("The voltage was interrupted; half-cycles across the gap are left out.")
    silent_s = (frame.count - frame.at[-1]) / frame.rate_hz if len(frame.at) else 0.0
    if frame.frequency_hz and silent_s * frame.frequency_hz > 2.0:
        messages.append(
            f"The voltage ends {frame.at[-1] / frame.rate_hz:.4g} s into the record; the settled figures "
            "are from just before."
        )
    return tuple(messages)
