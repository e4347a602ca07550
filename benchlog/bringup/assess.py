"""The verdict at the present step, from what is known now."""

from collections.abc import Callable

from benchlog.bringup import wording
from benchlog.bringup.state import Phase, Run
from benchlog.limits import bringup as rules
from benchlog.limits.forecast import forecast_current, forecast_power, power_u_w
from benchlog.model.clock import US
from benchlog.model.instrument import Accuracy, MeterSheet
from benchlog.model.quantity import Quantity
from benchlog.model.role import Role
from benchlog.model.step import StepVerdict
from benchlog.model.unit import Supply

COMPLETE_US = 120 * US
"""Time at the last step after which a run completes, once settled."""
_NO_CURRENT_FROM = 0.40
_NO_CURRENT_FROM_SWITCH_MODE = 0.90
_NEARLY = 0.98
"""A source set to the fraction may be read a little below it."""

Assessment = tuple[StepVerdict, str]
"""The verdict and the short name of the rule that decided it."""


def assess(run: Run) -> Assessment | None:
    """The verdict now; None on the way between two steps."""
    if run.blockers:
        return StepVerdict.WAIT, next(iter(run.blockers))
    if run.phase is Phase.READY:
        return StepVerdict.WAIT, "first-readings"
    if run.visit is None or run.phase not in (Phase.AT, Phase.SOAK):
        return None
    if run.inrush.is_open:
        return StepVerdict.WAIT, "inrush"
    if not run.visit.placed:
        return StepVerdict.WAIT, "turning"
    if run.outputs.unequal or run.outputs.offset:
        return StepVerdict.WAIT, "rails" if run.outputs.unequal else "output-dc"
    return _by_current(run)


def _by_current(run: Run) -> Assessment:
    assert run.visit is not None
    short = run.step.short_check
    if short and not run.visit.dwelt:
        return StepVerdict.WAIT, "short-check"
    if run.bounds.cannot_judge(run.v):
        return StepVerdict.CANNOT_JUDGE, "cannot-judge"
    level = level_a(run)
    if level is None:
        return StepVerdict.WAIT, "short-check" if short else "settling"
    if no_current(run, level):
        return StepVerdict.WAIT, "no-current"
    if level + run.bounds.go_up_u_a(level) > run.bounds.acceptance_a(run.v):
        return StepVerdict.WAIT, "above-acceptance"
    if not run.visit.dwelt:
        return StepVerdict.WAIT, "dwell"
    return StepVerdict.GO_UP, "accepted"


def level_a(run: Run) -> float | None:
    """The settled current in A; of a short check, the mean of the last second. None before there is one."""
    return run.drift.mean_a() if run.step.short_check else run.drift.level_a


def no_current(run: Run, level: float) -> bool:
    """Whether a unit of this plate should draw something here, the meter could tell, and nothing is drawn."""
    switch_mode = run.setup.unit.supply is Supply.SWITCH_MODE
    if run.v < _NEARLY * (_NO_CURRENT_FROM_SWITCH_MODE if switch_mode else _NO_CURRENT_FROM):
        return False
    u = rules.go_up_u_a(run.limits, level)
    return 0.04 * run.limits.expectation.rated_a > 1.5 * u and level <= u


def forecast_next(run: Run) -> tuple[float, float, float] | None:
    """What the next step may draw (low, middle, high, A), this one among the earlier ones where settled."""
    if run.at_last:
        return None
    level = level_a(run) if run.visit is not None else None
    seen = (
        [*run.seen, (run.v, level)] if level is not None and level > run.bounds.go_up_u_a(level) else run.seen
    )
    fraction = run.setup.steps[run.k + 1].fraction
    found = forecast_current(run.limits, seen, fraction, run.setup.typical)
    return None if found is None else (found.low, found.middle, found.high)


def forecast_next_w(run: Run) -> tuple[float, float, float] | None:
    """The same of the watts, where they are read."""
    if run.at_last or run.power_w is None:
        return None
    watts = watts_told(run)
    seen = [*run.seen_w, (run.v, watts)] if watts is not None and run.visit is not None else run.seen_w
    fraction = run.setup.steps[run.k + 1].fraction
    found = forecast_power(run.limits, seen, fraction, run.setup.typical, wattmeter(run))
    return None if found is None else (found.low, found.middle, found.high)


def wattmeter(run: Run) -> Accuracy | None:
    """The stated accuracy of the watts; None where no sheet states it."""
    return run.setup.sheets.get(Role.SOURCE_POWER, MeterSheet()).find(Quantity.ACTIVE_POWER)


def watts_told(run: Run) -> float | None:
    """The last watts read, where they stand above their U."""
    if run.power_w is None or run.power_w <= power_u_w(run.power_w, wattmeter(run)):
        return None
    return run.power_w


def reason(run: Run, rule: str, now_us: int) -> str:
    """The sentence for the verdict that a rule gave."""
    if rule in run.blockers:
        return run.blockers[rule]
    return _SENTENCE[rule](run, now_us)


def _above(run: Run, _now_us: int) -> str:
    level = level_a(run) or 0.0
    limit = run.bounds.acceptance(run.v)
    return wording.above(level, run.bounds.go_up_u_a(level), limit.value, limit.source)


def _next_v(run: Run) -> float:
    return run.setup.steps[run.k + 1].set_v


def unseen(run: Run) -> bool:
    """Whether the settled current is not above the bound that the verdict is given with."""
    level = level_a(run) if run.visit is not None else None
    return level is not None and level <= run.bounds.go_up_u_a(level)


def _accepted(run: Run, now_us: int) -> str:
    if unseen(run):
        last = run.at_last
        return wording.last_step_blind(run.volts) if last else wording.go_up_blind(_next_v(run))
    if not run.at_last:
        return wording.go_up(_next_v(run), forecast_next(run))
    assert run.visit is not None
    left_us = 0 if run.phase is Phase.SOAK else max(run.visit.first_us + COMPLETE_US - now_us, 0)
    return wording.last_step(run.volts, left_us / US)


def _rails(run: Run, _now_us: int) -> str:
    last = run.outputs.last_v
    return wording.rails_unequal(abs(last[Role.RAIL_PLUS]), abs(last[Role.RAIL_MINUS]))


def _cannot_judge(run: Run, _now_us: int) -> str:
    remedy = rules.remedy(run.limits, run.v) or "Use another meter, or the series lamp."
    return f"Cannot judge at {wording.volts(run.volts)}. {remedy} The stop limit goes on watching"


_SENTENCE: dict[str, Callable[[Run, int], str]] = {
    "first-readings": lambda run, _: "Wait: for the first readings; nothing is switched on",
    "inrush": lambda run, _: f"Wait: switch-on at {wording.volts(run.volts)}",
    "turning": lambda run, _: "Wait: the voltage still moves",
    "rails": _rails,
    "output-dc": lambda run, _: run.outputs.offset_reason,
    "short-check": lambda run, _: f"Wait: a short look at {wording.volts(run.volts)}",
    "cannot-judge": _cannot_judge,
    "settling": lambda run, _: "Wait: still settling",
    "no-current": lambda run, _: wording.no_current(run.volts),
    "above-acceptance": _above,
    "dwell": lambda run, _: (
        f"Wait: {wording.span(run.step.dwell_min_s)} here, where a runaway is slow enough to catch"
    ),
    "accepted": _accepted,
}
