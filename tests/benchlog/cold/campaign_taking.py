"""Ten thousand simulated probings, and what hands-free taking makes of them.

    python tests/benchlog/cold/campaign_taking.py [--probings N] [--per-second R] [--seed S]

A meter of 6000 counts whose accuracy is 0.8 % + 3 counts (a middling hand meter; common practice, no source)
is put on points of 1 Ω to 1 MΩ for 8 s, or 12 s on a slow meter, with noise of 0.2-0.6 counts:

    clean 30 %      the value is there from the first whole reading on
    bounce 20 %     up to 0.8 s of values anywhere between the true one and a hundred times it, and overloads
    charging 15 %   x·(1 − a·e^(−t/τ)), a 0.1-1, τ log-uniform 0.3-30 s, at most x times 0.15 F
    autorange 15 %  coarser ranges first, each up to 0.5 s, with blanks and one off by up to 20 % between
    drift 10 %      linear, log-uniform 0.01-1 U a second, either way; the settled value is the last one
    wobble 10 %     contact resistance, Ornstein-Uhlenbeck, 0.5-20 U, correlated over 0.1-2 s, always upwards

A take off the settled value by more than U is wrong. A probing is missed where nothing was taken although the
indication stood within U/4 of the settled value for the last 4 s of the contact. Time to take counts from the
instant at which the probe touches, over the clean ones and those that bounce.
"""

import argparse
import sys
from collections import Counter
from dataclasses import dataclass

import numpy as np

from benchlog.cold.taking import Armed, Taking, Took
from benchlog.model.quantity import Quantity
from benchlog.model.reading import Channel, Measured, Reading, Setting, Status, Unusable
from benchlog.model.role import Role

COUNTS = 6000
MOST_FARAD = 0.15
"""The largest reservoir on a repair bench (common practice, no source): τ is at most that times the ohms."""
KINDS = ("clean", "bounce", "charging", "autorange", "drift", "wobble")
SHARES = (0.30, 0.20, 0.15, 0.15, 0.10, 0.10)
CHANNEL = Channel(Role.PROBE, Quantity.RESISTANCE, "hand meter")


def u_of(value: float, count: float) -> float:
    """Expanded uncertainty, (2/√3)·(0.8 % + 3 counts)."""
    return 2.0 / 3.0**0.5 * (0.008 * abs(value) + 3.0 * count)


@dataclass(frozen=True)
class Probing:
    """One contact: what the meter shows, and what is true."""

    kind: str
    readings: list[Reading]
    settled: float
    u: float
    touched_us: int
    takeable: bool


def full_scale(value: float) -> float:
    """Range of 600 Ω, 6 kΩ, … that shows a value."""
    return 600.0 * 10.0 ** max(np.ceil(np.log10(max(value, 1e-9) / 599.9)), 0.0)


def _ideal(kind: str, true: float, t: np.ndarray, rng: np.random.Generator) -> tuple[np.ndarray, float]:
    """Indication without noise at each instant since the touch, and the settled value."""
    u = u_of(true, full_scale(true) / COUNTS)
    x = np.full(len(t), true)
    if kind == "charging":
        greatest_s = min(30.0, MOST_FARAD * true)
        tau, a = 10.0 ** rng.uniform(np.log10(0.3), np.log10(greatest_s)), rng.uniform(0.1, 1.0)
        return true * (1.0 - a * np.exp(-t / tau)), true
    if kind == "drift":
        rate = 10.0 ** rng.uniform(-2.0, 0.0) * u
        falls = rng.random() < 0.5 and rate * t[-1] < 0.5 * true
        x = true + (-rate if falls else rate) * t
        return x, float(x[-1])
    if kind == "wobble":
        amount, memory_s = 10.0 ** rng.uniform(np.log10(0.5), np.log10(20.0)) * u, rng.uniform(0.1, 2.0)
        keep = np.exp(-np.diff(t, prepend=t[0]) / memory_s)
        level = rng.normal()
        for k in range(len(t)):
            level = keep[k] * level + np.sqrt(1.0 - keep[k] ** 2) * rng.normal()
            x[k] += amount * abs(level)
        return x, true
    return x, true


