"""A simulated hand on the dial of a variable transformer.

It hears the program's instructions, acts on them after a delay, and lets the dial stand within ± 5 % of its
full scale of what was asked. Positions are volts on the dial.
"""

import bisect
from enum import StrEnum

import msgspec
import numpy as np

DIAL_ERROR = 0.05
"""The hand's error, of full scale, rectangular."""
LEAST_TURN = 0.025
"""Asked to go up, a person turns the dial by at least so much of its full scale: less is not seen to move."""


class HandKind(StrEnum):
    """How somebody turns a dial."""

    STEADY = "steady"
    LATE = "late"
    OVERSHOOTING = "overshooting"
    """Goes too far by up to 6 % of full scale, and back."""
    SWEEPING = "sweeping"
    """Never stands still, whatever it is told, until the switch is to be thrown."""
    FORGETFUL = "forgetful"
    """Misses every third instruction for most of a minute; leaves the dial up when switching off."""
    CREEPING = "creeping"
    """Steady, but the dial creeps upward by itself between moves."""


class Manner(msgspec.Struct, frozen=True):
    """Delays in seconds (least, most) and speeds in full scales per second."""

    delay_s: tuple[float, float]
    urgent_delay_s: tuple[float, float]
    speed: float
    overshoot: float = 0.0
    creep_per_s: float = 0.0
    missed: float = 0.0
    missed_s: tuple[float, float] = (30.0, 60.0)


MANNERS = {
    HandKind.STEADY: Manner((1.0, 3.0), (0.7, 1.8), 0.10),
    HandKind.LATE: Manner((5.0, 15.0), (2.0, 5.0), 0.05),
    HandKind.OVERSHOOTING: Manner((1.0, 3.0), (0.7, 1.8), 0.25, overshoot=0.06),
    HandKind.SWEEPING: Manner((1.0, 3.0), (0.7, 1.8), 0.012),
    HandKind.FORGETFUL: Manner((1.0, 6.0), (2.0, 6.0), 0.10, missed=0.33),
    HandKind.CREEPING: Manner((1.0, 3.0), (0.7, 1.8), 0.10, creep_per_s=0.0002),
}
"""A person who watches reacts to an alarm in 0.7 to 1.8 s, to a request in 1 to 3 s (ours)."""


