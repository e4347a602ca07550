"""Corrections, channels beside each other, junctions both ways, the two reservoirs of an open rail fuse."""

from collections.abc import Sequence
from datetime import UTC, datetime

import pytest

from benchlog.cold.channels import channels_beside, side_of
from benchlog.cold.corrections import correction, in_force
from benchlog.cold.discharge import reservoir, standing_of, waits_for
from benchlog.cold.entering import Given, both_ways, entry_of
from benchlog.cold.findings import findings
from benchlog.cold.points import pairs_of, still_to_take
from benchlog.model.errors import PlanRefused, UsageError
from benchlog.model.history import Corrected, Entry, JobEntered, Payload, RunBegun, Taken
from benchlog.model.job import Job
from benchlog.model.known import Check, Known
from benchlog.model.point import PointKind, TestPoint
from benchlog.model.quantity import Quantity
from benchlog.model.step import PointVerdict
from benchlog.model.work import FinalCheck, FinalChecked, FirstLook

WALL = datetime(2026, 1, 5, 9, 0, tzinfo=UTC)
W, D, O, N = PointVerdict.WITHIN, PointVerdict.DOUBTFUL, PointVerdict.OUTSIDE, PointVerdict.NONE  # noqa: E741


def history(*payloads: Payload) -> tuple[Entry, ...]:
    return tuple(Entry(n, n, WALL, p) for n, p in enumerate(payloads, 1))


def empty(name: str, volts: float = 0.02, proved: bool = True) -> Taken:
    return Taken(reservoir(name), Quantity.DC_VOLTAGE, volts, u=0.01, meter_proved=proved)


PIN = TestPoint(
    "output pin to + rail",
    PointKind.OHMS,
    "left",
    "reservoir +, reservoir -",
    known=Known(check=Check.OUTPUT_TO_RAIL),
)
FUSE_MINUS = TestPoint("rail fuse -", PointKind.OHMS, "supply", "reservoir -")
BASE = TestPoint("B-E", PointKind.JUNCTION, "left", "reservoir +", known=Known(device="bipolar"))


def test_a_rail_fuse_open_one_reservoir_proved_leaves_the_points_of_the_other_blocked() -> None:
    """Behind an open rail fuse one reservoir stays charged (common practice, no source)."""
    entries = history(JobEntered(Job()), empty("reservoir +"))
    with pytest.raises(PlanRefused, match="reservoir -"):
        entry_of(Given(PIN, "3.1", in_circuit=True), entries)
    with pytest.raises(PlanRefused, match="reservoir -"):
        entry_of(Given(FUSE_MINUS, "OL", in_circuit=True), entries)
    assert entry_of(Given(BASE, "0.62", in_circuit=True, polarity="forward"), entries)[0].value == 0.62
    both = history(JobEntered(Job()), empty("reservoir +"), empty("reservoir -"))
    taken, said = entry_of(Given(PIN, "3.1", in_circuit=True), both)
    assert taken.value == 3.1
    assert said.verdict is O
    charged = history(JobEntered(Job()), empty("reservoir +"), empty("reservoir -", 38.0))
    with pytest.raises(PlanRefused, match="38"):
        entry_of(Given(PIN, "3.1", in_circuit=True), charged)
    assert (
        findings(history(entry_of(Given(reservoir("reservoir -"), "38.0", meter_proved=True), entries)[0]))[
            0
        ].name
        == "reservoir-charged"
    )


def test_a_proof_that_does_not_count_blocks_again() -> None:
    entries = history(empty("reservoir +"), empty("reservoir -"), Corrected(1, "other unit", void=True))
    standing = standing_of(entries)
    assert waits_for(PIN, True, standing) == ("reservoir +",)
    assert "does not count" in dict(standing.why)["reservoir +"]


def test_voiding_a_high_reading_does_not_prove_a_reservoir() -> None:
    entries = history(empty("reservoir -"), empty("reservoir -", 41.0), Corrected(2, "slipped", void=True))
    assert waits_for(FUSE_MINUS, True, standing_of(entries)) == ("reservoir -",)


