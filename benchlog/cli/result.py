"""The JSON object of ``rehearse``, ``bringup`` and ``rejudge``."""

from collections.abc import Sequence
from pathlib import Path

import msgspec

from benchlog.model.clock import seconds
from benchlog.model.errors import SessionDamaged
from benchlog.model.event import Ended, Instruct, Judged, Marked, Said, SetSource, StepDone, SwitchOff
from benchlog.model.history import RunBegun, RunEnded, RunSaid
from benchlog.model.pattern import FaultPattern
from benchlog.model.step import Outcome, StepRecord, StepVerdict
from benchlog.model.unit import Unit
from benchlog.session.reader import SessionReader


class Event(msgspec.Struct, frozen=True):
    """One thing the limit watch said."""

    t_s: float
    """Seconds since the run began."""
    event: str
    step: int | None
    verdict: StepVerdict | None
    reason: str


class RunReport(msgspec.Struct, frozen=True):
    """How a run went; the keys are a contract."""

    outcome: Outcome
    reason: str
    cut_off_at_fraction: float | None
    """Measured inlet volts ÷ nominal."""
    cut_off_step_fraction: float | None
    simulated: bool
    time_scale: float
    unit: Unit
    mains_v: float
    steps: tuple[StepRecord, ...]
    claims: tuple[str, ...]
    not_judged: tuple[str, ...]
    not_tested: tuple[str, ...]
    fault_patterns: tuple[FaultPattern, ...]
    events: tuple[Event, ...]
    warnings: tuple[str, ...]
    session: str
    document: str


EXIT_OF = {
    Outcome.COMPLETED: 0,
    Outcome.CUT_OFF: 3,
    Outcome.ALARMED: 3,
    Outcome.UNDECIDED: 4,
    Outcome.REFUSED: 5,
}


def events_of(said: Sequence[tuple[int, Said]], begun_us: int) -> tuple[Event, ...]:
    """What was said, one event each, with seconds since the run began."""
    return tuple(_event(t_us, one, begun_us) for t_us, one in said)


def _event(t_us: int, said: Said, begun_us: int) -> Event:
    t_s = round(seconds(t_us - begun_us), 6)
    match said:
        case Judged(step=step, verdict=verdict, reason=reason):
            return Event(t_s, "judged", step, verdict, reason)
        case Marked(what=what, detail=detail, step=at):
            return Event(t_s, what, at, None, detail)
        case StepDone(step=step, record=record):
            return Event(t_s, "step-done", step, record.verdict, record.decision_reason)
        case SetSource(set_v=set_v):
            return Event(t_s, "set-source", None, None, f"{set_v:g} V")
        case SwitchOff(reason=reason):
            return Event(t_s, "switch-off", None, None, reason)
        case Instruct(text=text):
            return Event(t_s, "instruct", None, None, text)
        case Ended(outcome=outcome, reason=reason):
            return Event(t_s, "ended", None, None, f"{outcome.value}: {reason}")


def report_of(session: Path, document: Path | None, warnings: Sequence[str]) -> RunReport:
    """How the last run of a session went, read from the session itself."""
    with SessionReader(session) as reader:
        run = reader.runs()[-1]
        simulated = reader.simulated
        entries = reader.entries(after=run.begun.seq)
    begun, ended = run.begun.payload, run.ended.payload if run.ended is not None else None
    if not isinstance(begun, RunBegun) or not isinstance(ended, RunEnded):
        raise SessionDamaged(f"The run in {session} has no end. Look at it with 'benchlog show {session}'.")
    said = [(e.t_us, e.payload.said) for e in entries if isinstance(e.payload, RunSaid)]
    return RunReport(
        outcome=ended.outcome,
        reason=ended.reason,
        cut_off_at_fraction=ended.cut_off_at_fraction,
        cut_off_step_fraction=ended.cut_off_step_fraction,
        simulated=simulated,
        time_scale=begun.setup.time_scale,
        unit=begun.setup.unit,
        mains_v=begun.setup.unit.mains_v,
        steps=ended.steps,
        claims=ended.claims,
        not_judged=ended.not_judged,
        not_tested=ended.not_tested,
        fault_patterns=ended.fault_patterns,
        events=events_of(said, run.begun.t_us),
        warnings=tuple(warnings),
        session=str(session),
        document=str(document or ""),
    )
