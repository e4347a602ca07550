"""All figures of a sampled switch-on: zero, frequency, inrush, I²t, settled r.m.s., power, harmonics.

    figures(wave, nominal_v=None) -> WaveFigures

``wave`` holds v(t) in V and i(t) in A at an even rate; ``nominal_v`` the inlet voltage that was meant, where
known. Costs less than a hundred sums of the current's array and little memory beside it: what runs over
the whole record runs in pieces that stay in the cache.

Sources: r.m.s., active and apparent power by definition (IEC 60050-131); half-cycle windows between zero
crossings, and settled figures over whole cycles in 0.2 s, after the manner of IEC 61000-4-30 (10/12 cycles).
"""

import math

import numpy as np

from benchlog.measure import wavedoubts
from benchlog.measure.crossings import (
    Crossings,
    Floats,
    Samples,
    before,
    find_crossings,
    mains_frequency,
    regular,
)
from benchlog.measure.integral import Running, block_rms, integral, running_squares
from benchlog.measure.switching import SwitchOn, find_switch_on
from benchlog.measure.waveframe import Frame, Inrush, Settled
from benchlog.model.errors import UsageError
from benchlog.model.figures import WaveFigures
from benchlog.model.wave import Waveform

SETTLED_S = 0.2
"""Length of the settled window, in whole cycles."""
DECAYED = 1.10
"""A cycle counts as decayed when its r.m.s. is within this factor of the settled one."""


def check(wave: Waveform) -> None:
    """`UsageError` where the arrays can't be a record: too short, unequal, or not all numbers."""
    v_v, i_a = wave.v_v, wave.i_a
    if v_v.ndim != 1 or v_v.shape != i_a.shape:
        raise UsageError("Voltage and current must be two rows of the same length. Check the columns.")
    if len(i_a) < 4:
        raise UsageError(
            f"The record has {len(i_a)} samples. At least four are needed, and a cycle to be useful."
        )
    if not (math.isfinite(wave.rate_hz) and wave.rate_hz > 0.0):
        raise UsageError(
            f"The sampling rate is {wave.rate_hz} Hz. It must be above zero; check the time column."
        )
    for name, y in (("voltage", v_v), ("current", i_a)):
        if not math.isfinite(float(np.add.reduce(y, dtype=np.float64))):
            bad = np.flatnonzero(~np.isfinite(y))
            first = int(bad[0]) if len(bad) else 0
            raise UsageError(
                f"The {name} holds {len(bad)} values that are no numbers, the first at sample {first} "
                f"({first / wave.rate_hz:.6g} s). Cut them out and try again."
            )


def _live_scale(v_v: Samples, rate_hz: float) -> float:
    """R.m.s. of the live voltage: 95th percentile of stretches of 20 ms, so that silence does not count."""
    size = min(max(round(0.02 * rate_hz), 2), len(v_v))
    return float(np.quantile(block_rms(v_v, 0.0, size), 0.95))


def _frame(wave: Waveform) -> Frame:
    scale_v = _live_scale(wave.v_v, wave.rate_hz)
    found = find_crossings(wave.v_v, scale_v)
    found = Crossings(regular(found.at), found.rising_first)
    frequency = mains_frequency(found.at, wave.rate_hz)
    switch_on = find_switch_on(wave.v_v, wave.i_a, found.at, wave.rate_hz, frequency, scale_v)
    at, rising = _from_switch_on(found, switch_on) if frequency else (found.at[:0], True)
    return Frame(wave.rate_hz, len(wave.i_a), scale_v, frequency, switch_on, at, rising)


def _from_switch_on(found: Crossings, switch_on: SwitchOn | None) -> tuple[Floats, bool]:
    """Crossings from the start of the half-cycle of the switch-on, and whether the first of them rises.

    A switch-on less than 5 % of a half-cycle before a crossing belongs to the half-cycle that the crossing
    begins.
    """
    if switch_on is None:
        return found.at, found.rising_first
    at = before(found.at, float(switch_on.at))
    half = float(np.median(np.diff(at)))
    first = max(int(np.searchsorted(at, switch_on.at + 0.05 * half, "right")) - 1, 0)
    added = len(at) - len(found.at)
    return at[first:], found.rising_first == ((first - added) % 2 == 0)


