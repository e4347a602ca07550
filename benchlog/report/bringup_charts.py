"""The charts of a bring-up: over time, and idle current against inlet voltage."""

from collections.abc import Sequence

import numpy as np

from benchlog.model.clock import US
from benchlog.model.history import Entry
from benchlog.model.run import RunSetup
from benchlog.model.step import StepRecord
from benchlog.report.applied import Applied, applied_limits
from benchlog.report.charts import ACCEPT, CURRENT, INK, STOP, VOLTAGE, Panel, Series
from benchlog.report.content import Chart
from benchlog.report.figures import plain
from benchlog.session.series import Trace

FROM_STEPS = "; limits as recorded, straight from step to step"
VOLTAGE_FILE = "voltage.svg"
TIME_AXIS = "time since the bring-up began, s"
HALF_HEIGHT = 112.0
HALF_WIDTH = 256.0
"""Size of a chart that stands beside another."""


def time_charts(
    begun: Entry, setup: RunSetup, current: Trace | None, voltage: Trace | None
) -> tuple[Chart, ...]:
    """Source current with both limits, and inlet voltage, over the seconds since the bring-up began."""
    charts: list[Chart] = []
    if current is not None and current.t_us.size:
        charts.append(_current_chart(begun, setup, current, voltage))
    if voltage is not None and voltage.t_us.size:
        line = _series(voltage, "inlet voltage", VOLTAGE, begun.t_us)
        panel = Panel(TIME_AXIS, "inlet, V", (line,), height=HALF_HEIGHT, width=HALF_WIDTH)
        top = plain(float(np.nanmax(voltage.value)), 4)
        text = f"Inlet voltage over the same time; highest reading {top} V."
        charts.append(Chart(VOLTAGE_FILE, panel, text, half=True))
    return tuple(charts)


def _current_chart(begun: Entry, setup: RunSetup, current: Trace, voltage: Trace | None) -> Chart:
    lines = [_series(current, "source current", CURRENT, begun.t_us)]
    limits = applied_limits(setup)
    if limits is not None and voltage is not None and voltage.t_us.size:
        lines += _limit_lines(limits, setup, voltage, begun.t_us)
    panel = Panel(TIME_AXIS, "current, A", tuple(lines), height=120.0)
    top = float(np.nanmax(current.value))
    text = (
        f"Source current (r.m.s.) and limits; largest reading {plain(top, 3)} A, a lower bound of the peak. "
        f"0 s: the bring-up began, {begun.wall:%Y-%m-%d %H:%M:%S} ({begun.t_us / US:.1f} s of the session)."
    )
    return Chart("current.svg", panel, text)


def _series(trace: Trace, label: str, colour: str, from_us: int) -> Series:
    seconds = tuple(((trace.t_us - from_us) / US).tolist())
    return Series(label, seconds, tuple(trace.value.tolist()), colour)


def _limit_lines(limits: Applied, setup: RunSetup, voltage: Trace, from_us: int) -> list[Series]:
    """Both limits at the voltage of the moment."""
    fractions = voltage.value / setup.unit.mains_v
    t = tuple(((voltage.t_us - from_us) / US).tolist())
    stop = tuple(limits.stop_a(float(v)) if v == v else float("nan") for v in fractions)
    accept = tuple(limits.acceptance_a(float(v)) if v == v else float("nan") for v in fractions)
    return [
        Series("stop limit", t, stop, STOP, "5 2"),
        Series("acceptance limit", t, accept, ACCEPT, "1.5 1.5"),
    ]


def idle_chart(setup: RunSetup, steps: Sequence[StepRecord]) -> Chart | None:
    """Settled idle current against inlet voltage, ± U, with both limit curves; None where none settled."""
    limits = applied_limits(setup)
    seen = [s for s in steps if s.idle_a is not None and s.measured_v is not None]
    if limits is None or not seen:
        return None
    fractions = np.linspace(0.02, max(1.0, setup.steps[-1].fraction), 80)
    volts = tuple((fractions * setup.unit.mains_v).tolist())
    stop = Series("stop", volts, tuple(limits.stop_a(float(v)) for v in fractions), STOP, "5 2")
    accept = Series(
        "acceptance", volts, tuple(limits.acceptance_a(float(v)) for v in fractions), ACCEPT, "1.5 1.5"
    )
    idle = Series(
        "idle ± U",
        tuple(float(s.measured_v or 0.0) for s in seen),
        tuple(float(s.idle_a or 0.0) for s in seen),
        CURRENT,
        marks=True,
        bars=tuple(float(s.idle_u_a or 0.0) for s in seen),
    )
    reference = _reference_lines(setup)
    lines = (stop, accept, *reference, idle)
    panel = Panel("inlet voltage, V", "current, A", lines, HALF_HEIGHT, HALF_WIDTH)
    text = (
        f"Settled idle current against inlet voltage at {len(seen)} steps, with both limit curves"
        f"{' and the reference unit' if reference else ''}{FROM_STEPS if limits.from_steps else ''}."
    )
    return Chart("idle.svg", panel, text, half=True)


def _reference_lines(setup: RunSetup) -> tuple[Series, ...]:
    """What the reference unit drew; none where the run had no reference."""
    if setup.reference is None or not setup.reference.points:
        return ()
    points = setup.reference.points
    volts = tuple(p.fraction * setup.reference.mains_v for p in points)
    return (Series("reference", volts, tuple(p.current_a for p in points), INK, "1 2"),)
