"""Output DC and rails, where they are read: what they add to the current."""

from dataclasses import dataclass

from benchlog.bringup import wording
from benchlog.limits.powered import offset_outside
from benchlog.model.role import Role
from benchlog.model.unit import OutputTopology

SHORTED_SHARE = 0.7
"""Output DC at this share of a rail is a shorted device (ours)."""
LEAST_RAIL_V = 3.0
UNEQUAL_SHARE = 0.10
UNEQUAL_V = 1.0
OFFSET_JUDGED_FROM = 0.5
"""Fraction of nominal from which an offset is judged; below it the front end may not be awake."""
OFFSET_V = offset_outside(OutputTopology.DIRECT).value
"""Output DC in V above which a run waits, for all outputs that should rest at zero. Tighter limits of
servo and coupling capacitor are from memory only; they belong to the final checks."""
_AT_ZERO = (OutputTopology.DIRECT, OutputTopology.SERVO, OutputTopology.CAPACITOR)
WARN_V = 0.5
"""Offset that is worth a warning while the front end may not be awake (ours)."""
_SPLIT = (OutputTopology.DIRECT, OutputTopology.SERVO)
RAILS = (Role.RAIL_PLUS, Role.RAIL_MINUS)


@dataclass(frozen=True, slots=True)
class OutputFinding:
    """What a reading of the output or a rail means: ``cut-off``, ``wait``, ``warn``, or nothing."""

    kind: str
    rule: str
    reason: str


class Outputs:
    """Follows output DC and rails outside the inrush window; each rule needs two readings in a row."""

    def __init__(self, topology: OutputTopology) -> None:
        """``topology``: how the output reaches the loudspeaker."""
        self._topology = topology
        self.last_v: dict[Role, float] = {}
        self._from_us = 0
        self._at_rail = self._unequal = self._offset = 0
        self._fresh: set[Role] = set()
        self.unequal = False
        self.offset = False
        self.offset_reason = ""

    def begin(self, window_end_us: int) -> None:
        """An inrush window: readings begun before its end serve no rule."""
        self._from_us = window_end_us
        self._at_rail = self._unequal = self._offset = 0
        self._fresh.clear()
        self.unequal = self.offset = False

    def take(self, role: Role, start_us: int, volts: float, v: float) -> OutputFinding | None:
        """A valid reading in V with the inlet at the fraction v; None where it means nothing."""
        self.last_v[role] = volts
        if start_us < self._from_us:
            return None
        self._fresh.add(role)
        return self._output(volts, v) if role is Role.OUTPUT_DC else self._rails()

    def rail_of(self, volts: float) -> float | None:
        """Magnitude in V of the rail on the side of an output voltage; None where it is not read."""
        rail = self.last_v.get(Role.RAIL_PLUS if volts >= 0.0 else Role.RAIL_MINUS)
        return None if rail is None else abs(rail)

    def _output(self, volts: float, v: float) -> OutputFinding | None:
        rail = self.rail_of(volts)
        at_rail = (
            self._topology in _SPLIT
            and rail is not None
            and rail >= LEAST_RAIL_V
            and abs(volts) >= SHORTED_SHARE * rail
        )
        self._at_rail = self._at_rail + 1 if at_rail else 0
        if self._at_rail >= 2 and rail is not None:
            return OutputFinding("cut-off", "output-at-rail", wording.output_at_rail(volts, rail))
        return self._judge_offset(volts, v)

    def _judge_offset(self, volts: float, v: float) -> OutputFinding | None:
        expected = self._expected()
        if expected is None:
            return None
        middle_v, limit_v = expected
        beyond = abs(volts - middle_v) > (limit_v if v >= OFFSET_JUDGED_FROM else max(limit_v, WARN_V))
        self._offset = self._offset + 1 if beyond else 0
        if v < OFFSET_JUDGED_FROM:
            return _warning(volts) if self._offset == 2 else None
        self.offset = self._offset >= 2 or (self.offset and beyond)
        if not self.offset:
            return None
        self.offset_reason = wording.offset(volts, middle_v, limit_v)
        return OutputFinding("wait", "output-dc", self.offset_reason)

    def _expected(self) -> tuple[float, float] | None:
        """What is expected at the output and how far from it is allowed, in V; None where it is not judged.

        A bridge sits in the middle of its rails (half of a single one), within 10 % of them or 1 V (ours).
        """
        if self._topology is not OutputTopology.BRIDGE:
            return (0.0, OFFSET_V) if self._topology in _AT_ZERO else None
        plus = self.last_v.get(Role.RAIL_PLUS)
        if plus is None:
            return None
        middle_v = (plus + self.last_v.get(Role.RAIL_MINUS, 0.0)) / 2.0
        return middle_v, max(UNEQUAL_SHARE * abs(plus), UNEQUAL_V)

    def _rails(self) -> OutputFinding | None:
        if not self._fresh.issuperset(RAILS):
            return None
        self._fresh.difference_update(RAILS)
        plus, minus = (abs(self.last_v[role]) for role in RAILS)
        apart = abs(plus - minus)
        unequal = apart > UNEQUAL_V and apart > UNEQUAL_SHARE * max(plus, minus)
        self._unequal = self._unequal + 1 if unequal else 0
        self.unequal = self._unequal >= 2
        return OutputFinding("wait", "rails", wording.rails_unequal(plus, minus)) if self.unequal else None


def _warning(volts: float) -> OutputFinding:
    return OutputFinding("warn", "output-dc", wording.offset_early(volts))
