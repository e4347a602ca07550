"""The soak: whether the last ten minutes stood still, in constant memory."""

from collections import deque

from benchlog.bringup import wording
from benchlog.model.clock import US
from benchlog.model.role import Role

_MINUTE_US = 60 * US
_SPAN_MIN = 10
DRIFT = 0.05
"""Current and watts steady within ± 5 % over the last 10 min (common practice, low confidence)."""
OFFSET_DRIFT_V = 0.010
HEATSINK_RISE_K = 2.0
HEATSINK_MOST_C = 60.0
_RELATIVE = {Role.SOURCE_CURRENT: "current", Role.SOURCE_POWER: "power"}


class _Minutes:
    """Means of the last eleven minutes of one channel."""

    def __init__(self) -> None:
        self.means: deque[float] = deque(maxlen=_SPAN_MIN + 1)
        self._minute = -1
        self._sum = 0.0
        self._n = 0

    def take(self, minute: int, value: float) -> None:
        if minute != self._minute:
            self.close()
            self._minute = minute
        self._sum += value
        self._n += 1

    def close(self) -> None:
        if self._n:
            self.means.append(self._sum / self._n)
        self._sum, self._n = 0.0, 0


class Soak:
    """Follows every channel through a soak begun at ``begun_us``."""

    def __init__(self, begun_us: int, length_us: int) -> None:
        """``length_us``: length of the soak."""
        self.begun_us = begun_us
        self.length_us = length_us
        self._minutes: dict[Role, _Minutes] = {}

    def take(self, role: Role, end_us: int, value: float) -> None:
        """A valid reading, in the SI unit of its channel."""
        minutes = self._minutes.get(role)
        if minutes is None:
            minutes = self._minutes[role] = _Minutes()
        minutes.take((end_us - self.begun_us) // _MINUTE_US, value)

    def findings(self) -> tuple[str, ...]:
        """What was not steady over the last ten minutes (or the whole of a shorter soak); empty when all was.

        Current and watts within ± 5 %, offset within ± 10 mV, heatsink at most + 2 K and 60 °C. A soak below
        two minutes says nothing.
        """
        found: list[str] = []
        for role, minutes in self._minutes.items():
            minutes.close()
            if len(minutes.means) >= 2:
                found += _of(role, minutes.means[0], minutes.means[-1], len(minutes.means) - 1)
        return tuple(found)

    @property
    def judged(self) -> bool:
        """Whether it was long enough to say anything about drift."""
        return self.length_us >= 2 * _MINUTE_US


def _of(role: Role, first: float, last: float, minutes: int) -> list[str]:
    over = f"over the last {minutes} min of the soak"
    if role in _RELATIVE and abs(last - first) > DRIFT * abs(first):
        return [f"The {_RELATIVE[role]} moved by {100.0 * (last - first) / first:+.0f} % {over}"]
    if role is Role.OUTPUT_DC and abs(last - first) > OFFSET_DRIFT_V:
        return [f"The output DC moved by {wording.fine_volts(last - first)} {over}"]
    if role is Role.HEATSINK:
        rose = [f"The heatsink rose by {last - first:.1f} K {over}"] if last - first > HEATSINK_RISE_K else []
        hot = [f"The heatsink is at {last:.0f} °C at idle"] if last > HEATSINK_MOST_C else []
        return rose + hot
    return []
