"""What stands against an ending, and that a second one is asked for. Common practice, no source."""

from datetime import UTC, datetime

import pytest

from benchlog.job.ending import asked_before_ending, ended_by, job_ended, question
from benchlog.model.errors import PlanRefused, UsageError
from benchlog.model.history import (
    Approved,
    Corrected,
    Entry,
    JobEnded,
    JobEntered,
    PartChanged,
    Payload,
    RunBegun,
    RunEnded,
    Taken,
)
from benchlog.model.job import Ending, Job
from benchlog.model.point import PointKind, TestPoint
from benchlog.model.quantity import Quantity
from benchlog.model.step import Outcome, PointVerdict
from benchlog.model.work import FinalCheck, FinalChecked

PIN = TestPoint("output pin to + rail", PointKind.OHMS, "left")
SHORT = Taken(PIN, Quantity.RESISTANCE, 3.1, verdict=PointVerdict.OUTSIDE)
SOUND = Taken(PIN, Quantity.RESISTANCE, 14e3, verdict=PointVerdict.WITHIN)
OUT, IN = PartChanged("Q12", "out", "npn power"), PartChanged("Q12", "in", "npn power")
BEGUN = RunBegun(setup=None)  # type: ignore[arg-type]  # what is in it does not matter here
RAN = RunEnded(Outcome.COMPLETED, "", ())
CUT = RunEnded(Outcome.CUT_OFF, "2.1 A, above the stop limit.", ())
FINAL = tuple(FinalChecked(check, seen="seen to") for check in FinalCheck)
DONE = (BEGUN, RAN, *FINAL)


def history(*payloads: Payload) -> tuple[Entry, ...]:
    wall = datetime(2026, 1, 5, 9, 0, tzinfo=UTC)
    return tuple(Entry(n, 0, wall, p) for n, p in enumerate(payloads, 1))


@pytest.mark.parametrize(
    ("payloads", "says"),
    [
        ((SHORT, *DONE), "output pin to + rail, left: 3.1 Ω, outside limit (entry 1)"),
        ((OUT, *DONE), "Q12 npn power: taken out, nothing fitted there"),
        ((PartChanged("Q12", "ordered", "npn power"), *DONE), "Q12 npn power: ordered, not fitted"),
        (
            (
                Taken(PIN, Quantity.RESISTANCE, 3.0, verdict=PointVerdict.OUTSIDE, part="Q12"),
                PartChanged("Q12", "in", "npn power", checked_by=1),
                *DONE,
            ),
            "Q12 npn power: fitted, and it read outside its limit by itself",
        ),
        (FINAL, "the unit was not brought up"),
        ((BEGUN, RAN, BEGUN, *FINAL), "the last bring-up broke off and has no end"),
        ((BEGUN, CUT, *FINAL), "the last bring-up was cut off: 2.1 A, above the stop limit"),
        ((*DONE, IN), "fitted since the last bring-up: Q12"),
        ((*FINAL, BEGUN, RAN), "no final check was made"),
        ((BEGUN, RAN, *FINAL[1:]), "final checks not made: dc offset"),
        ((Approved(False, "140", "Invented", "letter"), *DONE), "the customer declined (entry 1)"),
    ],
)
def test_what_stands_against_repaired(payloads: tuple[Payload, ...], says: str) -> None:
    entries = history(*payloads)
    assert asked_before_ending(entries, Ending.REPAIRED) == (says,)
    with pytest.raises(PlanRefused) as refused:
        job_ended(entries, Ending.REPAIRED)
    assert says in str(refused.value)
    ended = job_ended(entries, Ending.REPAIRED, reason="asked the customer, who knows it", by="Invented")
    assert (ended.asked, ended.reason) == ((says,), "asked the customer, who knows it")


@pytest.mark.parametrize(
    "payloads",
    [
        DONE,
        (SHORT, SOUND, *DONE),
        (SHORT, Corrected(1, "probe on the wrong pin", void=True), *DONE),
        (OUT, IN, *DONE),
        (BEGUN, CUT, *DONE),
    ],
)
def test_nothing_stands_against_it(payloads: tuple[Payload, ...]) -> None:
    entries = history(*payloads)
    assert asked_before_ending(entries, Ending.REPAIRED) == ()
    assert job_ended(entries, Ending.REPAIRED, " with its lid ") == JobEnded(Ending.REPAIRED, "with its lid")


def test_a_second_ending_is_asked_for_unless_the_job_was_opened_again() -> None:
    ended = history(*DONE, JobEnded(Ending.REPAIRED))
    number = ended[-1].seq
    assert ended_by(ended) == ended[-1]
    says = f"the job ended already as repaired on 2026-01-05 (entry {number})"
    assert asked_before_ending(ended, Ending.REPAIRED) == (says,)
    assert question((says,), Ending.REPAIRED) == f"Against 'repaired' stands: {says}."
    with pytest.raises(UsageError, match="says nothing"):
        job_ended(ended, Ending.REPAIRED, reason="x")
    opened = history(*DONE, JobEnded(Ending.REPAIRED), JobEntered(Job()))
    void = history(*DONE, JobEnded(Ending.REPAIRED), Corrected(number, "not yet", void=True))
    for entries in (opened, void):
        assert ended_by(entries) is None
        assert asked_before_ending(entries, Ending.REPAIRED) == ()


def test_the_other_endings() -> None:
    assert asked_before_ending(history(SHORT, BEGUN, CUT), Ending.BEYOND_REPAIR) == ()
    assert asked_before_ending(history(SHORT), Ending.DECLINED) == ()
    taken = ("Q12 npn power: taken out, nothing fitted there",)
    assert asked_before_ending(history(OUT), Ending.RETURNED) == taken
    assert asked_before_ending(history(OUT, IN), Ending.RETURNED) == ("Q12 npn power: fitted",)
    yes = Approved(True, "140", "Invented", "letter")
    assert asked_before_ending(history(yes), Ending.DECLINED) == ("the customer approved (entry 1)",)


@pytest.mark.parametrize("ending", Ending)
def test_a_charged_reservoir_stands_against_any_ending(ending: Ending) -> None:
    point = TestPoint("reservoir +", PointKind.DC_VOLTS, "", "reservoir +")
    charged = Taken(point, Quantity.DC_VOLTAGE, 45.0, verdict=PointVerdict.OUTSIDE)
    asked = asked_before_ending(history(charged, *DONE), ending)
    assert asked == ("reservoir + was last read charged: 45 V",)
