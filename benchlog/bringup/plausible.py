"""Whether volts, amperes and watts fit each other: where not, a range, the turns or a lead is wrong."""

from math import inf

from benchlog.bringup import wording
from benchlog.bringup.bounds import voltmeter_u_v
from benchlog.bringup.state import Run
from benchlog.measure.uncertainty import linear_u
from benchlog.model.event import Instruct
from benchlog.model.quantity import Quantity
from benchlog.model.role import Role

MARGIN = 1.05
"""Share by which the watts may pass volts times amperes for readings that were not taken together (ours)."""
BLOCKER = "implausible"


def check_power(run: Run, now_us: int) -> None:
    """Hold the watts against the settled current; about once a second, before the step is judged.

    Over whole cycles the active power of any load is at most r.m.s. volts times r.m.s. amperes (the
    Cauchy-Schwarz inequality). Watts beyond that by more than the meters' U say that the current reads low,
    and with it every limit on it: no further step until they fit again.
    """
    most_w = _most_w(run)
    if most_w is None:
        return
    if _least_w(run) <= most_w:
        run.blockers.pop(BLOCKER, None)
    elif BLOCKER not in run.blockers:
        run.blockers[BLOCKER] = wording.too_many_watts(
            run.power_w or 0.0, run.volts, run.drift.level_a or 0.0
        )
        run.say(now_us, Instruct("Alarm: volts, amperes and watts don't fit each other", urgent=True))


def _most_w(run: Run) -> float | None:
    """Watts that volts and settled amperes allow at most, in W; None where there is nothing to compare."""
    level_a = run.drift.level_a
    if level_a is None or run.power_w is None or not run.reads_voltage:
        return None
    volts = run.volts + voltmeter_u_v(run.setup.sheets.get(Role.INLET_VOLTAGE), run.volts)
    return MARGIN * volts * (level_a + run.bounds.go_up_u_a(level_a))


def _least_w(run: Run) -> float:
    """The watts less their U; minus infinity where no sheet states it."""
    sheet, watts = run.setup.sheets.get(Role.SOURCE_POWER), run.power_w or 0.0
    stated = None if sheet is None else sheet.find(Quantity.ACTIVE_POWER)
    if stated is None:
        return -inf
    of_range = stated.range_fraction * (stated.range or 0.0)
    u = linear_u(watts, stated.reading_fraction, stated.counts, stated.count)
    return watts - u - linear_u(0.0, 0.0, 1.0, of_range)
