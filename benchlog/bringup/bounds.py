"""The limits of one run at any inlet voltage, a plan file's own limits included."""

import math
from collections.abc import Sequence

import msgspec
import numpy as np
import numpy.typing as npt

from benchlog.bench.sheet import CurrentMeter, current_meter
from benchlog.limits import bringup as rules
from benchlog.limits.bringup import StepLimits, step_limits
from benchlog.measure.uncertainty import linear_u
from benchlog.model.errors import UsageError
from benchlog.model.instrument import MeterSheet
from benchlog.model.limit import Confidence, Limit
from benchlog.model.quantity import Quantity
from benchlog.model.role import Role
from benchlog.model.run import RunSetup
from benchlog.model.step import Step

LAMP_EXPONENT = 0.56
"""Current of an incandescent lamp ~ voltage to this power (from memory; common practice 0.55-0.6)."""
LAMP_ERROR = 0.20
"""Fraction by which a current estimated from a lamp's voltage may be wrong (ours)."""
_CACHED = 1024


def lamp_current_a(lamp_w: float, mains_v: float, lamp_v: float) -> float:
    """Current in A through a series lamp from the voltage across it: I ≈ In·(V/Vn)^0.56, ± 20 %."""
    return lamp_w / mains_v * math.pow(max(lamp_v, 0.0) / mains_v, LAMP_EXPONENT)


def voltmeter_u_v(sheet: MeterSheet | None, volts: float) -> float:
    """U of an inlet voltage in V by the linear bound; 0 where no sheet states it."""
    stated = sheet.find(Quantity.AC_VOLTAGE) if sheet else None
    if stated is None:
        return 0.0
    of_range = stated.range_fraction * (stated.range or 0.0)
    return linear_u(volts, stated.reading_fraction, stated.counts, stated.count) + linear_u(
        0.0, 0.0, 1.0, of_range
    )


def _lamp_meter(setup: RunSetup) -> CurrentMeter:
    """The series lamp as an ammeter: ± 20 %, and what the voltmeter's own error makes of no current."""
    u_v = voltmeter_u_v(setup.sheets.get(Role.INLET_VOLTAGE), 0.0)
    return CurrentMeter(LAMP_ERROR, 1.0, lamp_current_a(setup.lamp_w or 0.0, setup.unit.mains_v, u_v))


def by_lamp(setup: RunSetup) -> bool:
    """Whether the current is taken from the lamp's voltage, because there is no ammeter."""
    return not setup.reads(Role.SOURCE_CURRENT) and setup.lamp_w is not None and not setup.hand_set


def meter_of(setup: RunSetup) -> CurrentMeter:
    """The meter that gives the source current. `UsageError` where there is none."""
    if by_lamp(setup):
        return _lamp_meter(setup)
    sheet = setup.sheets.get(Role.SOURCE_CURRENT)
    if sheet is None or not setup.reads(Role.SOURCE_CURRENT):
        raise UsageError(
            "No instrument of the bench reads the source current. Give one the role 'source-current' in the "
            "bench file, or declare the series lamp and use a programmed source."
        )
    return current_meter(sheet)


def limits_of(setup: RunSetup) -> StepLimits:
    """The limits of a run. `UsageError` where the unit has no plate or no meter reads the current."""
    return step_limits(setup.unit, meter_of(setup), setup.source.rated_current_a, setup.reference)


class Bounds:
    """I_acc and I_stop at any v, continuous in v, remembered for the voltages last asked for.

    A plan file's own limit enters as its ratio to the rule's at its step; between steps the ratio is
    interpolated, and no own stop limit reaches above the hard bound.
    """

    def __init__(self, limits: StepLimits, steps: Sequence[Step]) -> None:
        """``steps`` by rising fraction."""
        self.limits = limits
        self._own = any(step.own_limits for step in steps)
        self._v = np.array([step.fraction for step in steps])
        self._acceptance_ratio = np.array(
            [
                s.acceptance.value / rules.acceptance_a(limits, s.fraction) if s.own_limits else 1.0
                for s in steps
            ]
        )
        self._stop_ratio = np.array(
            [s.stop.value / rules.stop_a(limits, s.fraction) if s.own_limits else 1.0 for s in steps]
        )
        self._stop_a: dict[float, float] = {}
        self._acceptance_a: dict[float, float] = {}

    def stop_a(self, v: float) -> float:
        """I_stop at v in A."""
        found = self._stop_a.get(v)
        if found is None:
            found = self._stop_a_of(v)
            if len(self._stop_a) >= _CACHED:
                self._stop_a.clear()
            self._stop_a[v] = found
        return found

    def acceptance_a(self, v: float) -> float:
        """I_acc at v in A."""
        found = self._acceptance_a.get(v)
        if found is None:
            found = rules.acceptance_a(self.limits, v) * self._ratio(v, self._acceptance_ratio)
            if len(self._acceptance_a) >= _CACHED:
                self._acceptance_a.clear()
            self._acceptance_a[v] = found
        return found

    def acceptance(self, v: float) -> Limit:
        """I_acc at v with its source."""
        return self._named(rules.acceptance(self.limits, v), self.acceptance_a(v))

    def stop(self, v: float) -> Limit:
        """I_stop at v with its source."""
        return self._named(rules.stop(self.limits, v), self.stop_a(v))

    def cannot_judge(self, v: float) -> bool:
        """U > I_acc/2, with U at I_acc."""
        amperes = self.acceptance_a(v)
        return rules.u_a(self.limits, amperes) > amperes / 2.0

    def go_up_u_a(self, x: float) -> float:
        """U of a settled current in A, not below U at the meter's least specified current."""
        return rules.go_up_u_a(self.limits, x)

    def _stop_a_of(self, v: float) -> float:
        by_rule = rules.stop_a(self.limits, v)
        if not self._own:
            return by_rule
        own = by_rule * self._ratio(v, self._stop_ratio)
        return min(own, max(by_rule, rules.hard_bound_a(self.limits)))

    def _ratio(self, v: float, ratios: npt.NDArray[np.float64]) -> float:
        return float(np.interp(v, self._v, ratios)) if self._own else 1.0

    def _named(self, by_rule: Limit, amperes: float) -> Limit:
        if amperes == by_rule.value:
            return by_rule
        return msgspec.structs.replace(
            by_rule, value=amperes, source="the plan file's own limit", confidence=Confidence.COMMON_PRACTICE
        )
