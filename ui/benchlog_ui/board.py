"""What the window knows: the recorder's messages folded into the present state, and the curves still to draw.

No Qt here, and no arithmetic on arrays: a message costs microseconds, whatever is on the screen.
"""

import math
from collections import deque
from dataclasses import dataclass, field, fields

from benchlog.model.clock import US
from benchlog.model.event import Ended, Instruct, Judged, Marked, Said, SetSource, StepDone, SwitchOff
from benchlog.model.protocol import (
    Answered,
    Closing,
    Hello,
    InstrumentsNow,
    LimitsNow,
    Live,
    Ping,
    Point,
    PowerState,
    Raw,
    ReferenceNow,
    RunClosed,
    SaidNow,
    StorageState,
    ToWindow,
)
from benchlog.model.reading import Status
from benchlog.model.role import Role
from benchlog.model.run import RunSetup
from benchlog.model.step import StepRecord, StepVerdict

ACCEPTANCE = "limit:acceptance"
STOP = "limit:stop"
"""Names under which the limits are drawn as curves beside the channels."""

NOTICES = (
    "refused",
    "warning",
    "not-watched",
    "soak-not-steady",
    "near-zero",
    "link-down",
    "link-up",
    "undecided",
)
"""Marks whose words the technician should read; they stand under the instruction for a while."""

NEAR_ZERO_V = 5.0
"""Near zero: below this on two readings. Rule of this project, tried on simulated units."""

MOST_RAW = 400
_KEPT = ("pings", "changed", "answers", "sittings")
_STILL_READINGS = 25
_STILL_S = 8.0
_RAILS = (Role.RAIL_PLUS.value, Role.RAIL_MINUS.value, Role.RESERVOIR.value)


@dataclass(slots=True)
class Latest:
    """The newest reading of a channel, and how it has behaved."""

    value: float | None = None
    status: Status | None = None
    t_us: int = -1
    last_value: float | None = None
    """Newest usable value, which may be older than ``t_us``."""
    last_value_us: int = -1
    period_us: float = 0.0
    """Smoothed time between readings; 0 while there are fewer than two."""
    same: int = 0
    """How many readings in a row gave the same figure."""
    same_since_us: int = -1
    anchor: float = 0.0
    moved_us: int = -1
    """When the value last moved by a fifth against where it stood before."""

    def take(self, point: Point) -> None:
        """Fold one reading in."""
        if self.t_us >= 0 and point.t_us > self.t_us:
            gap = float(point.t_us - self.t_us)
            self.period_us = gap if self.period_us == 0.0 else self.period_us + 0.2 * (gap - self.period_us)
        if point.value is not None and point.value == self.last_value:
            self.same += 1
        else:
            self.same, self.same_since_us = 1, point.t_us
        self.t_us, self.value, self.status = point.t_us, point.value, point.status
        if point.value is None:
            return
        self.last_value, self.last_value_us = point.value, point.t_us
        if abs(point.value - self.anchor) > 0.2 * max(abs(self.anchor), 1e-9):
            self.anchor, self.moved_us = point.value, point.t_us


