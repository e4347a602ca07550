"""What stands open in a job before power, and what settles it. Common practice, no source."""

from datetime import UTC, datetime

import pytest

from benchlog.job.openpoints import open_cut_off, open_earth, open_points
from benchlog.model.history import Corrected, Entry, Noted, PartChanged, Payload, RunEnded, Taken
from benchlog.model.point import PointKind, TestPoint
from benchlog.model.quantity import Quantity
from benchlog.model.step import Outcome, PointVerdict
from benchlog.model.unit import Unit
from benchlog.model.work import FinalCheck, FinalChecked, FirstLook, SafetyMeasured

PIN = TestPoint("output pin to + rail", PointKind.OHMS, "left")
WALL = datetime(2026, 1, 5, 9, 0, tzinfo=UTC)


def history(*payloads: Payload) -> list[Entry]:
    return [Entry(n, 1000 * n, WALL, payload) for n, payload in enumerate(payloads, 1)]


def read(ohms: float, verdict: PointVerdict, point: TestPoint = PIN, part: str = "") -> Taken:
    return Taken(point, Quantity.RESISTANCE, ohms, verdict=verdict, part=part)


SHORT = read(3.1, PointVerdict.OUTSIDE)


def test_a_reading_outside_its_limit_stands_until_it_is_read_again() -> None:
    (line,) = open_points(history(SHORT))
    assert line == "output pin to + rail, left: 3.1 Ω, outside limit (entry 1)"
    assert open_points(history(SHORT, read(180e3, PointVerdict.WITHIN))) == ()
    other = TestPoint(PIN.name, PIN.kind, "right")
    assert len(open_points(history(SHORT, read(180e3, PointVerdict.WITHIN, other)))) == 1


def test_a_voided_reading_and_a_part_read_before_it_is_fitted_do_not_count() -> None:
    assert open_points(history(SHORT, Corrected(1, "wrong channel", void=True))) == ()
    assert open_points(history(read(1.8, PointVerdict.OUTSIDE, part="C31"))) == ()


def test_a_part_fitted_since_is_named_and_settles_only_its_own_position_once_read() -> None:
    (line,) = open_points(history(SHORT, PartChanged("left output device", "in", "npn power")))
    assert "fitted since: left output device npn power; not read again" in line
    c31 = TestPoint("C31", PointKind.ESR)
    bad = read(1.8, PointVerdict.OUTSIDE, c31)
    assert open_points(history(bad, PartChanged("C31", "in", "220u", checked_by=2))) == ()
    assert len(open_points(history(bad, PartChanged("C31", "in", "220u")))) == 1


def test_a_wrong_fuse_and_selector_stand_until_they_are_looked_at_again() -> None:
    wrong = FirstLook(
        fuse_fitted="T6.3AL250V", fuse_marked="T4AL250V", fuse_verdict=PointVerdict.OUTSIDE,
        fuse_reason="6.3 A in place of 4 A", selector_v=230.0, mains_v=120.0,
        selector_verdict=PointVerdict.OUTSIDE, selector_reason="230 V on 120 V mains",
    )  # fmt: skip
    fuse, selector = open_points(history(wrong))
    assert "T6.3AL250V" in fuse
    assert "voltage selector at 230 V" in selector
    assert len(open_points(history(wrong, FirstLook(seen="dust")))) == 2
    right = FirstLook(fuse_fitted="T4AL250V", fuse_verdict=PointVerdict.WITHIN)
    assert open_points(history(wrong, right)) == (selector,)


def test_final_checks_and_safety_figures_outside_stand() -> None:
    offset = FinalChecked(FinalCheck.OFFSET, "left", 2.4, verdict=PointVerdict.OUTSIDE)
    earth = SafetyMeasured("earth-ohms", 4.0, "Ω", "de", "i", "N.N.", verdict=PointVerdict.OUTSIDE)
    assert len(open_points(history(offset, earth))) == 2


@pytest.mark.parametrize(
    ("unit", "after", "words"),
    [
        (Unit(protective_earth=False), [], ""),
        (Unit(protective_earth=True), [], "Class I"),
        (Unit(), [], "not recorded"),
        (Unit(protective_earth=True), [Noted("protective earth: yes", stage="before-power")], ""),
        (Unit(protective_earth=True), [Noted("protective earth: yes", stage="cold-checks")], "Class I"),
        (
            Unit(protective_earth=True),
            [
                Noted("protective earth: yes", stage="before-power"),
                Noted("protective earth: taken back", stage="before-power"),
            ],
            "Class I",
        ),
        (
            Unit(protective_earth=True),
            [SafetyMeasured("earth-ohms", 0.1, "Ω", "de", "i", "N.N.", verdict=PointVerdict.WITHIN)],
            "",
        ),
        (
            Unit(protective_earth=True),
            [SafetyMeasured("earth-ohms", 4.0, "Ω", "de", "i", "N.N.", verdict=PointVerdict.OUTSIDE)],
            "Class I",
        ),
    ],
)
def test_protective_earth_is_asked_until_it_was_seen_to(unit: Unit, after: list[Payload], words: str) -> None:
    found = open_earth(history(*after), unit)
    assert bool(found) is bool(words)
    assert words in "".join(found)


def test_a_cut_off_is_asked_about_until_something_was_done() -> None:
    cut = RunEnded(Outcome.CUT_OFF, "Cut off. 0.9 A at 12 V", ())
    (line,) = open_cut_off(history(cut, Noted("an answer", stage="before-power"), Noted("x", by="recorder")))
    assert "0.9 A at 12 V" in line
    assert open_cut_off(history(cut, Noted("found a solder bridge"))) == ()
    assert open_cut_off(history(cut, read(180e3, PointVerdict.WITHIN))) == ()
    assert open_cut_off(history(RunEnded(Outcome.COMPLETED, "", ()))) == ()
