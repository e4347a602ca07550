"""What a bring-up says as text: instructions, steps, and what holds it up; not what passes by itself."""

import pytest
from msgspec.structs import replace

from benchlog.cli.narrator import Narrator
from benchlog.cli.show import steps_as_text
from benchlog.model.event import Instruct, Judged, Marked, Said, StepDone
from benchlog.model.step import DecidedBy, StepRecord, StepVerdict


def judged(verdict: StepVerdict, reason: str, rule: str) -> Judged:
    return Judged(1, verdict, reason, DecidedBy.PROGRAM, rule)


def test_a_step_without_current_is_not_praised(capsys: pytest.CaptureFixture[str]) -> None:
    record = StepRecord(
        fraction=0.1, set_v=12.0, measured_v=12.0, inrush_a=0.002, inrush_is_lower_bound=True,
        idle_a=0.00133, idle_u_a=0.005, acceptance_a=0.3, acceptance_source="x", stop_a=0.5, stop_source="x",
        verdict=StepVerdict.GO_UP, decided_by=DecidedBy.PROGRAM, decision_reason="", settled_after_s=13.0,
        idle_bound_a=0.012,
    )  # fmt: skip
    blind = "no current seen: can't be told from an open fuse, switch or cord"
    Narrator().hear(5_000_000, StepDone(1, record))
    assert capsys.readouterr().err.endswith(f"0.00133 A idle, go up (program); {blind}\n")
    table = steps_as_text((record,))
    assert table[1].endswith("go up (program); no current seen")
    assert table[2].strip() == f"at 12 V: {blind}"
    drew = replace(record, idle_a=0.1)
    Narrator().hear(5_000_000, StepDone(1, drew))
    assert capsys.readouterr().err.endswith("0.1 A idle, go up (program)\n")
    assert len(steps_as_text((drew,))) == 2


def test_readings_that_come_back_are_said_and_keys_are_named(capsys: pytest.CaptureFixture[str]) -> None:
    said: list[Said] = [
        Instruct("Alarm: no reading from the ammeter", urgent=True),
        judged(StepVerdict.WAIT, "Wait: no reading from the ammeter", "stale:source-current"),
        judged(StepVerdict.WAIT, "Wait: still settling", "settling"),
        judged(StepVerdict.GO_UP, "Go up to 12 V", "accepted"),
        Instruct("Within the limit. Press the key to go to 12 V"),
        Instruct("Undecided at 12 V: go on with a reason, or stop"),
    ]
    narrator = Narrator(terminal=True)
    for k, one in enumerate(said):
        narrator.hear(1_000_000 * k, one)
    lines = [line.split("s  ", 1)[1] for line in capsys.readouterr().err.splitlines()]
    assert lines == [
        "Alarm: no reading from the ammeter",
        "Readings from the ammeter are back",
        "Within the limit. Type g and Enter to go to 12 V",
        "Undecided at 12 V: type g REASON and Enter to go on, or s and Enter to stop",
    ]


def test_silence_that_ends_in_a_cut_off_is_not_said_to_be_back(capsys: pytest.CaptureFixture[str]) -> None:
    narrator = Narrator()
    narrator.hear(0, Instruct("Alarm: no reading from the ammeter", urgent=True))
    narrator.hear(1, judged(StepVerdict.CUT_OFF, "Cut off. No reading from the ammeter", "stale"))
    assert "back" not in capsys.readouterr().err


def test_what_holds_it_up_is_said_and_what_passes_is_not(capsys: pytest.CaptureFixture[str]) -> None:
    narrator = Narrator()
    said: list[Said] = [
        Instruct("Turn the source to 12 V"),
        judged(StepVerdict.WAIT, "Wait: still settling", "settling"),
        judged(StepVerdict.CANNOT_JUDGE, "Cannot judge at 12 V. Wind 5 turns.", "cannot-judge"),
        judged(StepVerdict.WAIT, "Wait: readings are not being stored", "storage"),
        judged(StepVerdict.WAIT, "Wait: readings are not being stored", "storage"),
        Marked("storing", "Readings are being stored again"),
        Marked("arrival", "12 V"),
        Marked("link-down", "ammeter: unplugged"),
        judged(StepVerdict.CUT_OFF, "Cut off. 0.9 A at 12 V", "stop-limit"),
    ]
    for k, one in enumerate(said):
        narrator.hear(1_000_000 * k, one)
    lines = [line.split("s  ", 1)[1] for line in capsys.readouterr().err.splitlines()]
    assert lines == [
        "Turn the source to 12 V",
        "Cannot judge at 12 V. Wind 5 turns.",
        "Wait: readings are not being stored",
        "Readings are being stored again",
        "Link lost. ammeter: unplugged",
    ]
