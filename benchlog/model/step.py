"""Steps of a bring-up, the limits that belong to them, and what was decided there."""

from enum import StrEnum

import msgspec

from benchlog.model.limit import Limit


class StepVerdict(StrEnum):
    """What the limit watch says at a step."""

    GO_UP = "go-up"
    WAIT = "wait"
    CUT_OFF = "cut-off"
    CANNOT_JUDGE = "cannot-judge"


class PointVerdict(StrEnum):
    """What is said of a part or a test point, everywhere the same set."""

    WITHIN = "within-limit"
    DOUBTFUL = "doubtful"
    OUTSIDE = "outside-limit"
    NONE = "no-judgement"


class Outcome(StrEnum):
    """How a run ended."""

    COMPLETED = "completed"
    CUT_OFF = "cut-off"
    ALARMED = "alarmed"
    """A hand-set source that the technician was told to switch off."""
    UNDECIDED = "undecided"
    REFUSED = "refused"


class DecidedBy(StrEnum):
    """Whose word a step rests on."""

    PROGRAM = "program"
    TECHNICIAN = "technician"


class Step(msgspec.Struct, frozen=True):
    """One target voltage of the plan, with the limits that hold there."""

    fraction: float
    """Of the nominal mains voltage."""
    set_v: float
    acceptance: Limit
    """I_acc at this fraction, in A."""
    stop: Limit
    """I_stop at this fraction, in A."""
    judgeable: bool
    remedy: str = ""
    """What would help where the meters can't judge this step; empty otherwise."""
    dwell_min_s: float = 0.0
    dwell_max_s: float = 120.0
    short_check: bool = False
    """Left after ``dwell_min_s`` without waiting for the current to settle (switch-mode, first step)."""
    own_limits: bool = False
    """The limits are the plan file's own, not those of the rules."""


class StepRecord(msgspec.Struct, frozen=True):
    """What happened at a step. Values are None when they were not measured."""

    fraction: float
    set_v: float
    measured_v: float | None
    inrush_a: float | None
    inrush_is_lower_bound: bool
    idle_a: float | None
    idle_u_a: float | None
    """Half-width in A of the 95 % interval of ``idle_a`` by the full budget; None where the meter's sheet
    states nothing for such a current (an average-responding meter)."""
    acceptance_a: float
    acceptance_source: str
    stop_a: float
    stop_source: str
    verdict: StepVerdict
    decided_by: DecidedBy
    decision_reason: str
    settled_after_s: float | None
    forecast_next_a: tuple[float, float, float] | None = None
    """Low, middle, high; None where there is no forecast."""
    visited: bool = True
    power_w: float | None = None
    power_factor: float | None = None
    """None where watts are not read, or their few counts can't tell it."""
    idle_bound_a: float | None = None
    """U of ``idle_a`` in A by the linear bound: the one that the verdict was given with. None in older
    records, whose ``idle_u_a`` is that bound."""
    forecast_next_w: tuple[float, float, float] | None = None
    """Low, middle, high of the next step's watts; None where they are not read or there is no forecast."""
    inrush_u_a: float | None = None
    """Expanded uncertainty of a peak ``inrush_a`` that was seen as a waveform; None where it is not known."""
