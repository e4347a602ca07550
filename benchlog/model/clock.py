"""The one clock that the core is given.

All instants inside the program are whole microseconds on the session's own time axis, which is
monotonic and starts near zero; wall-clock time is known only through anchors that tie the two together.
"""

import time
from datetime import UTC, datetime
from typing import Protocol

import msgspec

US = 1_000_000
"""Microseconds in a second."""


class Anchor(msgspec.Struct, frozen=True):
    """Ties an instant of the session's axis to the wall clock."""

    t_us: int
    wall: datetime
    """Aware local time."""


class Clock(Protocol):
    """Tells the time; injected wherever time matters."""

    scale: float
    """Session seconds per real second; 1 except with simulated instruments."""

    def now(self) -> int:
        """Microseconds on the session's axis; never goes back."""
        ...

    def wall(self) -> datetime:
        """Aware local wall-clock time."""
        ...


class RealClock:
    """The machine's monotonic clock, counted from when the object was made."""

    def __init__(self, scale: float = 1.0, start_us: int = 0) -> None:
        """The axis stands at ``start_us`` now (a session gone on with says where); ``scale`` session seconds
        pass per real second.
        """
        self.scale = scale
        self._start_us = start_us
        self._start_ns = time.monotonic_ns()

    def now(self) -> int:
        """Microseconds since the start, times the scale, from where the axis stood."""
        return self._start_us + int((time.monotonic_ns() - self._start_ns) * self.scale) // 1000

    def monotonic_ns(self, t_us: int) -> int:
        """The machine's monotonic time in ns at an instant of the axis; comparable between processes."""
        return self._start_ns + int((t_us - self._start_us) * 1000 / self.scale)

    def wall(self) -> datetime:
        """Aware local time."""
        return datetime.now(UTC).astimezone()


class HandClock:
    """A clock that stands until it is moved: virtual time and tests."""

    def __init__(self, start: datetime | None = None) -> None:
        """Begin at zero, with ``start`` (aware) as wall-clock time there."""
        self.scale = 1.0
        self._t_us = 0
        self._start = start or datetime(2026, 1, 5, 9, 0, tzinfo=UTC)

    def now(self) -> int:
        """Microseconds the clock was moved to."""
        return self._t_us

    def move_to(self, t_us: int) -> None:
        """Move forward to ``t_us``; an earlier instant is ignored, as no clock goes back."""
        self._t_us = max(self._t_us, t_us)

    def wall(self) -> datetime:
        """Start of wall-clock time plus what has passed."""
        from datetime import timedelta

        return self._start + timedelta(microseconds=self._t_us)


def seconds(t_us: int) -> float:
    """Seconds of a whole number of microseconds."""
    return t_us / US


def microseconds(t_s: float) -> int:
    """Nearest whole number of microseconds of ``t_s`` seconds."""
    return round(t_s * US)
