"""What each stay at a step leaves for the fault patterns: current, watts, rails, output, course."""

from benchlog.bringup.assess import level_a
from benchlog.bringup.idle import power_factor
from benchlog.bringup.state import Phase, Run
from benchlog.model.pattern import Seen
from benchlog.model.role import Role


def keep(run: Run, amperes: float | None = None) -> None:
    """Remember the present step; ``amperes``: the current that decided, where nothing has settled.

    One entry a step: a step seen again replaces the one before (a soak, a cut-off).
    """
    current_a = amperes if amperes is not None else _current_a(run)
    if current_a is None or run.v <= 0.0 or current_a == float("inf"):
        return
    power_w = run.power_w if run.phase in (Phase.AT, Phase.SOAK) else None
    last = run.outputs.last_v
    run.evidence[run.k] = Seen(
        fraction=run.v,
        current_a=current_a,
        u_a=run.bounds.go_up_u_a(current_a),
        power_w=power_w,
        power_factor=power_factor(run, current_a, power_w),
        drift_per_min=run.drift.per_min() if run.rise_per_min is None else run.rise_per_min,
        output_dc_v=last.get(Role.OUTPUT_DC),
        rail_plus_v=last.get(Role.RAIL_PLUS),
        rail_minus_v=last.get(Role.RAIL_MINUS),
    )


def _current_a(run: Run) -> float | None:
    level = level_a(run) if run.visit is not None else None
    return level if level is not None else run.last_a
