"""Settled or still moving, and rising or not, of the current at one voltage."""

from benchlog.bringup.trace import Trace
from benchlog.measure.settling import (
    HELD_S,
    LEAST_A,
    RISE_SPAN_S,
    WINDOW_S,
    Floats,
    Rise,
    is_settled,
    rise_alarm,
    settled_value,
    slope,
    tolerance,
)
from benchlog.model.clock import US

RISE_AFTER_US = 10 * US
"""Readings begun this long after an arrival serve the rise rules."""
SAME_VOLTAGE = 0.01
"""Change of voltage, as a fraction of it, that begins the rise rules anew."""
_TEST_US = 95_000
"""Least time between two settling tests: more than ten a second gain nothing."""
_COURSE_S = 20.0
"""Least length of a course that is put into a number."""
_LOOK_US = 1 * US
"""Time between two looks at the rise and at the settled value."""


class Drift:
    """Follows the current from the end of an inrush window on."""

    def __init__(self, count_a: float, count_v: float) -> None:
        """``count_a``: one count of the ammeter ÷ turns, in A; ``count_v``: three counts of the voltmeter."""
        self._count_a = count_a
        self._count_v = count_v
        self._settling = Trace(WINDOW_S)
        self._rising = Trace(RISE_SPAN_S + 1.0)
        self._base_v: float | None = None
        self.begin(0, 0)

    def begin(self, arrival_us: int, window_end_us: int) -> None:
        """An arrival, or its window extended."""
        self._rise_from_us = arrival_us + RISE_AFTER_US
        self._rising.clear()
        self._rise_look_us = 0
        self.restart(window_end_us)

    def restart(self, from_us: int) -> None:
        """Settling begins anew with readings begun at ``from_us`` or later."""
        self._settle_from_us = from_us
        self._settling.clear()
        self._first_us: int | None = None
        self._held_us: int | None = None
        self._test_us = 0
        self.settled_us: int | None = None
        """End of the reading with which the current was settled."""
        self.level_a: float | None = None
        """Mean of the last second, as last looked at; None before it is settled."""

    def gap(self, end_us: int) -> None:
        """The meter changed its range: a gap, not a step."""
        self._rising.clear()
        self._rise_from_us = max(self._rise_from_us, end_us)
        if self.settled_us is None:
            self.restart(max(self._settle_from_us, end_us))

    def voltage(self, end_us: int, volts: float) -> None:
        """An inlet voltage in V; a change begins the rise rules anew."""
        if self._base_v is None or abs(volts - self._base_v) > max(
            SAME_VOLTAGE * self._base_v, self._count_v
        ):
            self._base_v = volts
            self._rising.clear()
            self._rise_from_us = max(self._rise_from_us, end_us)

    def settle(self, start_us: int, end_us: int, amperes: float) -> bool:
        """A reading after the window; True where the settled value was found or looked at again."""
        if start_us < self._settle_from_us:
            return False
        self._settling.append(end_us / US, amperes)
        self._first_us = end_us if self._first_us is None else self._first_us
        if end_us - self._test_us < (_TEST_US if self.settled_us is None else _LOOK_US):
            return False
        self._test_us = end_us
        if self.settled_us is not None:
            self.level_a = self.mean_a()
            return True
        return self._test(end_us)

    @property
    def window(self) -> tuple[Floats, Floats]:
        """Instants in s and amperes of the last readings after the window, copied."""
        return self._settling.times.copy(), self._settling.values.copy()

    def mean_a(self) -> float | None:
        """Mean of the last second of readings after the window, at least two; None where there are not."""
        return settled_value(self._settling.times, self._settling.values)

    def rise(self, start_us: int, end_us: int, amperes: float) -> Rise | None:
        """Any reading; once a second the rise rules, 10 s after the arrival and later."""
        if start_us < self._rise_from_us:
            return None
        self._rising.append(end_us / US, amperes)
        if end_us < self._rise_look_us:
            return None
        self._rise_look_us = end_us + _LOOK_US
        return rise_alarm(self._rising.times, self._rising.values, self._count_a)

    def per_min(self) -> float | None:
        """Relative change a minute at this voltage (0.1 for 10 %), 0 where in doubt; None too early."""
        t_s, x = self._rising.times, self._rising.values
        level = settled_value(t_s, x)
        if level is None or level <= 0.0 or t_s[-1] - t_s[0] < _COURSE_S:
            return None
        found = slope(t_s, x)
        return 60.0 * found.b / level if abs(found.b) > 2.0 * found.se else 0.0

    def _test(self, end_us: int) -> bool:
        assert self._first_us is not None
        if end_us - self._first_us < WINDOW_S * US:
            return False
        t_s, x = self._settling.times, self._settling.values
        level = settled_value(t_s, x)
        if level is None or not is_settled(t_s, x, tolerance(level, LEAST_A, self._count_a)):
            self._held_us = None
            return False
        self._held_us = end_us if self._held_us is None else self._held_us
        if end_us - self._held_us < HELD_S * US:
            return False
        self.settled_us, self.level_a = end_us, level
        return True