def ohms(value: float, name: str = "output pin to + rail", group: str = "left", **more: object) -> Taken:
    known = Known(check=Check.OUTPUT_TO_RAIL)
    point = TestPoint(name, PointKind.OHMS, group, known=known)
    return Taken(point, Quantity.RESISTANCE, value, u=0.01 * value, **more)  # type: ignore[arg-type]


def test_what_does_not_count_is_passed_over_and_stays() -> None:
    entries = history(
        ohms(3.1, verdict=O), Corrected(1, "probe on the wrong pin", void=True), ohms(15e3), ohms(15.1e3)
    )
    assert [e.seq for e in in_force(entries)] == [2, 3, 4]
    assert len(entries) == 4
    assert findings(entries) == ()
    assert pairs_of(entries)[0].before.value == 15e3
    assert still_to_take([ohms(1.0).point], entries[:2]) == (ohms(1.0).point,)
    words = history(ohms(3.1, verdict=O), Corrected(1, "right channel"))
    assert len(findings(words)) == 1


def test_what_may_not_be_void() -> None:
    entries = history(JobEntered(Job()), ohms(3.0))
    assert correction(entries, 2, " wrong pin ", "A", True) == Corrected(2, "wrong pin", "A", True)
    for number, text, match in ((9, "x", "no entry 9"), (1, "x", "always counts"), (2, "  ", "words")):
        with pytest.raises(UsageError, match=match):
            correction(entries, number, text, "", True)
    forged = (*entries, Entry(3, 3, WALL, Corrected(1, "x", void=True)))
    assert in_force(forged)[0].seq == 1
    assert RunBegun not in (type(e.payload) for e in forged)


def test_channels_side_by_side() -> None:
    entries = history(
        ohms(12e3, group="left"), ohms(13e3, group="right"), ohms(3.0, "rail to common", "supply"),
        ohms(1e3, "emitter, left"), ohms(4e3, "emitter, right"), ohms(4.1, part="Q1"),
    )  # fmt: skip
    first, second = channels_beside(entries)
    assert (first.name, first.judgement.verdict, first.seqs) == ("output pin to + rail", W, (1, 2))
    assert (second.name, second.judgement.verdict) == ("emitter", D)
    assert side_of(ohms(1.0, "Right upper device", "")) == ("upper device", "right")
    assert side_of(ohms(1.0, "bright switch", "")) == ("bright switch", "")


def test_channels_whose_uncertainty_is_not_known_take_a_hand_meters() -> None:
    pair = [
        Taken(TestPoint("x", PointKind.OHMS, side), Quantity.RESISTANCE, value)
        for side, value in (("left", 900.0), ("right", 2600.0))
    ]
    assert channels_beside(history(*pair))[0].judgement.verdict is D


def both(forward: str, reverse: str, device: str = "bipolar") -> PointVerdict:
    point = TestPoint("B-E", PointKind.JUNCTION, "left", known=Known(device=device))
    entries: Sequence[Entry] = ()
    first, _ = entry_of(Given(point, forward, in_circuit=False, polarity="forward"), entries)
    second, _ = entry_of(Given(point, reverse, in_circuit=False, polarity="reverse"), history(first))
    found = both_ways(second, history(first, second))
    assert found is not None
    assert both_ways(first, ()) is None
    return found.verdict


def test_a_junction_both_ways() -> None:
    """Meter makers' notes on the diode test: conducts one way, blocks the other; a short reads both ways."""
    assert both("0.62", "OL") is W
    assert both("0.01", "0.01") is O
    assert both("OL", "OL") is O
    assert both("0.62", "0.62") is D
    assert both("0.62", "1.9") is D
    assert both("0.30", "OL") is D
    assert both("1.1", "OL", "darlington") is N


def test_findings_of_first_look_and_final_checks() -> None:
    look = FirstLook(fuse_fitted="T6.3AL250V", fuse_marked="T4AL250V", fuse_verdict=O, selector_verdict=O)
    offset = FinalChecked(FinalCheck.OFFSET, "left", 0.4, verdict=O)
    assert [f.name for f in findings(history(look, offset))] == [
        "offset-at-output", "wrong-fuse-fitted", "selector-wrong",
    ]  # fmt: skip
    again = FinalChecked(FinalCheck.OFFSET, "left", 0.004, verdict=W)
    assert [f.name for f in findings(history(offset, again, FirstLook(fuse_verdict=W)))] == []
