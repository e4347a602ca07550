"""Judges the waveform figures on real recordings that are not part of the project.

    python tests/reference/real_recordings.py FOLDER

Every ``.npz`` in the folder holds ``v_v`` (volts), ``i_a`` (amperes) and ``rate_hz``. Each figure is
worked out a second time by a plain computation that shares no code with the program, and must agree within
1 %. Nothing of the recordings is kept. Exit code 1 where a figure differs, 2 where there is nothing to judge.
"""

import math
import sys
from itertools import pairwise
from pathlib import Path

import numpy as np

from benchlog.measure.waveform import figures
from benchlog.model.wave import Waveform

TOLERANCE = 0.01


def crossings(v: list[float]) -> list[float]:
    """Rising zero crossings of a smoothed voltage, by walking along it."""
    found, armed = [], False
    limit = 0.3 * max(abs(x) for x in v)
    for k in range(1, len(v)):
        armed = armed or v[k] < -limit
        if armed and v[k - 1] <= 0.0 < v[k]:
            found.append(k - 1 + v[k - 1] / (v[k - 1] - v[k]))
            armed = False
    return found


def rms(y: list[float]) -> float:
    """Root of the mean of squares."""
    return math.sqrt(sum(x * x for x in y) / len(y))


def joule(since: list[float], seconds: float, rate: float) -> float:
    """Integral of the square by trapezoids."""
    squares = [x * x for x in since[: round(seconds * rate) + 1]]
    return sum((x + y) / 2.0 for x, y in pairwise(squares)) / rate


def plain(v: list[float], i: list[float], rate: float, on_s: float, offset: float) -> dict[str, float]:
    """The figures by sums over samples; the switch-on instant and the zero are the program's own."""
    on = math.floor(on_s * rate)
    i = [x - offset for x in i]
    rising = [c for c in crossings(v) if c > on]
    last = rising[-1]
    first = min(rising, key=lambda c: abs(last - c - 0.2 * rate))
    a, b = round(first), round(last)
    spectrum = np.fft.rfft(np.asarray(i[a:b]))
    cycles = rising.index(last) - rising.index(first)
    since = i[on:]
    peak = max(since, key=abs)
    half = (last - first) / cycles / 2.0
    before = max(c for c in crossings(v) if c <= on)
    starts = []
    position = before + half * math.floor((on + 0.05 * half - before) / half)
    while position + half < len(i):
        starts.append(position)
        nearest = min(rising, key=lambda c: abs(c - position))
        at_crossing = abs(nearest - position) < 0.1 * half
        position = (nearest if at_crossing else position) + half
    halves = [rms(i[max(round(s), 0) : round(s + half)]) for s in starts]
    return {
        "frequency_hz": rate * (len(rising) - 1) / (rising[-1] - rising[0]),
        "inrush_peak_a": peak,
        "max_half_cycle_rms_a": max(halves),
        "i2t_10ms_a2s": joule(since, 0.01, rate),
        "i2t_100ms_a2s": joule(since, 0.1, rate),
        "i2t_1s_a2s": joule(since, 1.0, rate),
        "settled_rms_a": rms(i[a:b]),
        "settled_rms_v": rms(v[a:b]),
        "active_power_w": sum(x * y for x, y in zip(v[a:b], i[a:b], strict=True)) / (b - a),
        "crest_factor": max(abs(x) for x in i[a:b]) / rms(i[a:b]),
        "h3_ratio": float(abs(spectrum[3 * cycles]) / abs(spectrum[cycles])),
    }


def judge(path: Path) -> bool:
    """Print both computations of one recording; whether all agree."""
    with np.load(path) as kept:
        wave = Waveform(
            kept["v_v"].astype(np.float64), kept["i_a"].astype(np.float64), float(kept["rate_hz"])
        )
    found = figures(wave)
    print(f"\n{path.name}: {len(wave.i_a)} samples at {wave.rate_hz:g} a second")
    print(
        f"  switch-on {found.switch_on_s} s at {found.switch_on_phase_deg} degrees, zero {found.offset_a} A"
    )
    for warning in found.warnings:
        print(f"  warning: {warning}")
    if found.switch_on_s is None or found.frequency_hz is None or found.settled_rms_a is None:
        print("  not compared: no switch-on, frequency or settled figures")
        return True
    again = plain(
        wave.v_v.tolist(), wave.i_a.tolist(), wave.rate_hz, found.switch_on_s, found.offset_a or 0.0
    )
    good = True
    for key, expected in again.items():
        value = getattr(found, key)
        off = abs(value - expected) / abs(expected) if value is not None else math.inf
        small = key == "h3_ratio" and abs(value - expected) < 0.002
        good = good and (off <= TOLERANCE or small)
        differs = "" if off <= TOLERANCE or small else "  DIFFERS"
        print(f"  {key:22s} {value:12.6g} {expected:12.6g} {off:8.3%}{differs}")
    return good


def main() -> int:
    """Judge every recording of the folder."""
    if len(sys.argv) != 2 or not Path(sys.argv[1]).is_dir():
        print("Give the folder that holds the recordings: real_recordings.py FOLDER", file=sys.stderr)
        return 2
    paths = sorted(Path(sys.argv[1]).glob("*.npz"))
    if not paths:
        print(f"There are no recordings (.npz) in {sys.argv[1]}.", file=sys.stderr)
        return 2
    agreed = [judge(path) for path in paths]
    return 0 if all(agreed) else 1


if __name__ == "__main__":
    sys.exit(main())