def make(kind: str, per_second: float, rng: np.random.Generator, start_us: int) -> Probing:
    """One probing with the probe in the air before and after it."""
    least = np.log10(0.3 / MOST_FARAD) if kind == "charging" else 0.0
    true = 10.0 ** rng.uniform(least, 6.0)
    hold_s = 8.0 if per_second > 5.0 else 12.0
    period_s, phase_s = 1.0 / per_second, rng.uniform(0.0, 1.0 / per_second)
    t = np.arange(phase_s, hold_s, period_s)
    ideal, settled = _ideal(kind, true, t, rng)
    range_ = full_scale(float(np.max(ideal)))
    count, noise = range_ / COUNTS, rng.uniform(0.2, 0.6)
    shown = np.maximum(np.round(ideal / count + rng.normal(0.0, noise, len(t))) * count, 0.0)
    ranges, blanks = np.full(len(t), range_), np.zeros(len(t), dtype=bool)
    shown[0] = ideal[0] * rng.uniform(1.0, 3.0)  # the first aperture holds the touch itself
    if kind == "bounce":
        rough = t < rng.uniform(0.1, 0.8)
        shown[rough] = ideal[rough] * 10.0 ** rng.uniform(0.0, 2.0, int(rough.sum()))
        blanks |= rough & (rng.random(len(t)) < 0.4)
    if kind == "autorange":
        _autorange(t, ideal, shown, ranges, blanks, range_, rng)
    air = [Unusable(CHANNEL, Status.OVERLOAD, 0, 0, Setting(range_, count))] * 3
    readings: list[Reading] = []
    at = start_us
    for reading in air:
        readings.append(_moved(reading, at, period_s))
        at += round(period_s * 1e6)
    touched_us = at - round(phase_s * 1e6)
    for x, full, blank in zip(shown, ranges, blanks, strict=True):
        setting = Setting(float(full), float(full) / COUNTS)
        whole = Unusable(CHANNEL, Status.OVERLOAD, 0, 0, setting)
        value = Measured(CHANNEL, float(x), 0, 0, setting)
        readings.append(_moved(whole if blank or x > full else value, at, period_s))
        at += round(period_s * 1e6)
    for reading in air:
        readings.append(_moved(reading, at, period_s))
        at += round(period_s * 1e6)
    u = u_of(settled, count)
    still = np.abs(ideal[t >= hold_s - 4.0] - settled) <= u / 4.0
    return Probing(kind, readings, settled, u, touched_us, bool(still.all()))


def _autorange(
    t: np.ndarray, ideal: np.ndarray, shown: np.ndarray, ranges: np.ndarray, blanks: np.ndarray,
    range_: float, rng: np.random.Generator,
) -> None:  # fmt: skip
    at, steps = 0.0, int(rng.integers(1, 4))
    for step in range(steps, 0, -1):
        until = at + rng.uniform(0.1, 0.5)
        here = (t >= at) & (t < until)
        coarse = range_ * 10.0**step
        ranges[here] = coarse
        shown[here] = np.round(ideal[here] / coarse * COUNTS) * coarse / COUNTS
        if here.any():
            blanks[np.flatnonzero(here)[-1]] = rng.random() < 0.5
        at = until
    after = np.flatnonzero(t >= at)
    if len(after):
        shown[after[0]] *= rng.uniform(0.8, 1.2)


def _moved(reading: Reading, at_us: int, period_s: float) -> Reading:
    end = at_us + round(period_s * 0.05 * 1e6)
    start = end - round(period_s * 0.9 * 1e6)
    if isinstance(reading, Unusable):
        return Unusable(reading.channel, reading.status, start, end, reading.setting)
    return Measured(reading.channel, reading.value, start, end, reading.setting)


@dataclass
class Tally:
    """What came of a campaign."""

    probings: int
    wrong: Counter[str]
    missed: Counter[str]
    taken: Counter[str]
    takeable: Counter[str]
    times_s: list[float]
    twice: int = 0
    not_armed: int = 0

    @property
    def missed_share(self) -> float:
        """Missed of those that could be taken."""
        return sum(self.missed.values()) / max(sum(self.takeable.values()), 1)

    @property
    def median_s(self) -> float:
        """Median time to take."""
        return float(np.median(self.times_s))


def run(probings: int, per_second: float, seed: int) -> Tally:
    """A whole campaign on one `Taking`, one probing after the other."""
    rng = np.random.default_rng(seed)
    taking, tally = Taking(u_of), Tally(probings, Counter(), Counter(), Counter(), Counter(), [])
    at_us = 0
    for kind in rng.choice(KINDS, probings, p=SHARES):
        probing = make(str(kind), per_second, rng, at_us)
        at_us = probing.readings[-1].end_us + round(1e6 / per_second)
        signs = [sign for reading in probing.readings for sign in taking.feed(reading)]
        tooks = [s for s in signs if isinstance(s, Took)]
        tally.twice += len(tooks) > 1
        tally.not_armed += not isinstance(signs[-1], Armed) if signs else 1
        tally.takeable[probing.kind] += probing.takeable
        if not tooks:
            tally.missed[probing.kind] += probing.takeable
            continue
        took = tooks[0]
        tally.taken[probing.kind] += 1
        tally.wrong[probing.kind] += abs((took.value or 0.0) - probing.settled) > (took.u or 0.0)
        if probing.kind in ("clean", "bounce"):
            tally.times_s.append((took.t_us - probing.touched_us) / 1e6)
    return tally


def main() -> int:
    """Run and print."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--probings", type=int, default=10_000)
    parser.add_argument("--per-second", type=float, action="append")
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    for rate in args.per_second or (10.0, 2.5):
        found = run(args.probings, rate, args.seed)
        print(
            f"{rate:g}/s: wrong {sum(found.wrong.values())} {dict(+found.wrong)}, missed "
            f"{found.missed_share:.2%} {dict(+found.missed)} of {dict(found.takeable)}, taken "
            f"{dict(found.taken)}, median {found.median_s:.2f} s, twice {found.twice}, "
            f"not armed {found.not_armed}"
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())
