"""Certified values of NIST's Statistical Reference Datasets for every statistic that the program computes.

Computed here: mean, standard deviation and lag-1 autocorrelation of readings, and a straight line's slope
with its standard error. No polynomial is fitted anywhere in the program. Digits are −log10 of the relative
error.

At least nine digits are asked, but of NumAcc3 and NumAcc4: their values near 10⁶ and 10⁷ differ in the first
decimal, which a double holds to about 10⁻¹⁰ and 10⁻⁹. Their s then has no more than about nine and eight
digits, whatever the algorithm. The last test shows it: exact arithmetic on the same doubles gives the same s.
"""

import json
import math
from decimal import Decimal, getcontext
from pathlib import Path

import numpy as np
import pytest

from benchlog.measure.settling import lag1, slope
from benchlog.measure.uncertainty import scatter

STRD = json.loads(Path(__file__).with_name("nist_strd.json").read_text(encoding="utf-8"))


def digits_of_pi(count: int) -> list[int]:
    """Leading decimal digits of π, by Machin's formula in whole numbers."""
    unity = 10 ** (count + 10)

    def arctan_of_inverse(x: int) -> int:
        term, total, k = unity // x, 0, 1
        while term:
            total += term // k if k % 4 == 1 else -(term // k)
            term //= x * x
            k += 2
        return total

    pi = 4 * (4 * arctan_of_inverse(5) - arctan_of_inverse(239))
    head, tail = divmod(pi, 10 ** (count // 2))
    return [int(c) for c in (str(head) + str(tail).zfill(count // 2))[:count]]


def published_pi_digits() -> np.ndarray:
    """The set as published: its 957th value is 3 where π has 8, and its certified mean holds for the 3."""
    digits_ = digits_of_pi(5000)
    assert digits_[956] == 8
    return np.array([*digits_[:956], 3, *digits_[957:]], dtype=float)


def alternating(base: str) -> np.ndarray:
    """NumAcc2 to NumAcc4: 1001 values, base + 0.2 first, then base + 0.1 and base + 0.3 in turn."""
    middle, low, high = (float(Decimal(base) + Decimal(d)) for d in ("0.2", "0.1", "0.3"))
    return np.array([middle] + [low, high] * 500)


SETS: dict[str, tuple[np.ndarray, float, float, float, float]] = {
    "PiDigits": (
        published_pi_digits(),
        4.5348,
        2.86733906028871,
        -0.00355099287237972,
        9.0,
    ),
    **{
        name: (np.array(STRD[name]["x"]), STRD[name]["mean"], STRD[name]["s"], STRD[name]["r1"], 9.0)
        for name in ("Mavro", "Michelso", "Lottery", "Lew")
    },
    "NumAcc1": (np.array([10_000_001.0, 10_000_003.0, 10_000_002.0]), 10_000_002.0, 1.0, -0.5, 9.0),
    "NumAcc2": (alternating("1.0"), 1.2, 0.1, -0.999, 9.0),
    "NumAcc3": (alternating("1000000.0"), 1_000_000.2, 0.1, -0.999, 8.5),
    "NumAcc4": (alternating("10000000.0"), 10_000_000.2, 0.1, -0.999, 7.5),
}


def digits(found: float, certified: float) -> float:
    return 15.0 if found == certified else min(-math.log10(abs(found - certified) / abs(certified)), 15.0)


@pytest.mark.parametrize("name", SETS)
def test_mean_deviation_and_autocorrelation(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    x, mean, s, r1, least = SETS[name]
    found = scatter(x)
    reached = digits(found.mean, mean), digits(found.s, s), digits(lag1(x - found.mean), r1)
    with capsys.disabled():
        print(
            f"\nNIST {name:9s} mean {reached[0]:4.1f}  s {reached[1]:4.1f}  r1 {reached[2]:4.1f} digits",
            end="",
        )
    assert min(reached) >= least


def test_straight_line(capsys: pytest.CaptureFixture[str]) -> None:
    line = STRD["Norris"]
    found = slope(np.array(line["x"]), np.array(line["y"]))
    plain_se = found.se / math.sqrt((1 + found.r1) / (1 - found.r1))
    reached = digits(found.b, line["slope"]), digits(plain_se, line["slope_sd"])
    with capsys.disabled():
        print(f"\nNIST Norris    slope {reached[0]:4.1f}  its s {reached[1]:4.1f} digits", end="")
    assert min(reached) >= 9.0


@pytest.mark.parametrize(("name", "base"), [("NumAcc3", "1000000.0"), ("NumAcc4", "10000000.0")])
def test_what_double_precision_permits(name: str, base: str) -> None:
    getcontext().prec = 50
    exact = [Decimal(float(v)) for v in alternating(base)]
    mean = sum(exact) / len(exact)
    s = (sum((v - mean) ** 2 for v in exact) / (len(exact) - 1)).sqrt()
    assert digits(float(s), 0.1) < 10.0, "the doubles themselves already differ from the certified data"
    assert scatter(SETS[name][0]).s == pytest.approx(float(s), rel=1e-8)
