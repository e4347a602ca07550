"""Hands-free taking: which of a meter's readings is *the* reading of the point that the probe is on.

    taking = Taking(u_of)                     u_of(value, count) -> expanded uncertainty
    taking.feed(reading) -> tuple[Sign, ...]  every reading of the meter, in order
    taking.foot() -> tuple[Sign, ...]         the foot switch: takes at once what is shown

Overload, or open leads, is a probe in the air. A value begins a contact; a jump, a change of range or a gap
begins it anew. It is steady where all of these hold (ours, tried on simulated probings, see the campaign):

- `LEAST_S` and `LEAST_READINGS` since it began;
- the slope, with t95·SE, moves it by less than U within `HORIZON_S`;
- a slope that is statistically there (above t95·SE) moves it by less than U within `CREEP_S`, as a charging
  reservoir would;
- over that share of the contact it ranged over less than `SPREAD`·U and 2 counts, and its last third lies
  within `MOVED`·U of its first: an exponential with U still to go moves more than that in half of the time
  that it took to get there.

Slopes are those of the last `SHARE` of the contact, at least `LEAST_S` and at most `MEMORY_S`. Where U is
less than `COARSE` counts the last digit hides a slow rise: `COARSE_LEAST_S`. Where the whole contact has a
trend, the exponential through its thirds must have less than U/2 still to go. The value is the mean of the
last `LEAST_S`. Lifting the probe arms the next.
"""

from collections import deque
from collections.abc import Callable
from enum import StrEnum

import msgspec
import numpy as np

from benchlog.measure.settling import Floats, slope
from benchlog.measure.student import t95
from benchlog.model.clock import seconds
from benchlog.model.reading import Measured, Reading, Setting, Status, Unusable

LEAST_S = 1.0
LEAST_READINGS = 6
HORIZON_S = 7.5
CREEP_S = 30.0
MEMORY_S = 20.0
SPREAD = 0.5
MOVED = 0.3
COARSE = 5.5
COARSE_LEAST_S = 3.5
SHARE = 0.55
JUMP = 3.0
"""A step from one reading to the next of so many U, against the trend, is a new contact."""
LIFTED_READINGS = 2
"""Readings without a value in a row that are a lifted probe; one alone may be a blank of the meter."""
GAP_S = 1.5
"""Time without a reading after which a contact begins anew."""
TOLD_AFTER_S = 2.5
"""Contact that is not steady for so long is told why."""

_IN_THE_AIR = frozenset({Status.OVERLOAD, Status.OPEN_LEADS})


class State(StrEnum):
    """Where a taking stands."""

    ARMED = "armed"
    """The probe is in the air; a value begins a contact."""
    CONTACT = "contact"
    TAKEN = "taken"
    """Waits for the probe to be lifted."""


class Took(msgspec.Struct, frozen=True, tag="took"):
    """A reading is taken: sound the tone, flash the line."""

    value: float | None
    status: Status | None
    u: float | None
    t_us: int
    setting: Setting
    by_foot: bool = False


class Armed(msgspec.Struct, frozen=True, tag="armed"):
    """The probe was lifted: the next contact will be taken."""

    t_us: int


class Unsteady(msgspec.Struct, frozen=True, tag="unsteady"):
    """The contact is not steady, and why; told once a contact."""

    why: str
    t_us: int


Sign = Took | Armed | Unsteady
UncertaintyOf = Callable[[float, float], float]


