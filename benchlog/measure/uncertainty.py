"""Measurement uncertainty: the linear bound that the bring-up limits use.

linear_u(x, a, n_counts, count, turns=1) -> float
"""

import math

_BOUND = 2.0 / math.sqrt(3.0)


def linear_u(x: float, a: float, n_counts: float, count: float, turns: int = 1) -> float:
    """Expanded uncertainty bound (2/√3)·(a·|x| + n·d/turns), in the unit of ``x``.

    ``a`` fraction of reading, ``n_counts`` counts of size ``count``. The two parts of the accuracy are
    added, not combined, so it covers at least what the full budget covers. Source: ours; a rectangular
    ±(a·x + n·d) has a standard uncertainty of half-width ÷ √3 (JCGM 100:2008, 4.3.7), taken twice.
    """
    return _BOUND * (a * abs(x) + n_counts * count / turns)
