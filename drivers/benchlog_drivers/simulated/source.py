"""The two kinds of source in front of the unit: a programmed AC source and a variable transformer.

Both say what they put out at an instant (no-load volts; what the load takes off is the physics' part).
"""

import threading

import msgspec

LARGEST_DELAY_S = 60.0
LARGEST_V = {120.0: 150.0, 230.0: 300.0}
DIAL_FULL_SCALE_V = {120.0: 130.0, 230.0: 260.0}
RATED_A = {120.0: 10.0, 230.0: 5.0}
REGULATION = 0.02
"""Fall of a programmed source's voltage at rated current, as its maker states it, of the set voltage."""
_FOLD_RECOVERY = 1.05


class SourceRating(msgspec.Struct, frozen=True):
    """Rated current (A r.m.s.) and greatest voltage (V r.m.s.) of a source."""

    current_a: float
    voltage_v: float


class Output(msgspec.Struct, frozen=True):
    """What a source puts out from an instant on."""

    at_s: float
    """Bench seconds."""
    volts: float
    """R.m.s., no load; 0 when off."""
    on: bool


def programmed_rating(mains_v: float) -> SourceRating:
    """10 A on the 150 V range, 5 A on the 300 V range: the rating halves in the high range."""
    high = mains_v > 150.0
    return SourceRating(RATED_A[230.0 if high else 120.0], LARGEST_V[230.0 if high else 120.0])


def dial_full_scale(mains_v: float) -> float:
    """Full scale of a variable transformer's dial, in V."""
    return DIAL_FULL_SCALE_V[230.0 if mains_v > 150.0 else 120.0]


class ProgrammedSource:
    """A programmed AC source: setpoint, output, its own current limit with a delay, and current fold-back.

    The commands come from server threads and act on the panel at once; what they change is noted with its
    instant, and the bench's own thread applies it in order. ``observe`` belongs to that thread.
    """

    def __init__(self, rating: SourceRating) -> None:
        """Begin off, at zero volts, limit at the rating with 1 s of delay."""
        self.rating = rating
        self.set_v = 0.0
        self.output_on = False
        self.limit_a = rating.current_a
        self.trip_delay_s = 1.0
        self.tripped = False
        self._lock = threading.Lock()
        self._changes: list[Output] = []
        self._over_s = 0.0
        self._fold = 1.0

    def set_voltage(self, volts: float, at_s: float) -> bool:
        """Set the output voltage; False (and nothing changed) where it is out of range."""
        if not 0.0 <= volts <= self.rating.voltage_v:
            return False
        with self._lock:
            self.set_v = volts
            self._note(at_s)
        return True

    def switch(self, on: bool, at_s: float) -> bool:
        """Switch the output; False where a trip has not been cleared."""
        with self._lock:
            if on and self.tripped:
                return False
            self.output_on = on
            self._note(at_s)
        return True

    def set_limit(self, limit_a: float) -> bool:
        """Set the current above which it trips, A r.m.s.; False where out of range."""
        if not 0.0 < limit_a <= self.rating.current_a:
            return False
        self.limit_a = limit_a
        return True

    def set_delay(self, seconds: float) -> bool:
        """Set how long the current must stay above the limit; False where out of range."""
        if not 0.0 <= seconds <= LARGEST_DELAY_S:
            return False
        self.trip_delay_s = seconds
        return True

    def clear_trip(self) -> None:
        """Clear the trip; the output stays off."""
        with self._lock:
            self.tripped = False

    def reset(self, at_s: float) -> None:
        """As after switching on: off, zero volts, limit at the rating."""
        with self._lock:
            self.set_v, self.output_on, self.tripped = 0.0, False, False
            self.limit_a, self.trip_delay_s = self.rating.current_a, 1.0
            self._note(at_s)

    def _note(self, at_s: float) -> None:
        volts = self.set_v if self.output_on else 0.0
        self._changes.append(Output(at_s, volts, self.output_on))

    def take_changes(self) -> list[Output]:
        """What changed since the last call, in order."""
        if not self._changes:
            return []
        with self._lock:
            changes, self._changes = self._changes, []
        return changes

    @property
    def fold(self) -> float:
        """Factor on the output voltage while the source limits its current at its rating."""
        return self._fold

    def observe(self, current_rms_a: float, end_s: float, seconds: float) -> bool:
        """Feel the current of the last ``seconds``; True when it just tripped (its output is off then)."""
        if current_rms_a > self.rating.current_a:
            self._fold *= max(0.5, self.rating.current_a / current_rms_a)
        else:
            self._fold = min(1.0, self._fold * _FOLD_RECOVERY)
        self._over_s = self._over_s + seconds if current_rms_a > self.limit_a else 0.0
        if self._over_s <= self.trip_delay_s or not self.output_on:
            return False
        with self._lock:
            self.tripped, self.output_on = True, False
            self._note(end_s)
        self._over_s = 0.0
        return True
