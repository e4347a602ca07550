"""Everything that a run in progress remembers."""

from dataclasses import dataclass, field
from enum import Enum

from benchlog.bringup import wording
from benchlog.bringup.bounds import Bounds, limits_of
from benchlog.bringup.drift import Drift
from benchlog.bringup.inlet import COUNTS, Inlet
from benchlog.bringup.inrush import VALVE_WINDOW_US, WINDOW_US, Inrush
from benchlog.bringup.outputs import Outputs
from benchlog.bringup.overrun import Overrun
from benchlog.bringup.soak import Soak
from benchlog.bringup.timers import Timers
from benchlog.limits.fuse import pulse_i2t
from benchlog.measure.settling import Floats
from benchlog.model.clock import US
from benchlog.model.errors import UsageError
from benchlog.model.event import Ended, Said
from benchlog.model.limit import Confidence, Limit
from benchlog.model.pattern import Seen
from benchlog.model.quantity import Quantity
from benchlog.model.role import Role
from benchlog.model.run import RunSetup
from benchlog.model.step import Step, StepRecord, StepVerdict
from benchlog.model.unit import Amplifier

WATCHED_ROLES = (Role.SOURCE_CURRENT, Role.INLET_VOLTAGE)
"""Without readings of these a bring-up is not safe."""
_DEFAULT_COUNT_V = 0.1
PULSES = 100.0
"""Switch-ons that a fuse is derated for; a bring-up has a dozen (ours)."""


class Phase(Enum):
    """Where a run stands."""

    READY = "ready"
    """Begun; the first readings are awaited, nothing is switched on."""
    MOVING = "moving"
    """On the way to a step."""
    AT = "at"
    """A voltage has arrived."""
    SOAK = "soak"
    OFF = "off"
    """The source was taken away, or the technician was told to."""


@dataclass(slots=True)
class Visit:
    """One stay at a step."""

    first_us: int
    """First arrival."""
    arrival_us: int
    """Last arrival."""
    placed: bool
    """The voltage stood still and was found to belong to this step."""
    was_placed: bool = False
    """It had been placed before it moved again."""
    inrush_a: float | None = None
    """Largest reading in earlier windows of this stay."""
    peak_a: float | None = None
    """Largest peak that a digitiser saw."""
    peak_u_a: float | None = None
    dwelt: bool = False
    """The least dwell is over."""
    overdue: bool = False
    """The longest dwell is over and the technician was asked."""
    word: str | None = None
    """The technician's reason for going on, where the stay is not over yet."""
    at_v: float | None = None
    """Inlet volts when the settled current was last looked at."""
    level_a: float | None = None
    """Settled current at that moment."""
    window: tuple[Floats, Floats] | None = None
    """Instants in s and amperes of the readings that it was taken from."""
    warned: set[str] = field(default_factory=set)


