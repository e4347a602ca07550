"""What counts as a difference when a recorded run is judged again."""

from pathlib import Path

import pytest
from msgspec.structs import replace

from benchlog.cli.main import main
from benchlog.cli.rejudge import differing
from benchlog.model.event import Judged, StepDone
from benchlog.model.step import DecidedBy, StepRecord, StepVerdict

SAMPLE = Path(__file__).resolve().parents[3] / "sample_sessions" / "rail-short.benchlog"
NOW = StepRecord(
    fraction=0.1, set_v=12.0, measured_v=12.0, inrush_a=0.3, inrush_is_lower_bound=True,
    idle_a=0.1, idle_u_a=0.005, acceptance_a=0.3, acceptance_source="x", stop_a=0.5, stop_source="x",
    verdict=StepVerdict.GO_UP, decided_by=DecidedBy.PROGRAM, decision_reason="", settled_after_s=13.0,
    power_w=-0.1, power_factor=None, idle_bound_a=0.007,
)  # fmt: skip
OLDER = replace(NOW, idle_u_a=0.007, idle_bound_a=None, power_factor=-0.08)


def of(before: StepRecord, again: StepRecord, again_us: int = 5) -> tuple[str, ...]:
    return differing([(5, StepDone(1, before))], [(again_us, StepDone(1, again))])


def test_fuller_figures_than_an_older_record_has_are_no_difference() -> None:
    assert of(OLDER, NOW) == ()
    assert of(NOW, NOW) == ()


def test_the_same_verdict_in_other_words_is_none() -> None:
    said = Judged(1, StepVerdict.GO_UP, "Go up to 12 V", DecidedBy.PROGRAM, "accepted")
    assert differing([(5, said)], [(5, replace(said, reason="Go up to 12 V: no current seen"))]) == ()
    assert of(NOW, replace(NOW, decision_reason="in other words")) == ()
    assert len(differing([(5, said)], [(5, replace(said, rule="dwell"))])) == 1
    assert len(differing([(5, said)], [(6, said)])) == 1


def test_options_that_a_record_can_not_follow_are_refused(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["rejudge", str(SAMPLE), "--plate-va", "80", "--turns", "5"]) == 2
    assert "--plate-va, --turns can't change them" in capsys.readouterr().err


def test_another_verdict_value_or_time_is_one() -> None:
    assert len(of(OLDER, replace(NOW, verdict=StepVerdict.WAIT))) == 1
    assert len(of(OLDER, replace(NOW, idle_a=0.11))) == 1
    assert len(of(OLDER, NOW, again_us=6)) == 1
    assert len(of(NOW, replace(NOW, idle_u_a=0.006))) == 1
    assert len(of(OLDER, replace(NOW, decided_by=DecidedBy.TECHNICIAN))) == 1
    assert differing([(5, StepDone(1, OLDER))], []) == ("1 things were said then, 0 now.",)
