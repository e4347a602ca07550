"""What the limit watch is told, and what it says in return.

Everything that the watch is told is recorded with the instant at which it was told, so that a recorded
run judged again takes the same course. Everything it says is recorded too.
"""

from enum import StrEnum

import msgspec

from benchlog.model.reading import Reading
from benchlog.model.role import Role
from benchlog.model.step import DecidedBy, Outcome, StepRecord, StepVerdict


class Key(StrEnum):
    """What the technician can say to a run, by key, mouse, foot switch or command."""

    GO_ON = "go-on"
    """Go to the next step although this one is not judged to go up; with a reason."""
    STOP = "stop"
    """End the run and take the source away in order."""
    CUT_OFF = "cut-off"
    MOVED = "moved"
    """The voltage has moved / the dial stands where it should."""
    NEAR_ZERO = "near-zero"
    """The technician's word that the dial is at zero and the unit unplugged."""
    REARM = "rearm"
    """Begin again after a cut-off; needs near-zero volts and the word on the fuse."""


class ReadingTaken(msgspec.Struct, frozen=True, tag="reading"):
    """A reading arrived."""

    reading: Reading


class SourceAnswered(msgspec.Struct, frozen=True, tag="source-answered"):
    """The programmed source confirmed its setpoint or its output state by read-back."""

    set_v: float
    output_on: bool


class KeyPressed(msgspec.Struct, frozen=True, tag="key"):
    """The technician's word."""

    key: Key
    reason: str = ""
    by: str = ""
    fuse_intact: bool | None = None
    """Answer to the question on re-arming."""


class LinkChanged(msgspec.Struct, frozen=True, tag="link"):
    """A connection was lost or came back."""

    role: Role
    up: bool
    detail: str = ""


class AttentionChanged(msgspec.Struct, frozen=True, tag="attention"):
    """Whether somebody is watching (the window answers and had input, or a terminal is there)."""

    watched: bool


class StorageChanged(msgspec.Struct, frozen=True, tag="storage"):
    """Whether readings reach the disk; no new step is begun while they do not."""

    storing: bool
    detail: str = ""


class TimeJumped(msgspec.Struct, frozen=True, tag="time-jump"):
    """Wall clock and monotonic clock moved apart (sleep, clock set)."""

    jump_s: float


class InrushMeasured(msgspec.Struct, frozen=True, tag="inrush-measured"):
    """What a digitiser saw of a switch-on: worked out elsewhere, told when it is there."""

    peak_a: float
    """Largest instantaneous current, with its sign."""
    i2t_a2s: float
    """From switch-on to the end of the decay, or as far as it is known."""
    u_a: float | None = None
    """Expanded uncertainty of the peak; None where it is not known."""
    lower_bound: bool = False
    """The input was at full scale: both are lower bounds."""


Told = (
    ReadingTaken
    | SourceAnswered
    | KeyPressed
    | LinkChanged
    | AttentionChanged
    | StorageChanged
    | TimeJumped
    | InrushMeasured
)


class SetSource(msgspec.Struct, frozen=True, tag="set-source"):
    """Programmed source: go to this voltage, output on."""

    set_v: float


class SwitchOff(msgspec.Struct, frozen=True, tag="switch-off"):
    """Take the source away: output off, setpoint zero, read back. Goes before anything else."""

    reason: str
    latched: bool
    """True for a cut-off; False for the orderly end of a run."""


class Instruct(msgspec.Struct, frozen=True, tag="instruct"):
    """The one line that says what to do now."""

    text: str
    target_v: float | None = None
    """Voltage the dial of a hand-set source should go to, where the line asks for one."""
    urgent: bool = False
    """True for a cut-off, an alarm or 'Stop turning'."""


class Judged(msgspec.Struct, frozen=True, tag="judged"):
    """A verdict at the present step; said when it changes."""

    step: int
    verdict: StepVerdict
    reason: str
    decided_by: DecidedBy = DecidedBy.PROGRAM
    rule: str = ""
    """Short stable name of the rule that decided, e.g. ``stop-limit``, ``rise-30s``, ``stale``."""


class StepDone(msgspec.Struct, frozen=True, tag="step-done"):
    """A step is left behind."""

    step: int
    record: StepRecord


class Marked(msgspec.Struct, frozen=True, tag="marked"):
    """Something worth a line in the history: arrival, window closed, settled, warning."""

    what: str
    """Short stable name: ``arrival``, ``window-closed``, ``settled``, ``warning``, ``not-visited``, …"""
    detail: str = ""
    step: int | None = None


class Ended(msgspec.Struct, frozen=True, tag="ended"):
    """The run is over."""

    outcome: Outcome
    reason: str
    cut_off_at_fraction: float | None = None
    """Measured inlet volts ÷ nominal when it was cut off."""
    cut_off_step_fraction: float | None = None


Said = SetSource | SwitchOff | Instruct | Judged | StepDone | Marked | Ended
