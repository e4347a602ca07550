"""The inlet voltage: when it has arrived somewhere, when it stands still, when it is gone."""

from enum import Enum

from benchlog.model.clock import US

ARRIVAL = 0.02
"""Rise that is an arrival, as a fraction of nominal."""
STILL = 0.005
"""Spread within which a voltage stands still, as a fraction of nominal."""
COUNTS = 3.0
"""Counts of the voltmeter below which no movement is believed."""
STILL_US = 1 * US
NEAR_ZERO_V = 5.0
_EPSILON_V = 1e-6
"""Readings are whole counts: a difference of exactly so many counts is not more than them."""


class Move(Enum):
    """What one voltage reading adds to the ones before."""

    NONE = "none"
    ARRIVAL = "arrival"
    """Up by more than the threshold since it last stood still."""
    FURTHER = "further"
    """As much again, without having stood still in between."""
    FALL = "fall"
    STOOD = "stood"
    """It has now stood still for a second, for the first time since it arrived."""
    STOOD_AGAIN = "stood-again"


class Inlet:
    """Follows the inlet voltage of a unit with ``nominal_v``, read by a meter whose count is ``count_v``.

    The reference of an arrival is set when the voltage first stands still and from then on follows downward
    only, so that a creeping dial is an arrival too.
    """

    def __init__(self, nominal_v: float, count_v: float) -> None:
        """Begin at zero volts, standing."""
        self.threshold_v = max(ARRIVAL * nominal_v, COUNTS * count_v) + _EPSILON_V
        self._still_v = max(STILL * nominal_v, COUNTS * count_v) + _EPSILON_V
        self.volts: float | None = None
        self.start_us = 0
        """When the last valid reading began."""
        self.standing = True
        self.near_zero = False
        """Below 5 V on the last two readings."""
        self._below = 0
        self._reference_v: float | None = 0.0
        self._level_v = 0.0
        self._low_v = self._high_v = 0.0
        self._since_us: int | None = None
        self._moved_us: int | None = None

    @property
    def stood_v(self) -> float | None:
        """Where it last stood still since the last arrival; None while it has not."""
        return self._reference_v

    def moving(self, at_us: int) -> None:
        """Another sign (source's answer, key) said at ``at_us`` that the voltage has moved.

        What the voltmeter then shows first, with a reading begun after it, is that same movement.
        """
        self._reference_v = None
        self._moved_us = at_us
        self._since_us = None
        self.standing = False

    def forget_zero(self) -> None:
        """Near zero has to be seen anew."""
        self._below, self.near_zero = 0, False

    def take(self, start_us: int, end_us: int, volts: float) -> Move:
        """A valid reading in V."""
        self.volts, self.start_us = volts, start_us
        self._below = self._below + 1 if volts < NEAR_ZERO_V else 0
        self.near_zero = self._below >= 2
        stood = self._stands(end_us, volts)
        move = self._move(start_us, volts)
        return self._stood(volts) if stood and move is Move.NONE else move

    def _move(self, start_us: int, volts: float) -> Move:
        """Arrival, further rise or fall; none of them for the first reading after another sign."""
        if self._moved_us is not None:
            self._level_v = volts
            self._moved_us = None if start_us >= self._moved_us else self._moved_us
            return Move.NONE
        if self._reference_v is not None and volts - self._reference_v > self.threshold_v:
            self._reference_v, self._level_v, self.standing = None, volts, False
            return Move.ARRIVAL
        if self._level_v - volts > self.threshold_v:
            self._level_v = volts
            return Move.FALL
        if self._reference_v is None and volts - self._level_v > self.threshold_v:
            self._level_v = volts
            return Move.FURTHER
        if self._reference_v is not None:
            self._level_v = max(self._level_v, volts)
        return Move.NONE

    def _stands(self, end_us: int, volts: float) -> bool:
        """Whether the voltage begins to stand still with this reading."""
        low, high = min(self._low_v, volts), max(self._high_v, volts)
        if self._since_us is None or high - low > self._still_v:
            self._low_v = self._high_v = volts
            self._since_us, self.standing = end_us, False
            return False
        self._low_v, self._high_v = low, high
        return not self.standing and end_us - self._since_us >= STILL_US

    def _stood(self, volts: float) -> Move:
        self.standing = True
        if self._reference_v is None:
            self._level_v = volts
            self._reference_v = volts
            return Move.STOOD
        self._reference_v = min(self._reference_v, volts)
        return Move.STOOD_AGAIN
