"""Figures of a long recording, and what runs on every reading: how long, and how much memory.

    python tests/bench/bench_waveform.py

Prints what it measures; exit code 1 where a bound is missed. The same bounds are tested by
test_bench_waveform.py.
"""

import sys
import time
import tracemalloc
from collections.abc import Callable

import numpy as np

from benchlog.bench.sheet import CurrentMeter
from benchlog.limits import bringup
from benchlog.measure import settling
from benchlog.measure.waveform import figures
from benchlog.model.unit import Plate, PlateKind, Unit
from benchlog.model.wave import Waveform

SECONDS, RATE_HZ = 60, 48_000.0
MOST_SUMS = 100.0
MOST_MEMORY = 4.0
MOST_SLOPE_S = 60e-6
MOST_STOP_S = 20e-6


def recording(kind: type = np.float64) -> Waveform:
    """60 s at 48 kS/s: a switch-on after half a second, harmonics, noise and a sensor's zero."""
    t = np.arange(int(SECONDS * RATE_HZ)) / RATE_HZ
    angle = 2 * np.pi * 50.01 * t + 0.3
    on = t > 0.5
    i = 0.3 * np.sin(angle) ** 5 + 20 * np.exp(-np.maximum(t - 0.5, 0) / 0.02) * np.sin(angle)
    i = np.where(on, i, 0.0) + 0.05 + 0.01 * np.random.default_rng(0).standard_normal(len(t))
    return Waveform((325 * np.sin(angle) * on).astype(kind), i.astype(kind), RATE_HZ)


def fastest(call: Callable[[], object], repeats: int, inner: int = 1) -> float:
    """Least processor seconds of one call; everything here runs in one thread."""
    best = float("inf")
    for _ in range(repeats):
        start = time.process_time()
        for _ in range(inner):
            call()
        best = min(best, (time.process_time() - start) / inner)
    return best


def sums(wave: Waveform, repeats: int = 3) -> float:
    """Time of all figures in sums of the current's array, both in this run."""
    return fastest(lambda: figures(wave), repeats) / fastest(wave.i_a.sum, 5 * repeats)


def memory(wave: Waveform) -> float:
    """Peak memory of all figures, input included, as a multiple of the input."""
    size = wave.v_v.nbytes + wave.i_a.nbytes
    tracemalloc.start()
    figures(wave)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return (size + peak) / size


def slope_s() -> float:
    """Seconds of one settling test on 120 readings."""
    t = np.arange(120) / 10.0
    x = 0.2 + 0.001 * np.random.default_rng(1).standard_normal(120)
    return fastest(lambda: settling.is_settled(t, x, 0.01), 5, 500)


def stop_s() -> float:
    """Seconds of one stop limit."""
    limits = bringup.step_limits(
        Unit(plate=Plate(PlateKind.AMPERES, 2.5)), CurrentMeter(0.01, 5, 0.001), 10.0
    )
    return fastest(lambda: bringup.stop_a(limits, 0.43), 5, 2000)


def main() -> int:
    """Measure everything and say so."""
    rows = []
    for kind in (np.float64, np.float32):
        wave = recording(kind)
        name = np.dtype(kind).name
        rows.append((f"all figures, {name}, in sums of the current", sums(wave), MOST_SUMS))
        rows.append((f"peak memory, {name}, in inputs", memory(wave), MOST_MEMORY))
    rows.append(("settling test, 120 readings, µs", 1e6 * slope_s(), 1e6 * MOST_SLOPE_S))
    rows.append(("stop limit, µs", 1e6 * stop_s(), 1e6 * MOST_STOP_S))
    for name, found, most in rows:
        print(f"{name:50s} {found:8.1f}  (at most {most:g})")
    return 0 if all(found <= most for _, found, most in rows) else 1


if __name__ == "__main__":
    sys.exit(main())