class Taking:
    """The taking of one point after the other on one meter."""

    def __init__(self, u_of: UncertaintyOf) -> None:
        """``u_of(value, count)``: expanded uncertainty of a reading, in its unit of measure."""
        self.state = State.ARMED
        self._u_of = u_of
        self._t: deque[float] = deque(maxlen=1000)
        self._x: deque[float] = deque(maxlen=1000)
        self._setting = Setting()
        self._last: Reading | None = None
        self._without_value = 0
        self._told = False

    def feed(self, reading: Reading) -> tuple[Sign, ...]:
        """Hear the next reading; what is to be said of it."""
        before, self._last = self._last, reading
        if isinstance(reading, Unusable):
            return self._no_value(reading)
        self._without_value = 0
        if self.state is State.TAKEN:
            return ()
        self.state = State.CONTACT
        gap = before is None or reading.start_us - before.end_us > GAP_S * 1e6
        if gap or reading.setting.range != self._setting.range:
            self._begin_anew()
        self._setting = reading.setting
        return self._hear(reading)

    def foot(self) -> tuple[Sign, ...]:
        """Take at once what the meter shows, an overload too; nothing before a first reading."""
        last = self._last
        if last is None:
            return ()
        if isinstance(last, Unusable):
            return self._take(Took(None, last.status, None, last.end_us, last.setting, by_foot=True))
        u = self._u(last.value)
        return self._take(Took(last.value, None, u, last.end_us, last.setting, by_foot=True))

    def _u(self, value: float) -> float:
        return self._u_of(value, self._setting.resolution or 0.0)

    def _begin_anew(self) -> None:
        self._t.clear()
        self._x.clear()

    def _no_value(self, reading: Unusable) -> tuple[Sign, ...]:
        """Lifted after `LIFTED_READINGS`; before that a blank: what came before it no longer counts."""
        self._begin_anew()
        if reading.status not in _IN_THE_AIR:
            self._without_value = 0
            return ()
        self._without_value += 1
        if self._without_value < LIFTED_READINGS or self.state is State.ARMED:
            return ()
        self.state, self._told = State.ARMED, False
        return (Armed(reading.end_us),)

    def _hear(self, reading: Measured) -> tuple[Sign, ...]:
        at_s, u = seconds(reading.end_us), self._u(reading.value)
        if self._jumped(reading.value, u):
            self._begin_anew()
        self._t.append(at_s)
        self._x.append(reading.value)
        why = self._unsteady(u)
        if not why:
            value = float(self._since(LEAST_S)[1].mean())
            return self._take(Took(value, None, self._u(value), reading.end_us, reading.setting))
        if not self._told and why != _SHORT and at_s - self._t[0] >= TOLD_AFTER_S:
            self._told = True
            return (Unsteady(why, reading.end_us),)
        return ()

    def _jumped(self, value: float, u: float) -> bool:
        """A step too large for noise that does not go on with the step before it."""
        if not self._x:
            return False
        step = value - self._x[-1]
        if abs(step) <= JUMP * u:
            return False
        earlier = self._x[-1] - self._x[-2] if len(self._x) > 1 else 0.0
        return not (step * earlier > 0.0 and abs(step) < 2.0 * abs(earlier))

    def _since(self, span_s: float) -> tuple[Floats, Floats]:
        """The readings of the latest ``span_s``, at least `LEAST_READINGS`."""
        t, x = np.array(self._t), np.array(self._x)
        low = min(int(t.searchsorted(t[-1] - span_s - 1e-6)), max(len(t) - LEAST_READINGS, 0))
        return t[low:], x[low:]

    def _unsteady(self, u: float) -> str:
        """Why the contact is not steady; empty where it is."""
        lasted = self._t[-1] - self._t[0]
        coarse = u < COARSE * (self._setting.resolution or 0.0)
        if len(self._t) < LEAST_READINGS or lasted < (COARSE_LEAST_S if coarse else LEAST_S) - 1e-6:
            return _SHORT
        t, x = self._since(min(max(SHARE * lasted, LEAST_S), MEMORY_S))
        found = slope(t, x)
        doubt = t95(float(found.n - 2)) * found.se
        if abs(found.b) > doubt and abs(found.b) * CREEP_S >= u:
            return _RISING if found.b > 0.0 else _FALLING
        third = len(x) // 3
        moved = abs(float(x[-third:].mean() - x[:third].mean()))
        spread = float(x.max() - x.min())
        allowed = SPREAD * u + 2.0 * (self._setting.resolution or 0.0)
        if spread >= allowed or moved >= MOVED * u or (abs(found.b) + doubt) * HORIZON_S >= u:
            return _WOBBLES
        return self._still_to_go(u)

    def _still_to_go(self, u: float) -> str:
        """Why an exponential through the contact has more than U/2 still to go; empty where it hasn't."""
        x = np.array(self._x)
        third = len(x) // 3
        if third < 3:
            return ""
        parts = [x[k : k + third] for k in (len(x) - 3 * third, len(x) - 2 * third, len(x) - third)]
        first, second, last = (float(part.mean()) for part in parts)
        s = max(float(part.std(ddof=1)) for part in parts[1:]) / third**0.5
        s = max(s, 0.3 * (self._setting.resolution or 0.0) / third**0.5)
        way = 1.0 if last > first else -1.0
        d1, d2 = way * (second - first), max(way * (last - second) + 3.0 * s, 0.0)
        if way * (last - first) < 4.0 * s or max(d1, d2) < MOVED * u:
            return ""
        ratio = d2 / d1 if d1 > 0.0 else 1.0
        if ratio >= 1.0 or d2 * ratio**0.5 / (1.0 - ratio) >= 0.5 * u:
            return _RISING if way > 0.0 else _FALLING
        return ""

    def _take(self, took: Took) -> tuple[Sign, ...]:
        self.state = State.TAKEN
        self._without_value = 0
        self._begin_anew()
        return (took,)


_SHORT = "short"
_RISING = "rising: a reservoir charges"
_FALLING = "falling"
_WOBBLES = "the contact wobbles: press harder or clean the point"
