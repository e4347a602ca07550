"""What is kept of each step."""

import math

from benchlog.bringup.assess import forecast_next, forecast_next_w, level_a
from benchlog.bringup.idle import idle_u_a, power_factor
from benchlog.bringup.state import Run
from benchlog.model.clock import US
from benchlog.model.step import DecidedBy, StepRecord, StepVerdict


def largest(a: float | None, b: float | None) -> float | None:
    """The larger of two values that may be missing."""
    return max((x for x in (a, b) if x is not None), default=None)


def record(run: Run, verdict: StepVerdict, by: DecidedBy, why: str, earlier: bool = False) -> StepRecord:
    """What happened at this step; ``earlier``: before the present window, which belongs to another."""
    visit, step = run.visit, run.step
    level, measured_v = _measured(run, earlier)
    settled_us = run.drift.settled_us if level is not None and not earlier else None
    window_a = None if earlier or visit is None else run.inrush.peak_a
    peak_a = visit.peak_a if visit is not None else None
    acceptance, stop = run.bounds.acceptance(run.v), run.bounds.stop(run.v)
    return StepRecord(
        fraction=step.fraction,
        set_v=step.set_v,
        measured_v=measured_v,
        inrush_a=_finite(largest(visit.inrush_a if visit else None, window_a)) if peak_a is None else peak_a,
        inrush_is_lower_bound=peak_a is None,
        inrush_u_a=visit.peak_u_a if visit is not None else None,
        idle_a=level,
        idle_u_a=None if level is None else idle_u_a(run, level, earlier),
        idle_bound_a=None if level is None else run.bounds.go_up_u_a(level),
        acceptance_a=acceptance.value,
        acceptance_source=acceptance.source,
        stop_a=stop.value,
        stop_source=stop.source,
        verdict=verdict,
        decided_by=by,
        decision_reason=why,
        settled_after_s=None if settled_us is None or visit is None else (settled_us - visit.arrival_us) / US,
        forecast_next_a=forecast_next(run) if verdict is StepVerdict.GO_UP else None,
        forecast_next_w=forecast_next_w(run) if verdict is StepVerdict.GO_UP else None,
        power_w=run.power_w if level is not None else None,
        power_factor=power_factor(run, level, run.power_w),
    )


def _finite(current_a: float | None) -> float | None:
    """None for an overload whose range is not known."""
    return None if current_a is None or math.isinf(current_a) else current_a


def _measured(run: Run, earlier: bool) -> tuple[float | None, float | None]:
    """Settled current and inlet volts at the present stay, or before the voltage moved on."""
    if run.visit is None:
        return None, run.inlet.volts if run.reads_voltage else None
    if earlier:
        return run.visit.level_a, run.visit.at_v
    return level_a(run), run.inlet.volts if run.reads_voltage else None


def not_visited(run: Run) -> StepRecord:
    """The record of a step that the dial went past."""
    step = run.step
    return StepRecord(
        fraction=step.fraction, set_v=step.set_v, measured_v=None, inrush_a=None, inrush_is_lower_bound=True,
        idle_a=None, idle_u_a=None, acceptance_a=step.acceptance.value,
        acceptance_source=step.acceptance.source, stop_a=step.stop.value, stop_source=step.stop.source,
        verdict=StepVerdict.WAIT, decided_by=DecidedBy.TECHNICIAN, decision_reason="not visited",
        settled_after_s=None, visited=False,
    )  # fmt: skip