class Run:
    """The state of one bring-up and what it has said since it was last asked.

    Only the functions of this package change it, under the one lock of the caller.
    """

    def __init__(self, setup: RunSetup, hint: wording.Hint) -> None:
        """`UsageError` where the setup gives no limits."""
        self.setup = setup
        self.hint = hint
        self.limits = limits_of(setup)
        self.pulse = _pulse(setup)
        self.bounds = Bounds(self.limits, setup.steps)
        self.nominal_v = setup.unit.mains_v
        self.valve = setup.unit.amplifier is Amplifier.VALVE
        self.count_v = _count_v(setup)
        self.stale_us = {role: _stale_us(setup, role) for role in WATCHED_ROLES if setup.reads(role)}
        self.out: list[tuple[int, Said]] = []
        self.ended: Ended | None = None
        self.rearmed = False
        self.watched = True
        self.restart()

    def restart(self) -> None:
        """Before the first step, everything off."""
        self.phase = Phase.READY
        self.k = 0
        self.visit: Visit | None = None
        self.said: tuple[StepVerdict, str] | None = None
        self.latched = False
        self.power_gone = False
        self.dead = False
        """After the end: the inlet was read near zero twice, or the technician said so."""
        self.blockers: dict[str, str] = {}
        """Rule → reason of everything that forbids a new step, the oldest first."""
        self._begin_following()
        self._begin_remembering()

    def _begin_following(self) -> None:
        """Everything that follows readings, anew."""
        meter = self.limits.meter
        self.timers = Timers()
        self.inlet = Inlet(self.nominal_v, self.count_v)
        self.inrush = Inrush(VALVE_WINDOW_US if self.valve else WINDOW_US)
        self.overrun = Overrun()
        self.drift = Drift(meter.count_a / meter.turns, COUNTS * self.count_v)
        self.outputs = Outputs(self.setup.unit.topology)
        self.soak: Soak | None = None
        self.fresh: set[Role] = set()
        """Roles that have given a usable reading."""
        self.assumed_v = 0.0
        """Volts taken for the inlet where it is not read."""
        self.power_w: float | None = None
        self.before_v = 0.0
        """Inlet volts at the end of the window before the present one."""
        self.same = 0
        """How many readings of the current in a row were the very same value."""
        self.same_at_arrival = False
        """Whether the last reading before the arrival belongs to that row."""
        self.range_a: float | None = None
        """Range of the ammeter at the last reading."""
        self.last_a: float | None = None
        """The last reading of the current."""
        self.low = 0
        """Inlet readings in a row below what was set."""

    def _begin_remembering(self) -> None:
        """Everything that is kept of the steps, anew."""
        self.records: list[StepRecord] = []
        self.seen: list[tuple[float, float]] = []
        """(v, settled A) of the steps left, where the current stood above U."""
        self.seen_w: list[tuple[float, float]] = []
        """(v, W) of the steps left, where the watts stood above U."""
        self.rise_per_min: float | None = None
        """Relative rise a minute that a rise rule found."""
        self.evidence: dict[int, Seen] = {}
        """What was seen at each step, for the fault patterns."""
        self.notes: list[str] = []
        """What the soak left open."""
        self.no_current = False
        """Nothing was drawn where something should have been, and nothing was accepted since."""

    def say(self, t_us: int, said: Said) -> None:
        """Add to what is said."""
        self.out.append((t_us, said))

    @property
    def step(self) -> Step:
        """The step that is being gone to or stayed at."""
        return self.setup.steps[self.k]

    @property
    def at_last(self) -> bool:
        """Whether there is no further step."""
        return self.k == len(self.setup.steps) - 1

    @property
    def reads_voltage(self) -> bool:
        """Whether the inlet voltage is read."""
        return Role.INLET_VOLTAGE in self.stale_us

    @property
    def powered(self) -> bool:
        """Whether the unit may be under power."""
        return self.phase in (Phase.MOVING, Phase.AT, Phase.SOAK)

    @property
    def volts(self) -> float:
        """Inlet voltage as last read; until a programmed source's new one is read, at least what was set."""
        if not self.reads_voltage:
            return self.assumed_v
        read_v = self.inlet.volts or 0.0
        if self.setup.hand_set or self.visit is None or self.inlet.start_us >= self.visit.arrival_us:
            return read_v
        return max(read_v, self.step.set_v)

    @property
    def v(self) -> float:
        """`volts` as a fraction of nominal."""
        return self.volts / self.nominal_v


def _pulse(setup: RunSetup) -> Limit | None:
    """I²t that one switch-on may have; None where the fuse is not known well enough."""
    if setup.unit.fuse is None:
        return None
    try:
        limit = pulse_i2t(setup.unit.fuse, PULSES)
    except UsageError:
        return None
    return None if limit.confidence is Confidence.UNVERIFIED else limit


def _count_v(setup: RunSetup) -> float:
    sheet = setup.sheets.get(Role.INLET_VOLTAGE)
    stated = sheet.find(Quantity.AC_VOLTAGE) if sheet else None
    return stated.count if stated and stated.count > 0.0 else _DEFAULT_COUNT_V


def stale_s(setup: RunSetup, role: Role) -> float:
    """Seconds of silence that count as stale: max(0.5 s, 3 periods)."""
    return max(0.5, 3.0 * setup.periods_s.get(role, 0.0))


def _stale_us(setup: RunSetup, role: Role) -> int:
    """The same on the session's axis, never less than as many real seconds: silence is a matter of those."""
    return round(stale_s(setup, role) * max(1.0, setup.time_scale) * US)