@dataclass(slots=True)
class Board:
    """The present state of one run, as far as the recorder has told it."""

    hello: Hello | None = None
    latest: dict[str, Latest] = field(default_factory=dict)
    pending: dict[str, list[tuple[float, float]]] = field(default_factory=dict)
    """Samples (seconds, value or NaN) that no curve has taken yet, by channel."""
    probed: deque[Point] = field(default_factory=lambda: deque(maxlen=400))
    """Readings of the meter in the hand that no panel has taken yet."""
    setup: RunSetup | None = None
    """What the run was set up with, once the file said so."""
    limits: LimitsNow | None = None
    limit_points: dict[int, LimitsNow] = field(default_factory=dict)
    """Limits seen so far by half percent of nominal: they fill the curves between the steps."""
    power: PowerState | None = None
    storage: StorageState | None = None
    instruct: Instruct | None = None
    judged: Judged | None = None
    records: dict[int, StepRecord] = field(default_factory=dict)
    step: int | None = None
    """Index of the present step in the plan."""
    set_v: float | None = None
    judged_last: bool = False
    """Whether the last sentence said was a verdict, not an instruction."""
    instruct_us: int = 0
    judged_us: int = 0
    notice: str = ""
    """The last warning or refusal, and when it was said."""
    notice_us: int = 0
    ended: Ended | None = None
    closed: RunClosed | None = None
    cut_off_us: int | None = None
    """When the source was told to go, latched."""
    rails: dict[str, list[tuple[float, float]]] = field(default_factory=dict)
    """The last readings of each rail (seconds, volts), for the discharge estimate."""
    near_zero_count: int = 0
    old_end_us: int | None = None
    """Last instant of an old run that is shown while nothing is running."""
    dropped: int = 0
    closing: bool = False
    gone: bool = False
    """The recorder's end of the pipe is closed."""
    pings: list[int] = field(default_factory=list)
    """Heartbeats that were not answered yet."""
    instruments: InstrumentsNow | None = None
    raw: deque[tuple[str, str, str]] = field(default_factory=lambda: deque(maxlen=MOST_RAW))
    """What went over the lines, oldest first, while that is wanted."""
    answers: list[Answered] = field(default_factory=list)
    """What came of requests, not yet shown."""
    reference: ReferenceNow | None = None
    """What came of the last question for reference units."""
    sittings: int = 0
    """How many this window has seen."""
    changed: set[str] = field(default_factory=set)
    """What changed since the last frame: ``hello``, ``said``, ``limits``, ``power``, ``storage``, ``end``."""
    _now_us: int = 0
    _heard_s: float = 0.0

    def take(self, message: ToWindow, heard_s: float) -> None:
        """Fold a message in; ``heard_s`` is the real monotonic time at which it came."""
        match message:
            case Live():
                self._live(message, heard_s)
            case SaidNow():
                self._said(message.t_us, message.said)
            case LimitsNow():
                self._limits(message)
            case Ping():
                self.pings.append(message.n)
            case Hello():
                self._hello(message, heard_s)
            case InstrumentsNow():
                self.instruments = message
            case Raw():
                self.raw.extend(message.lines)
            case Answered():
                self.answers.append(message)
            case ReferenceNow():
                self.reference = message
            case PowerState():
                self.power = message
                self.changed.add("power")
            case StorageState():
                self.storage = message
                self.changed.add("storage")
            case RunClosed():
                self.closed = message
                self.changed.add("end")
            case Closing():
                self.closing = True
                self.changed.add("end")

    def now_us(self, real_s: float) -> int:
        """The session instant at the real monotonic time ``real_s``, carried on from the last message."""
        if self.hello is None:
            return self._now_us
        passed = min(max(real_s - self._heard_s, 0.0), 3600.0)
        return self._now_us + int(passed * US * self.hello.time_scale)

    def age_s(self, channel: str, real_s: float) -> float:
        """Real seconds since the newest reading of a channel; infinite when there is none."""
        latest = self.latest.get(channel)
        if latest is None or latest.t_us < 0 or self.hello is None:
            return math.inf
        return max(self.now_us(real_s) - latest.t_us, 0) / US / self.hello.time_scale

    def stale_s(self, channel: str) -> float:
        """Age in real seconds from which a reading is called stale: 0.5 s, or three periods of its meter."""
        latest = self.latest.get(channel)
        period_s = latest.period_us / US if latest else 0.0
        return max(0.5, 3 * period_s / (self.hello.time_scale if self.hello else 1.0))

    def stands_still(self, channel: str) -> bool:
        """Whether a meter gave one figure for long while the inlet voltage moved by a fifth: perhaps frozen.

        The same figure alone says nothing: on a meter of few digits it is normal.
        """
        here = self.latest.get(channel)
        if here is None or here.same < _STILL_READINGS or here.same_since_us < 0:
            return False
        since = here.same_since_us
        if (here.t_us - since) / US < _STILL_S:
            return False
        inlet = self.latest.get(Role.INLET_VOLTAGE)
        return inlet is not None and inlet is not here and bool(here.last_value) and inlet.moved_us > since

    def volts(self) -> float | None:
        """The newest usable inlet voltage."""
        latest = self.latest.get(Role.INLET_VOLTAGE)
        return latest.last_value if latest else None

    @property
    def running(self) -> bool:
        """Whether a run is going on."""
        return self.hello is not None and bool(self.hello.steps) and self.ended is None and not self.old

    @property
    def old(self) -> bool:
        """Whether a run of an earlier sitting is shown."""
        return self.old_end_us is not None

    @property
    def quiet(self) -> bool:
        """Whether nothing is running and nothing is wrong: the open stage may have the large line."""
        return self.hello is not None and not self.running and not self.latched and not self.gone

    @property
    def urgent(self) -> bool:
        """Whether the line is an alarm: said as one, and no verdict since but the one beside it."""
        told = self.instruct
        if told is None or not told.urgent:
            return False
        return not self.judged_last or self.judged_us - self.instruct_us < US // 2

    @property
    def at_rest(self) -> bool:
        """Whether the run is over and the source is known to be away: old readings are then no trouble."""
        return (
            self.ended is not None and self.power is not None and not self.power.on and self.power.confirmed
        )

    @property
    def power_on(self) -> bool:
        """Whether power is on, or has to be taken to be on because nobody said otherwise."""
        return self.power is not None and self.power.on

    @property
    def latched(self) -> bool:
        """Whether a cut-off is in force."""
        return self.power is not None and self.power.latched

    @property
    def alarm(self) -> bool:
        """Whether a person has to take the source away: hand-set or not confirmed, and not yet seen gone."""
        return self.latched and self.power is not None and not self.power.confirmed

    @property
    def near_zero(self) -> bool:
        """Whether the inlet voltage was seen near zero twice in a row."""
        return self.near_zero_count >= 2

    def _renew(self) -> None:
        """Another sitting: nothing of the last one holds any more."""
        fresh = Board()
        for one in fields(Board):
            if one.name not in _KEPT:
                setattr(self, one.name, getattr(fresh, one.name))

    def _hello(self, message: Hello, heard_s: float) -> None:
        if self.hello is not None:
            self._renew()
        self.sittings += 1
        self.hello = message
        self._now_us, self._heard_s = message.now_us, heard_s
        self.changed.add("hello")

    def _live(self, message: Live, heard_s: float) -> None:
        self._now_us, self._heard_s = message.now_us, heard_s
        self.dropped = message.dropped
        for point in message.points:
            self.latest.setdefault(point.channel, Latest()).take(point)
            value = math.nan if point.value is None else point.value
            self.pending.setdefault(point.channel, []).append((point.t_us / US, value))
            if point.probe is not None:
                self.probed.append(point)
            if point.channel == Role.INLET_VOLTAGE:
                self._watch_zero(point)
            elif point.channel in _RAILS and point.value is not None:
                kept = self.rails.setdefault(point.channel, [])
                kept.append((point.t_us / US, point.value))
                del kept[:-400]

    def _watch_zero(self, point: Point) -> None:
        low = point.value is not None and abs(point.value) < NEAR_ZERO_V
        self.near_zero_count = self.near_zero_count + 1 if low else 0

    def _limits(self, message: LimitsNow) -> None:
        if self.ended is not None:
            return
        t_s = self._now_us / US
        before = self.limits
        for name, old, new in (
            (ACCEPTANCE, before.acceptance_a if before else None, message.acceptance_a),
            (STOP, before.stop_a if before else None, message.stop_a),
        ):
            samples = self.pending.setdefault(name, [])
            if old is not None and old != new:
                samples.append((t_s, old))
            samples.append((t_s, new))
        self.limits = message
        self.limit_points[round(message.fraction * 200)] = message
        self.changed.add("limits")

    def _said(self, t_us: int, said: Said) -> None:
        self.changed.add("said")
        match said:
            case Instruct():
                self.instruct, self.judged_last, self.instruct_us = said, False, t_us
                self._aim(said.target_v)
            case Judged():
                self.judged, self.step, self.judged_last = said, said.step, True
                self.judged_us = t_us
            case StepDone():
                self._leave(said)
            case Marked():
                self._mark(t_us, said)
            case SetSource():
                self.set_v = said.set_v
                self._aim(said.set_v)
            case SwitchOff():
                self.cut_off_us = t_us if said.latched else self.cut_off_us
            case Ended():
                self.ended = said
                self.changed.add("end")

    def _aim(self, target_v: float | None) -> None:
        """A new target: the step that it belongs to is the present one."""
        if target_v is None or self.hello is None:
            return
        number = next((n for n, s in enumerate(self.hello.steps) if abs(s.set_v - target_v) < 0.01), None)
        if number is not None and number != self.step:
            self.step, self.judged = number, None

    def _leave(self, done: StepDone) -> None:
        self.records[done.step] = done.record
        steps = len(self.hello.steps) if self.hello is not None else 0
        if done.record.verdict is not StepVerdict.CUT_OFF and done.step + 1 < steps:
            self.step, self.judged = done.step + 1, None

    def _mark(self, t_us: int, mark: Marked) -> None:
        if mark.what in NOTICES and mark.detail:
            self.notice, self.notice_us = mark.detail, t_us
        if mark.what == "rearmed":
            self._begin_again()
        elif mark.what == "arrival" and mark.step is not None:
            self.step = mark.step

    def _begin_again(self) -> None:
        """After a cut-off, from the first step: curves stay, verdicts and records do not."""
        self.ended, self.closed, self.cut_off_us = None, None, None
        self.judged, self.judged_last, self.instruct, self.set_v = None, False, None, None
        self.records, self.step = {}, 0
        self.changed.add("said")
