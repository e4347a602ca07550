"""The limits of a bring-up applied to settled readings: many units at little cost, without the limit watch.

    told(options, models) -> {(knowledge, meter set): (told, cut, rule)}

One climb of the unit serves every meter set and everything that may be known of it. What needs the course in
time (inrush that does not decay, rises at one voltage) is left out: a bring-up tells the same faults at the
same step or earlier, and a runaway only there.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import msgspec
from curves import OUTPUTS, SETS, Point, climb, plan_fractions, sheets

from benchlog.bench.sheet import current_meter
from benchlog.bringup.outputs import Outputs
from benchlog.limits import bringup as rules
from benchlog.limits.bringup import StepLimits, step_limits
from benchlog.model.reference import Reference
from benchlog.model.unit import Unit
from benchlog_drivers.simulated.make import Made
from benchlog_drivers.simulated.options import SimulateOptions
from benchlog_drivers.simulated.source import programmed_rating

NO_CURRENT_FROM = 0.40
_NEARLY = 0.98


@dataclass(slots=True)
class Course:
    """One meter set with one knowledge."""

    limits: StepLimits
    meters: str
    told: float | None = None
    cut: float | None = None
    rule: str | None = None
    blind: int = 0

    def look(self, fraction: float, point: Point, outputs: Outputs | None) -> None:
        """Judge a settled step as the rules do."""
        rule = self._rule(point, outputs)
        if rule is not None and self.told is None:
            self.told, self.rule = fraction, rule
        if rule in ("stop-limit", "output-at-rail"):
            self.cut = fraction

    def _rule(self, point: Point, outputs: Outputs | None) -> str | None:
        v, x, limits = point.fraction, point.current_a[self.meters], self.limits
        if x >= rules.stop_a(limits, v):
            return "stop-limit"
        if outputs is not None and _at_rail(outputs, point):
            return "output-at-rail"
        if outputs is not None and (outputs.unequal or outputs.offset):
            return "rails" if outputs.unequal else "output-dc"
        if rules.cannot_judge(limits, v):
            self.blind += 1
            return None
        u = rules.go_up_u_a(limits, x)
        if v >= _NEARLY * NO_CURRENT_FROM and 0.04 * limits.expectation.rated_a > 1.5 * u and x <= u:
            return "no-current"
        return "above-acceptance" if x + u > rules.acceptance_a(limits, v) else None


def _at_rail(outputs: Outputs, point: Point) -> bool:
    """Feed the step's readings twice, as two in a row are needed; whether the output sits at a rail."""
    outputs.begin(0)
    found = [
        outputs.take(role, 1, point.outputs_v[role], point.fraction) for _ in range(2) for role in OUTPUTS
    ]
    return any(f is not None and f.kind == "cut-off" for f in found)


def courses(
    unit: Unit, options: SimulateOptions, idle_w: float, reference: Reference
) -> Iterator[tuple[str, Course]]:
    """What is known × meter set."""
    rating_a = programmed_rating(options.mains_v).current_a
    maker = msgspec.structs.replace(unit, idle_w=idle_w)
    for meters in SETS:
        meter = current_meter(sheets()[meters].meter_sheet())
        yield "nameplate", Course(step_limits(unit, meter, rating_a), meters)
        yield "maker's idle figure", Course(step_limits(maker, meter, rating_a), meters)
        yield "reference unit", Course(step_limits(unit, meter, rating_a, reference), meters)


def told(
    made: Made, options: SimulateOptions, idle_w: float, reference: Reference
) -> list[dict[str, object]]:
    """One unit climbed until every course is cut off or the plan is done; a line a course."""
    unit = made.unit
    under_way = list(courses(unit, options, idle_w, reference))
    outputs = Outputs(unit.topology)
    fractions = plan_fractions(unit)
    for fraction, point in zip(fractions, climb(made.physics, unit, options.seed, fractions), strict=False):
        for _, course in under_way:
            if course.cut is None:
                course.look(fraction, point, outputs if course.meters == "bench" else None)
        if all(course.cut is not None for _, course in under_way):
            break
    return [
        {"known": known, "meters": c.meters, "told": c.told, "cut": c.cut, "rule": c.rule, "blind": c.blind}
        for known, c in under_way
    ]