class Hand:
    """The hand and its dial over one run. Driven by one thread; every call carries its bench seconds."""

    def __init__(self, kind: HandKind, full_scale_v: float, nominal_v: float, seed: int) -> None:
        """Begin with the dial at zero and the bench switch off."""
        self.kind = kind
        self.manner = MANNERS[kind]
        self.full_scale_v = full_scale_v
        self.nominal_v = nominal_v
        self._random = np.random.default_rng([seed, 0x4A4D])
        self._times = [0.0]
        self._volts = [0.0]
        self._switchings: list[tuple[float, bool]] = [(-1.0, False)]
        self._sweeping = False
        self._asked_v = 0.0

    def instruct(self, text: str, target_v: float | None, urgent: bool, at_s: float) -> None:
        """Hear a line: target 0 or "switch off" is off, urgent "stop" stands still, other alarms nothing."""
        words = text.casefold()
        if target_v == 0.0 or (urgent and "switch off" in words):
            self._switch_off(at_s, urgent)
        elif target_v is not None:
            self._turn_to(target_v, at_s, urgent)
        elif urgent and "stop" in words:
            self._stand_still(at_s)

    def dial_at(self, at_s: float) -> float:
        """Volts on the dial."""
        times, volts = self._times, self._volts
        i = bisect.bisect_right(times, at_s)
        if i == len(times):
            stood_s = max(0.0, at_s - times[-1])
            crept = self.manner.creep_per_s * self.full_scale_v * stood_s if volts[-1] > 0.0 else 0.0
            return min(volts[-1] + crept, self.full_scale_v)
        if i == 0:
            return volts[0]
        share = (at_s - times[i - 1]) / (times[i] - times[i - 1])
        return volts[i - 1] + share * (volts[i] - volts[i - 1])

    def is_on(self, at_s: float) -> bool:
        """Whether the bench switch is on."""
        return next(on for since_s, on in reversed(self._switchings) if since_s <= at_s)

    def is_turning(self, at_s: float) -> bool:
        """Whether the dial moves at that instant."""
        i = bisect.bisect_right(self._times, at_s)
        if i == len(self._times):
            return self.manner.creep_per_s > 0.0 and self._volts[-1] > 0.0
        return i > 0 and self._volts[i] != self._volts[i - 1]

    def next_change_s(self, after_s: float) -> float:
        """The next instant after ``after_s`` at which something begins or ends; infinite for never."""
        i = bisect.bisect_right(self._times, after_s)
        turn_s = self._times[i] if i < len(self._times) else float("inf")
        return min([turn_s, *(since_s for since_s, _ in self._switchings if since_s > after_s)])

    def _delay(self, span_s: tuple[float, float]) -> float:
        return float(self._random.uniform(*span_s))

    def _cut_plan(self, at_s: float) -> float:
        """Drop what was still to come from ``at_s`` on; the dial's place then."""
        place = self.dial_at(at_s)
        i = bisect.bisect_right(self._times, at_s)
        self._times[i:], self._volts[i:] = [at_s], [place]
        self._switchings = [s for s in self._switchings if s[0] <= at_s]
        return place

    def _go(self, start_s: float, *places: tuple[float, float]) -> None:
        """From ``start_s`` turn to each (volts, full scales per second) in turn."""
        now_s, place = start_s, self.dial_at(start_s)
        self._keep(now_s, place)
        for volts, speed in places:
            now_s += max(abs(volts - place) / (speed * self.full_scale_v), 0.05)
            place = volts
            self._keep(now_s, place)

    def _keep(self, at_s: float, volts: float) -> None:
        self._times.append(max(at_s, self._times[-1] + 1e-6))
        self._volts.append(volts)

    def _turn_to(self, target_v: float, at_s: float, urgent: bool) -> None:
        if self._sweeping:
            return
        manner = self.manner
        delay_s = self._delay(manner.urgent_delay_s if urgent else manner.delay_s)
        if self._random.random() < manner.missed:
            delay_s += self._delay(manner.missed_s)
        start_s = at_s + delay_s
        place = self._cut_plan(start_s)
        if not self.is_on(start_s):
            self._switchings.append((start_s, True))
        if self.kind is HandKind.SWEEPING:
            self._sweep(start_s)
            return
        landing = self._landing(target_v, place)
        self._asked_v = target_v
        beyond = landing + self._overshoot() if landing > place else landing
        self._go(start_s, (beyond, manner.speed), (landing, 0.5 * manner.speed))

    def _landing(self, target_v: float, place: float) -> float:
        """Where the dial comes to stand: within ± 5 % of full scale, and upward when asked to go up."""
        full = self.full_scale_v
        error = DIAL_ERROR * full
        landing = target_v + float(self._random.uniform(-error, error))
        if target_v > self._asked_v:
            landing = max(landing, min(place + LEAST_TURN * full, target_v + error))
        return min(max(landing, 0.0), full)

    def _overshoot(self) -> float:
        return self.manner.overshoot * self.full_scale_v * float(self._random.uniform(0.3, 1.0))

    def _sweep(self, start_s: float) -> None:
        """Up without a stop, then to and fro about nominal for an hour."""
        self._sweeping = True
        speed, wobble = self.manner.speed, 0.03 * self.nominal_v
        turns = [(self.nominal_v + (wobble if k % 2 else -wobble), speed) for k in range(700)]
        self._go(start_s, (self.nominal_v, speed), *turns)

    def _stand_still(self, at_s: float) -> None:
        if not self._sweeping:
            self._cut_plan(at_s + self._delay(self.manner.urgent_delay_s))

    def _switch_off(self, at_s: float, urgent: bool) -> None:
        manner = self.manner
        self._asked_v = 0.0
        self._sweeping = False
        start_s = at_s + self._delay(manner.urgent_delay_s if urgent else manner.delay_s)
        place = self._cut_plan(start_s)
        if urgent:
            self._switchings.append((start_s, False))
            if self.kind is HandKind.FORGETFUL:
                return
        self._go(start_s + 0.3, (0.0, max(manner.speed, 0.2)))
        if not urgent:
            down_s = place / (max(manner.speed, 0.2) * self.full_scale_v)
            self._switchings.append((start_s + 0.4 + down_s, False))
