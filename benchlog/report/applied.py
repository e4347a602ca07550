"""The limits of a run as they were applied, for its charts.

The limits are continuous functions of the voltage and are computed from the run's set-up; what was recorded
are their values at the planned steps. Where this version of the program computes others than were recorded,
the recorded ones are drawn, straight from step to step.
"""

from collections.abc import Callable

import msgspec
import numpy as np

from benchlog.bench.sheet import current_meter
from benchlog.limits.bringup import StepLimits, acceptance_a, step_limits, stop_a
from benchlog.model.errors import UsageError
from benchlog.model.role import Role
from benchlog.model.run import RunSetup

SAME = 0.005
"""Part by which a computed limit may differ from the recorded one."""


class Applied(msgspec.Struct, frozen=True):
    """Both limits in amperes, as functions of the fraction of the mains voltage."""

    acceptance_a: Callable[[float], float]
    stop_a: Callable[[float], float]
    from_steps: bool
    """Drawn from step to step, since this version computes others."""


def applied_limits(setup: RunSetup) -> Applied | None:
    """The limits of a run; None where none were recorded and none can be computed."""
    computed = _computed(setup)
    steps = sorted(setup.steps, key=lambda step: step.fraction)
    if computed is not None and all(
        _same(acceptance_a(computed, step.fraction), step.acceptance.value)
        and _same(stop_a(computed, step.fraction), step.stop.value)
        for step in steps
    ):
        limits = computed
        return Applied(lambda v: acceptance_a(limits, v), lambda v: stop_a(limits, v), False)
    if not steps:
        return None
    fractions = [step.fraction for step in steps]
    accept = [step.acceptance.value for step in steps]
    stop = [step.stop.value for step in steps]
    return Applied(
        lambda v: float(np.interp(v, fractions, accept)), lambda v: float(np.interp(v, fractions, stop)), True
    )


def _computed(setup: RunSetup) -> StepLimits | None:
    """What this version computes; None without a meter for the current, or a plate."""
    sheet = setup.sheets.get(Role.SOURCE_CURRENT)
    if sheet is None:
        return None
    try:
        return step_limits(setup.unit, current_meter(sheet), setup.source.rated_current_a, setup.reference)
    except UsageError:
        return None


def _same(computed: float, recorded: float) -> bool:
    return abs(computed - recorded) <= SAME * abs(recorded)
