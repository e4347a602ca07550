"""Power factor from watts and volt-amperes that each have an uncertainty.

    power_factor(power_w, power_u_w, apparent_va, apparent_u_va) -> float | None
    power_factor_u(power_w, power_u_w, apparent_va, apparent_u_va) -> float

Source of the definition: IEC 60050-131, 131-11-46 (active power ÷ apparent power; entry number from memory);
of its uncertainty: JCGM 100:2008, 5.1.2, watts and volt-amperes taken as independent.
"""

import math

COARSEST = 0.2
"""Largest U of a power factor that is still shown: 0.55 and 0.95 are told apart by it. Ours."""


def power_factor_u(power_w: float, power_u_w: float, apparent_va: float, apparent_u_va: float) -> float:
    """U of W ÷ VA, no unit, from the expanded uncertainties of both; infinite where VA is not above zero."""
    if apparent_va <= 0.0:
        return math.inf
    return math.hypot(power_u_w, power_w / apparent_va * apparent_u_va) / apparent_va


def power_factor(power_w: float, power_u_w: float, apparent_va: float, apparent_u_va: float) -> float | None:
    """W ÷ VA held to 0…1; None where it can't be told.

    That is where its U is above `COARSEST` (a few counts of watts or amperes), or the watts lie below zero by
    more than their U (leads reversed: the sign, and perhaps the wiring, is not as meant).
    """
    u = power_factor_u(power_w, power_u_w, apparent_va, apparent_u_va)
    if power_w < -power_u_w or not u <= COARSEST:
        return None
    return min(max(power_w / apparent_va, 0.0), 1.0)