def _settled_window(frame: Frame) -> tuple[float, float, int] | None:
    """Start, end and whole cycles of the last 0.2 s; without a frequency simply the last full 0.2 s.

    None where not even one whole cycle without interruption is left.
    """
    first = float(frame.switch_on.at) if frame.switch_on else 0.0
    if frame.frequency_hz is None:
        end = float(frame.count - 1)
        start = max(end - SETTLED_S * frame.rate_hz, first)
        return (start, end, 0) if end - start >= 0.999 * SETTLED_S * frame.rate_hz else None
    at = frame.at[(frame.at >= max(first, 0.0)) & (frame.at <= frame.count - 1)]
    gaps = np.flatnonzero(np.diff(at) > 0.75 * frame.rate_hz / frame.frequency_hz)
    at = at[gaps[-1] + 1 :] if len(gaps) else at
    cycles = min(max(round(SETTLED_S * frame.frequency_hz), 1), (len(at) - 1) // 2)
    return (float(at[-1 - 2 * cycles]), float(at[-1]), cycles) if cycles >= 1 else None


def _harmonic(y: Floats, start: float, end: float, cycles: int, order: int) -> float:
    """Amplitude of a harmonic over whole cycles between two positions."""
    turn = 2.0 * math.pi * order * cycles / (end - start) * (np.arange(len(y)) - start)
    return math.hypot(integral(y * np.cos(turn), start, end), integral(y * np.sin(turn), start, end))


def _settled(wave: Waveform, frame: Frame, offset_a: float) -> Settled | None:
    window = _settled_window(frame)
    if window is None:
        return None
    start, end, cycles = window
    low, high = int(start), min(math.ceil(end) + 2, frame.count)
    v = wave.v_v[low:high].astype(np.float64)
    i = wave.i_a[low:high].astype(np.float64) - offset_a
    a, b = start - low, end - low
    span = b - a
    inside = np.abs(i[math.ceil(a) : int(b) + 1])
    h = [_harmonic(i, a, b, cycles, k) for k in (1, 2, 3)] if cycles and 6 * cycles < span else [0.0]
    return Settled(
        start=start,
        end=end,
        cycles=cycles,
        rms_a=math.sqrt(max(integral(i * i, a, b) / span, 0.0)),
        rms_v=math.sqrt(max(integral(v * v, a, b) / span, 0.0)),
        power_w=integral(v * i, a, b) / span,
        peak_a=float(inside.max()),
        mean_a=integral(i, a, b) / span,
        h2=h[1] / h[0] if h[0] > 0.0 else None,
        h3=h[2] / h[0] if h[0] > 0.0 else None,
    )


def _window_rms(at: Floats, squares: Floats, step: int) -> Floats:
    """R.m.s. from each position to the one ``step`` further on; NaN across an interruption of the voltage."""
    if len(at) <= step:
        return np.empty(0)
    length = at[step:] - at[:-step]
    rms = np.sqrt(np.maximum(squares[step:] - squares[:-step], 0.0) / length)
    rms[length > 1.5 * np.median(length)] = np.nan
    return rms


def _decay(frame: Frame, at: Floats, squares: Floats, settled: Settled | None) -> float | None:
    """Position at which the first cycle has ended that is within 10 % above the settled r.m.s.

    Counted from the largest cycle of the first second; the switch-on itself where no cycle was above; None
    where it never came down.
    """
    cycles = _window_rms(at, squares, 2)
    if settled is None or frame.switch_on is None or len(cycles) == 0 or not np.isfinite(cycles).any():
        return None
    early = max(int(np.searchsorted(at, frame.switch_on.at + frame.rate_hz)), 1)
    largest = int(np.nanargmax(cycles[:early])) if np.isfinite(cycles[:early]).any() else 0
    if not cycles[largest] > DECAYED * settled.rms_a:
        return float(frame.switch_on.at)
    down = np.flatnonzero(cycles[largest:] <= DECAYED * settled.rms_a)
    return float(at[largest + int(down[0]) + 2]) if len(down) else None


def _inrush(wave: Waveform, frame: Frame, offset_a: float, settled: Settled | None) -> Inrush:
    on = frame.switch_on.at if frame.switch_on else 0
    last = frame.count - 1
    grid = np.clip(frame.at, 0.0, last)
    ends = [on + t * frame.rate_hz for t in (0.01, 0.1, 1.0)]
    width = settled.end - settled.start if settled else 0.0
    earlier = [settled.start - width, settled.start] if settled else []
    wanted = np.clip(np.array([float(on), *ends, *earlier]), 0.0, last)
    running = running_squares(wave.i_a, offset_a, grid, wanted)
    squares = running.upto(grid)

    def since_on(position: float | None) -> float | None:
        if frame.switch_on is None or position is None or position > last:
            return None
        return running.between(on, position) / frame.rate_hz

    decayed = _decay(frame, grid, squares, settled)
    peak_at = _peak(wave.i_a, offset_a, on)
    early_at = _peak(wave.i_a[: on + int(frame.rate_hz) + 1], offset_a, on)
    return Inrush(
        half_cycles=_window_rms(frame.at, squares, 1),
        peak_a=float(wave.i_a[peak_at]) - offset_a if frame.switch_on else None,
        peak_at=peak_at,
        early_peak_a=float(wave.i_a[early_at]) - offset_a if frame.switch_on else None,
        i2t=(since_on(ends[0]), since_on(ends[1]), since_on(ends[2])),
        i2t_settled=since_on(decayed),
        decay_s=(decayed - on) / frame.rate_hz if decayed is not None else None,
        earlier_rms_a=_earlier_rms(running, wanted[-2:], width, on) if settled else None,
    )


def _earlier_rms(running: Running, window: Floats, width: float, on: int) -> float | None:
    """R.m.s. of the window just before the settled one; None where that begins before the switch-on."""
    if not width > 0.0 or window[1] - window[0] < 0.98 * width or window[0] < on - 0.02 * width:
        return None
    return math.sqrt(max(running.between(float(window[0]), float(window[1])) / width, 0.0))


def _peak(i_a: Samples, offset_a: float, on: int) -> int:
    """Sample of the largest departure from the offset since ``on``."""
    since = i_a[on:]
    high, low = int(np.argmax(since)), int(np.argmin(since))
    return on + (high if float(since[high]) - offset_a >= offset_a - float(since[low]) else low)


def _phase_deg(frame: Frame) -> float | None:
    """Phase of the voltage at switch-on, from its rising crossing."""
    if frame.switch_on is None or len(frame.at) < 2:
        return None
    share = (frame.switch_on.instant - frame.at[0]) / (frame.at[1] - frame.at[0])
    return float(180.0 * share + (0.0 if frame.rising_first else 180.0)) % 360.0


def figures(wave: Waveform, nominal_v: float | None = None) -> WaveFigures:
    """All figures of the record, with warnings where it can't carry them.

    `UsageError` where the arrays are no record at all (see `check`); anything short of that is a None with
    its reason in ``warnings``, never a plausible number.
    """
    check(wave)
    frame = _frame(wave)
    offset = frame.switch_on.offset_a if frame.switch_on else None
    offset_a = offset or 0.0
    settled = _settled(wave, frame, offset_a)
    inrush = _inrush(wave, frame, offset_a, settled)
    half_cycles = tuple(float(x) for x in inrush.half_cycles if math.isfinite(x))
    apparent = settled.rms_a * settled.rms_v if settled else None
    return WaveFigures(
        offset_a=offset,
        frequency_hz=frame.frequency_hz,
        switch_on_s=frame.switch_on.instant / frame.rate_hz if frame.switch_on else None,
        switch_on_phase_deg=_phase_deg(frame),
        inrush_peak_a=inrush.peak_a,
        half_cycle_rms_a=half_cycles,
        max_half_cycle_rms_a=max(half_cycles, default=None),
        i2t_10ms_a2s=inrush.i2t[0],
        i2t_100ms_a2s=inrush.i2t[1],
        i2t_1s_a2s=inrush.i2t[2],
        i2t_settled_a2s=inrush.i2t_settled,
        decay_s=inrush.decay_s,
        settled_rms_a=settled.rms_a if settled else None,
        settled_rms_v=settled.rms_v if settled else None,
        active_power_w=settled.power_w if settled else None,
        apparent_power_va=apparent,
        power_factor=settled.power_w / apparent if settled and apparent else None,
        crest_factor=settled.peak_a / settled.rms_a if settled and settled.rms_a > 0.0 else None,
        dc_a=settled.mean_a if settled else None,
        h2_ratio=settled.h2 if settled else None,
        h3_ratio=settled.h3 if settled else None,
        warnings=wavedoubts.doubts(wave, frame, settled, inrush, nominal_v),
    )
