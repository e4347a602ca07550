"""Whether the stated uncertainty of an audio interface covers: drawn sensors, gains, corners, noises, units.

    python tests/population/audio_coverage.py --setups 500

Each set-up is calibrated as a technician would: level against a hand-held or bench meter (with its own drawn
error) at two currents, corners from one step with noise. Then an inrush is heard, half cycle by half cycle.
Its truth is known. Printed: share of peaks, of largest half cycles and of settled currents whose stated U
holds it, and the errors themselves, with the low frequencies put back and without.
"""

import argparse
import math
import sys
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchlog.measure.coupling import find_corners
from benchlog.measure.halfcycles import HalfCycle, HalfCycles, Input
from benchlog.measure.integral import integral
from benchlog.measure.level import Level, Point, fit_level, noise_floor
from benchlog_drivers.simulated.sound import SimulatedInput, SoundInterface

RATE, BLOCK = 48_000.0, 480
ON_S, LENGTH_S = 0.3, 1.4
Floats = npt.NDArray[np.float64]
METERS = ((0.003, 10 * 0.001), (0.01, 5 * 0.001))
"""Bench meter and hand-held: fraction of reading, and of counts in A."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """Errors as a fraction of the truth and whether U held: peak, largest half cycle, settled."""

    errors: tuple[float, float, float]
    i2t_error: float
    half_cycles: float
    """Worst error of a half cycle of the first 0.1 s that is above 2 % of the largest."""
    covered: tuple[bool, bool, bool, bool]
    """The fourth: I²t of 0.1 s, whose U is that of its half cycles, all wrong alike."""
    uncorrected: tuple[float, float]
    """Errors of peak and I²t with nothing put back."""


def draw_inrush(random: np.random.Generator, full_a: float, mains_hz: float) -> tuple[Floats, Floats]:
    """Voltage and current of a switch-on: one-sided pulses that decay, over a peaky idle current."""
    t = np.arange(round(LENGTH_S * RATE)) / RATE - ON_S
    phase = random.uniform(0.0, 0.4) * math.pi
    sine = np.sin(2.0 * np.pi * mains_hz * t + phase) * (t >= 0.0)
    peak, decay_s = full_a * random.uniform(0.15, 0.85), random.uniform(0.01, 0.06)
    idle = peak * random.uniform(0.01, 0.08)
    pulses = np.sign(sine) * np.abs(sine) ** random.uniform(1.5, 6.0)
    first = peak * np.exp(-np.maximum(t, 0.0) / decay_s) * np.maximum(pulses, 0.25 * pulses)
    return 170.0 * sine, first * (t >= 0.0) + idle * pulses


def calibrated(
    random: np.random.Generator, one: SimulatedInput, seed: int
) -> tuple[Level, tuple[float, ...], float]:
    """Level, corners and their uncertainty as they are found; nothing of the truth is used but through it."""
    fraction, counts_a = METERS[int(random.integers(2))]
    gain, offset = 1.0 + fraction * random.uniform(-1.0, 1.0), counts_a * random.uniform(-1.0, 1.0)
    t = np.arange(round(1.0 * RATE)) / RATE
    points = []
    for share in (0.05, 0.12):
        true_a = share * one.per_full_scale
        wave = true_a * math.sqrt(2.0) * np.sin(2.0 * np.pi * 50.0 * t)
        heard = SoundInterface(one, one, RATE, seed=seed).hear(wave, wave, RATE)[:, 1].astype(np.float64)
        late = heard[len(heard) // 2 :]
        turn = np.exp(-2j * np.pi * 50.0 * t[: len(late)])
        w = [2.0 * math.pi * c for c in one.corners_hz]
        lost = math.prod(1.0 / abs(1.0 + x / (2j * math.pi * 50.0)) for x in w)
        raw = abs(np.dot(late, turn)) * math.sqrt(2.0) / len(late) / lost
        counts_u = 2.0 / math.sqrt(3.0) * counts_a
        meter_u = 2.0 / math.sqrt(3.0) * fraction * true_a + counts_u
        points.append(Point(raw, 1e-4 * raw, true_a * gain + offset, meter_u, counts_u))
    step = np.concatenate([np.zeros(4800), np.full(round(0.8 * RATE), 0.1 * one.per_full_scale)])
    heard = SoundInterface(one, one, RATE, seed=seed + 7).hear(step, step, RATE)[:, 1].astype(np.float64)
    found = find_corners(heard[4801:] - heard[:4790].mean(), RATE)
    return fit_level(points), found.corners_hz, max(found.u_fraction, 1e-3)


def one_setup(seed: int) -> Outcome:
    """One drawn set-up and one inrush heard with it."""
    random = np.random.default_rng([seed, 0xA0D10])
    full_a, mains_hz = 10.0 ** random.uniform(1.3, 2.3), float(random.choice([50.0, 60.0]))
    corners = tuple(
        random.uniform(2.0, 20.0, 1 + int(random.integers(2))) / (1.0, 1.5)[int(random.integers(2))]
    )
    noise, zero = 10.0 ** random.uniform(-5.5, -4.0), random.uniform(-5e-4, 5e-4)
    bits = int(random.choice([16, 24]))
    noise = max(noise, 0.5 * 2.0 ** (1 - bits))  # a converter is not quieter than its own steps
    amperes = SimulatedInput(full_a, corners, noise, zero, bits)
    volts = SimulatedInput(400.0, (3.0,), 1e-5)
    level, found, corner_u = calibrated(random, amperes, seed)
    v, i = draw_inrush(random, full_a, mains_hz)
    heard = SoundInterface(volts, amperes, RATE, random.uniform(-80.0, 80.0), seed + 3).hear(v, i, RATE)
    quiet = noise_floor(heard[: round(0.2 * RATE), 1].astype(np.float64))
    known = Input(level.per_full_scale, level.u_fraction, found, corner_u, quiet)
    bare = Input(level.per_full_scale, level.u_fraction, (), 0.0, quiet)
    halves, plain = (_halves(heard, Input(400.0, 0.01, (3.0,), 0.01), one, mains_hz) for one in (known, bare))
    return _judged(halves, plain, i)


def _halves(heard: npt.NDArray[np.float32], volts: Input, one: Input, mains_hz: float) -> list[HalfCycle]:
    cut = HalfCycles(volts, one, RATE, mains_hz)
    return [
        half
        for at in range(0, len(heard), BLOCK)
        for half in cut.feed(heard[at : at + BLOCK, 0], heard[at : at + BLOCK, 1])
    ]


def _judged(halves: list[HalfCycle], plain: list[HalfCycle], i: Floats) -> Outcome:
    square, on = i * i, ON_S * RATE

    def true_rms(half: HalfCycle) -> float:
        start, end = half.start, min(half.end, len(i) - 2.0)
        return math.sqrt(integral(square, start, end) / (end - start))

    after = [h for h in halves if h.end > on]
    early = [h for h in after if h.end < on + 0.1 * RATE]
    largest = max(early, key=lambda h: h.current_a)
    top = max(early, key=lambda h: abs(h.peak_a))
    last = after[-4]
    true_peak = float(i[np.argmax(np.abs(i))])
    pairs = (
        (top.peak_a, true_peak, top.peak_u_a),
        (largest.current_a, true_rms(largest), largest.current_u_a),
        (last.current_a, true_rms(last), last.current_u_a),
    )
    errors = tuple(a / b - 1.0 for a, b, _ in pairs)
    level = 0.02 * true_rms(largest)
    worst = max(abs(h.current_a / true_rms(h) - 1.0) for h in early if true_rms(h) > level)
    start, end = early[0].start, early[-1].end
    true_a2s = integral(square, start, end) / RATE
    plain_early = [h for h in plain if on < h.end < on + 0.1 * RATE]
    heard_a2s = sum(h.i2t_a2s for h in early)
    heard_u_a2s = sum(2.0 * h.i2t_a2s * h.current_u_a / h.current_a for h in early if h.current_a > 0.0)
    covered = [abs(a - b) <= u for a, b, u in pairs]
    bare_peak = max(plain_early, key=lambda h: abs(h.peak_a)).peak_a
    return Outcome(
        (errors[0], errors[1], errors[2]),
        heard_a2s / true_a2s - 1.0,
        worst,
        (covered[0], covered[1], covered[2], abs(heard_a2s - true_a2s) <= heard_u_a2s),
        (bare_peak / true_peak - 1.0, sum(h.i2t_a2s for h in plain_early) / true_a2s - 1.0),
    )


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--setups", type=int, default=500)
    parser.add_argument("--base", type=int, default=0, help="the first set-up's seed is one more")
    args = parser.parse_args(arguments)
    found = [one_setup(args.base + seed) for seed in range(1, args.setups + 1)]
    sys.stdout.write(f"{len(found)} set-ups\n")
    for k, name in enumerate(("peak", "largest half cycle", "settled half cycle")):
        share = sum(one.covered[k] for one in found) / len(found)
        off = np.abs([one.errors[k] for one in found])
        sys.stdout.write(
            f"{name}: U holds the truth in {share:.1%}; error median {np.median(off):.2%}, p99 "
            f"{np.quantile(off, 0.99):.2%}, worst {off.max():.2%}\n"
        )
    share = sum(one.covered[3] for one in found) / len(found)
    sys.stdout.write(f"I²t of 0.1 s: U holds the truth in {share:.1%}\n")
    for name, values in (
        ("I²t of 0.1 s", [one.i2t_error for one in found]),
        ("worst half cycle of 0.1 s above 2 % of the largest", [one.half_cycles for one in found]),
        ("peak, nothing put back", [one.uncorrected[0] for one in found]),
        ("I²t, nothing put back", [one.uncorrected[1] for one in found]),
    ):
        off = np.abs(values)
        sys.stdout.write(
            f"{name}: error median {np.median(off):.2%}, p99 {np.quantile(off, 0.99):.2%}, worst "
            f"{off.max():.2%}\n"
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())
