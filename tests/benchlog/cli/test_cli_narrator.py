"""What a bring-up says as text: instructions, steps, and what holds it up; not what passes by itself."""

import pytest

from benchlog.cli.conduct import Narrator
from benchlog.model.event import Instruct, Judged, Marked, Said
from benchlog.model.step import DecidedBy, StepVerdict


def judged(verdict: StepVerdict, reason: str, rule: str) -> Judged:
    return Judged(1, verdict, reason, DecidedBy.PROGRAM, rule)


def test_what_holds_it_up_is_said_and_what_passes_is_not(capsys: pytest.CaptureFixture[str]) -> None:
    narrator = Narrator(120.0)
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
