"""The programmed source's own current limit, from the plan."""

import math

from benchlog.bench.sheet import current_meter
from benchlog.limits.bringup import hard_bound_a, step_limits
from benchlog.model.role import Role
from benchlog.model.run import RunSetup
from benchlog.model.unit import Amplifier
from benchlog.recorder.contract import SourceLimit

WINDOW_S = 3.0
VALVE_WINDOW_S = 30.0
LONGER_S = 1.0
"""By so much the trip delay is longer than the inrush window (ours)."""


def source_limit(setup: RunSetup) -> SourceLimit | None:
    """The hard bound with a trip delay longer than the inrush window; None for a hand-set source or no bound.

    The hard bound is the least of the fuse's rated current, the source's rating and, for class AB on a
    linear supply, 1.1 times the rated plate current.
    """
    sheet = setup.sheets.get(Role.SOURCE_CURRENT)
    if setup.hand_set or sheet is None:
        return None
    limits = step_limits(setup.unit, current_meter(sheet), setup.source.rated_current_a, setup.reference)
    bound_a = hard_bound_a(limits)
    window_s = VALVE_WINDOW_S if setup.unit.amplifier is Amplifier.VALVE else WINDOW_S
    if math.isinf(bound_a):
        return None
    return SourceLimit(bound_a, window_s + LONGER_S, setup.source.short_time_current_a)
