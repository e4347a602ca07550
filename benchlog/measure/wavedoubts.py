"""Why a waveform's figures may be wrong: each doubt is a sentence with what was seen and what to do.

    doubts(wave, frame, settled, inrush, nominal_v) -> tuple[str, ...]

Thresholds: ours, set on simulated and recorded waveforms.
"""

import math

import numpy as np

from benchlog.measure.flattop import find_tops, flat_levels, usual_share
from benchlog.measure.waveframe import Frame, Inrush, Settled
from benchlog.model.wave import Waveform

LEAST_RATE_HZ = 2000.0
"""A digitiser below this sees less than 95 % of a switch-on peak (simulated linear supplies)."""
CHANGE = 0.01
"""Change between the last two windows above which the record is said to end too early."""
_FLAT_CURRENT = 0.65
_FLAT_VOLTAGE = 0.80


def _clipping(wave: Waveform, frame: Frame, offset_a: float) -> list[str]:
    """Flat tops; a current may be as flat as the mains voltage itself, and a little more."""
    voltage_tops = find_tops(wave.v_v, frame.at, 0.0)
    mains = min(usual_share(voltage_tops), _FLAT_VOLTAGE)
    current = flat_levels(find_tops(wave.i_a, frame.at, offset_a), offset_a, max(_FLAT_CURRENT, mains + 0.08))
    voltage = flat_levels(voltage_tops, 0.0, _FLAT_VOLTAGE)
    messages = []
    if current:
        messages.append(
            f"The current is flat at {_levels(current)} A: the sensor or the input is saturated, and peak, "
            "r.m.s. and I²t are lower bounds. Use a wider range and record again."
        )
    if voltage:
        messages.append(
            f"The voltage is flat at {_levels(voltage)} V: the probe or the input is overdriven, and "
            "volts, watts and power factor are wrong. Use a wider range and record again."
        )
    return messages


def _levels(levels: tuple[float, ...]) -> str:
    return " and ".join(f"{level:+.4g}" for level in levels)


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
