"""The stages of a job in the trade's words, and what is done and missing in each: read off the history."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, fields
from enum import StrEnum

from benchlog.model.event import Ended, Marked
from benchlog.model.history import (
    Approved,
    BenchSet,
    Entry,
    JobEnded,
    JobEntered,
    Noted,
    PartChanged,
    Payload,
    RunBegun,
    RunEnded,
    RunSaid,
    Taken,
)
from benchlog.model.job import Job
from benchlog.model.step import Outcome, PointVerdict
from benchlog.model.work import Adjusted, FinalChecked, FirstLook, SafetyMeasured
from benchlog_ui.words import percent


class Stage(StrEnum):
    """A stage; the value is the name that entries carry."""

    INTAKE = "intake"
    COLD = "cold-checks"
    PARTS = "parts"
    BRING_UP = "bring-up"
    SOAK = "soak"
    FINAL = "final-checks"
    HAND_OVER = "hand-over"


WORDS = {
    Stage.INTAKE: "intake",
    Stage.COLD: "cold checks",
    Stage.PARTS: "parts and approval",
    Stage.BRING_UP: "bring-up",
    Stage.SOAK: "soak",
    Stage.FINAL: "final checks",
    Stage.HAND_OVER: "hand-over",
}


@dataclass(frozen=True, slots=True)
class Survey:
    """What is done in a stage, and what is missing; stages may be worked in any order."""

    done: tuple[str, ...]
    missing: tuple[str, ...]


@dataclass(slots=True)
class Ledger:
    """What the history says so far, counted as lines come in."""

    job: Job = field(default_factory=Job)
    taken: dict[str, int] = field(default_factory=dict)
    points: dict[str, set[str]] = field(default_factory=dict)
    poor: dict[str, list[str]] = field(default_factory=dict)
    """Points read outside their limit or doubtful, by stage."""
    parts: dict[str, int] = field(default_factory=dict)
    approvals: list[Approved] = field(default_factory=list)
    runs: int = 0
    soaked: str = ""
    soak_asked: bool = False
    last_run: RunEnded | None = None
    ending: JobEnded | None = None
    bench: BenchSet | None = None
    looked: bool = False
    """Whether there is a first look."""
    finals: int = 0
    """Final checks, adjustments and safety figures."""
    poor_finals: list[str] = field(default_factory=list)
    checks: set[str] = field(default_factory=set)
    """What was answered before power."""

    def take(self, entries: Iterable[Entry]) -> None:
        """Count new lines of the history."""
        for entry in entries:
            self._one(entry.payload)

    def recount(self, entries: Iterable[Entry]) -> None:
        """Begin anew with these lines: something that was counted does not count any more."""
        fresh = Ledger()
        fresh.take(entries)
        for one in fields(Ledger):
            setattr(self, one.name, getattr(fresh, one.name))

    def _one(self, payload: Payload) -> None:
        match payload:
            case JobEntered():
                self.job = payload.job
            case Taken():
                self.taken[payload.stage] = self.taken.get(payload.stage, 0) + 1
                self.points.setdefault(payload.stage, set()).add(payload.point.name)
                if payload.verdict in (PointVerdict.OUTSIDE, PointVerdict.DOUBTFUL):
                    words = f"{payload.point.name}: {payload.verdict.value.replace('-', ' ')}"
                    self.poor.setdefault(payload.stage, []).append(words)
            case FirstLook():
                self.looked = True
            case FinalChecked() | Adjusted() | SafetyMeasured():
                self.finals += 1
                if payload.verdict in (PointVerdict.OUTSIDE, PointVerdict.DOUBTFUL):
                    self.poor_finals.append(_final_words(payload))
            case PartChanged():
                self.parts[payload.direction] = self.parts.get(payload.direction, 0) + payload.quantity
            case Approved():
                self.approvals.append(payload)
            case RunBegun():
                self.runs, self.soak_asked = self.runs + 1, payload.setup.soak_s > 0
            case RunEnded():
                self.last_run = payload
            case RunSaid(said=Marked(what="soak-begun", detail=detail)):
                self.soaked = f"{detail}, begun"
            case RunSaid(said=Ended(outcome=outcome)) if self.soaked:
                self.soaked = f"soak {outcome.value}"
            case JobEnded():
                self.ending = payload
            case BenchSet():
                self.bench, self.checks = payload, set()
            case Noted(stage="before-power", text=text):
                name, _, answer = text.partition(": ")
                (self.checks.add if answer == "yes" else self.checks.discard)(name)

    def survey(self, stage: Stage) -> Survey:
        """What is done and missing in a stage."""
        return _SURVEY[stage](self)


def _final_words(payload: FinalChecked | Adjusted | SafetyMeasured) -> str:
    from benchlog.job.wording import words_of  # here: the first plot does not wait for it

    return words_of(payload)[1]


def _intake(ledger: Ledger) -> Survey:
    job, unit = ledger.job, ledger.job.unit
    wanted = (
        ("complaint", bool(job.complaint)),
        ("customer", bool(job.customer.name)),
        ("kind of unit", unit is not None),
        ("nameplate", unit is not None and unit.plate is not None),
        ("mains fuse", unit is not None and unit.fuse is not None),
        ("protective earth or Class II", unit is not None and unit.protective_earth is not None),
        ("serial number", unit is not None and bool(unit.serial)),
    )
    return Survey(tuple(w for w, there in wanted if there), tuple(w for w, there in wanted if not there))


def _taken(stage: Stage) -> Callable[[Ledger], Survey]:
    def survey(ledger: Ledger) -> Survey:
        count = ledger.taken.get(stage.value, 0)
        points = len(ledger.points.get(stage.value, ()))
        if not count:
            return Survey((), ("no reading taken yet",))
        poor = ledger.poor.get(stage.value, [])
        return Survey((f"{count} readings at {points} test points", *poor), ())

    return survey


def _cold(ledger: Ledger) -> Survey:
    found = _taken(Stage.COLD)(ledger)
    if ledger.looked:
        return Survey(("first look", *found.done), found.missing)
    return Survey(found.done, ("first look", *found.missing))


def _final(ledger: Ledger) -> Survey:
    found = _taken(Stage.FINAL)(ledger)
    if not ledger.finals:
        return Survey(found.done, found.missing)
    return Survey((f"{ledger.finals} checks and figures", *ledger.poor_finals, *found.done), ())


def _parts(ledger: Ledger) -> Survey:
    done = [f"parts {direction}: {count}" for direction, count in sorted(ledger.parts.items())]
    done += [f"{'approved' if a.approved else 'declined'} {a.amount}, {a.how}" for a in ledger.approvals]
    missing = [] if ledger.approvals else ["the customer's answer to an estimate"]
    if ledger.parts.get("out", 0) > ledger.parts.get("in", 0):
        missing.append("parts taken out and nothing fitted for them")
    return Survey(tuple(done), tuple(missing))


def _bring_up(ledger: Ledger) -> Survey:
    run = ledger.last_run
    if run is None:
        begun = ("a run was begun and has no end",) if ledger.runs else ()
        return Survey(begun, ("not brought up yet",))
    done = (run.reason,)
    missing = list(run.not_judged)
    if run.outcome is not Outcome.COMPLETED:
        highest = max((s.fraction for s in run.steps if s.visited), default=0.0)
        missing.insert(0, f"nothing seen above {percent(highest)} of nominal")
    return Survey(done, tuple(missing))


def _soak(ledger: Ledger) -> Survey:
    if ledger.soaked:
        return Survey((ledger.soaked,), ())
    return Survey((), ("not soaked",))


def _hand_over(ledger: Ledger) -> Survey:
    if ledger.ending is None:
        return Survey((), ("how the job ends", "document"))
    return Survey((ledger.ending.ending.value.replace("-", " "),), ())


_SURVEY = {
    Stage.INTAKE: _intake,
    Stage.COLD: _cold,
    Stage.PARTS: _parts,
    Stage.BRING_UP: _bring_up,
    Stage.SOAK: _soak,
    Stage.FINAL: _final,
    Stage.HAND_OVER: _hand_over,
}
