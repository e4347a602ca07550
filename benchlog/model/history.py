"""Entries of the history: every decision, note, part, approval and run, in time order.

Nothing is edited in place. A correction is a new entry that names the old one.
"""

from datetime import datetime

import msgspec

from benchlog.model.event import Said, Told
from benchlog.model.instrument import InstrumentRecord
from benchlog.model.job import Ending, Job
from benchlog.model.limit import Limit
from benchlog.model.pattern import FaultPattern
from benchlog.model.point import TestPoint
from benchlog.model.quantity import Quantity
from benchlog.model.reading import Status
from benchlog.model.run import RunSetup
from benchlog.model.step import Outcome, PointVerdict, StepRecord
from benchlog.model.work import (
    Adjusted,
    Estimated,
    FinalChecked,
    FirstLook,
    Photographed,
    SafetyMeasured,
)


class JobEntered(msgspec.Struct, frozen=True, tag="job"):
    """Intake, or intake completed or changed: the job as it now reads."""

    job: Job


class Noted(msgspec.Struct, frozen=True, tag="note"):
    """A note in the technician's own words."""

    text: str
    by: str = ""
    stage: str = ""


class Taken(msgspec.Struct, frozen=True, tag="taken"):
    """A reading taken at a test point, typed or from a meter. ``value`` is None when it has none."""

    point: TestPoint
    quantity: Quantity
    value: float | None
    status: Status | None = None
    typed: str = ""
    """What was typed, as it was typed; empty for a reading from a port."""
    instrument: str = ""
    u: float | None = None
    """Expanded uncertainty in the quantity's unit of measure; None where not known."""
    u_source: str = ""
    """Where that comes from: as stated, by the meter's sheet, assumed as for a hand meter."""
    in_circuit: bool | None = None
    polarity: str = ""
    verdict: PointVerdict = PointVerdict.NONE
    reason: str = ""
    limit: Limit | None = None
    stage: str = "cold-checks"
    by: str = ""
    meter_proved: bool = False
    """The meter was shown to read a known source before and after."""
    checked: str = ""
    """Why it was taken although the reservoir that feeds the point was not proved."""
    part: str = ""
    """Position for which the part is meant, where it is a new part's own check before it is fitted."""


class PointsListed(msgspec.Struct, frozen=True, tag="points"):
    """The test points of the job from here on, in the order in which they are taken."""

    points: tuple[TestPoint, ...]
    by: str = ""


class PartChanged(msgspec.Struct, frozen=True, tag="part"):
    """A part taken out, fitted, ordered or kept."""

    position: str
    direction: str
    """``out``, ``in``, ``ordered`` or ``returned``."""
    value: str
    rating: str = ""
    kind: str = ""
    lot: str = ""
    quantity: int = 1
    note: str = ""
    by: str = ""
    polarity: str = ""
    """Which way round, e.g. ``+ towards the edge``."""
    si_value: float | None = None
    """What ``value`` stands for, in Ω, F or H, where it was read as a marking (IEC 60062)."""
    series: str = ""
    """Coarsest series of preferred numbers that has the value (IEC 60063); empty where none has it."""
    checked_by: int = 0
    """Number of the entry with the part's own reading before it was fitted; 0 where there is none."""


class Approved(msgspec.Struct, frozen=True, tag="approval"):
    """The customer's answer to an estimate."""

    approved: bool
    amount: str
    who: str
    how: str
    """In person, telephone, letter, …"""
    when: datetime | None = None
    lines: tuple[str, ...] = ()
    cap: str = ""
    note: str = ""
    estimate: int = 0
    """Number of the entry with the estimate that is answered; 0 where none was entered."""
    changes: int = 0
    """Number of the earlier answer that this one takes the place of; 0 for the first."""


class JobEnded(msgspec.Struct, frozen=True, tag="ending"):
    """How the job ended."""

    ending: Ending
    note: str = ""
    by: str = ""
    asked: tuple[str, ...] = ()
    """What stood against it when it was entered."""
    reason: str = ""
    """Why it was entered all the same."""


class BenchSet(msgspec.Struct, frozen=True, tag="bench"):
    """The instruments in use from here on, with their sheets, calibration and earth."""

    instruments: tuple[InstrumentRecord, ...]
    simulated: bool = False
    time_scale: float = 1.0


class RunBegun(msgspec.Struct, frozen=True, tag="run-begun"):
    """A bring-up begins: the plan and all that is needed to judge it again."""

    setup: RunSetup
    warnings: tuple[str, ...] = ()


class RunTold(msgspec.Struct, frozen=True, tag="told"):
    """Something other than a reading that the limit watch was told."""

    event: Told


class RunSaid(msgspec.Struct, frozen=True, tag="said"):
    """Something the limit watch said."""

    said: Said


class RunEnded(msgspec.Struct, frozen=True, tag="run-ended"):
    """A bring-up is over, with its steps and what was not tested."""

    outcome: Outcome
    reason: str
    steps: tuple[StepRecord, ...]
    not_judged: tuple[str, ...] = ()
    not_tested: tuple[str, ...] = ()
    cut_off_at_fraction: float | None = None
    cut_off_step_fraction: float | None = None
    claims: tuple[str, ...] = ()
    """What was seen, each with the voltage up to which it was seen; nothing beyond that."""
    fault_patterns: tuple[FaultPattern, ...] = ()
    """Named conditions that what was seen fits, most likely first."""


class DiskTrouble(msgspec.Struct, frozen=True, tag="disk"):
    """Readings did not reach the disk for a while."""

    detail: str
    lost_s: float = 0.0


class Corrected(msgspec.Struct, frozen=True, tag="correction"):
    """What an earlier entry should have said."""

    corrects: int
    """Sequence number of the entry that is corrected."""
    text: str
    by: str = ""
    void: bool = False
    """The entry does not count from here on; it stays where it is."""


class Withheld(msgspec.Struct, frozen=True, tag="withheld"):
    """Stands for an entry whose payload is not in this copy of the session; never written as one."""

    kind: str
    """Kind of the entry, e.g. ``job``."""


Payload = (
    JobEntered
    | Noted
    | Taken
    | PointsListed
    | PartChanged
    | Approved
    | JobEnded
    | BenchSet
    | RunBegun
    | RunTold
    | RunSaid
    | RunEnded
    | DiskTrouble
    | Corrected
    | FirstLook
    | Photographed
    | Estimated
    | Adjusted
    | FinalChecked
    | SafetyMeasured
    | Withheld
)


class Entry(msgspec.Struct, frozen=True):
    """One line of the history."""

    seq: int
    """1, 2, 3 … in the order written."""
    t_us: int
    """Session instant; may be zero-based per sitting, see ``wall``."""
    wall: datetime
    """Aware local time."""
    payload: Payload
