"""Findings from readings; the rules are data, and none finds anything without a reading.

The readings behind each are the trade's own (common practice, no source): an output pin to a rail below 5 Ω
is a shorted device, 30 Ω of ESR a dried-out capacitor, an open coil a dead loudspeaker.
"""

import re
from datetime import UTC, datetime

import pytest

from benchlog.cold.findings import findings, read_rules, shipped_rules
from benchlog.cold.judge import judge
from benchlog.cold.known import KINDS, Seen
from benchlog.limits.fuse import parse_fuse
from benchlog.model.errors import UsageError
from benchlog.model.history import Entry, Taken
from benchlog.model.known import Check, Known
from benchlog.model.point import PointKind, TestPoint
from benchlog.model.reading import Status


def taken(name: str, kind: PointKind, value: float | None, known: Known, group: str = "left") -> Taken:
    status = Status.OPEN_LEADS if value is None else None
    said = judge(Seen(kind, value, u=0.01, status=status, in_circuit=True), known)
    point = TestPoint(name, kind, group, known=known)
    return Taken(
        point, kind.quantity, value, status, in_circuit=True, verdict=said.verdict, reason=said.reason
    )


def history(*readings: Taken) -> list[Entry]:
    return [Entry(n, n, datetime(2026, 1, 5, tzinfo=UTC), r) for n, r in enumerate(readings, 1)]


PIN, RE = (
    Known(check=Check.OUTPUT_TO_RAIL),
    Known(check=Check.EMITTER_RESISTOR, rated_ohm=0.22, lead_zero_ohm=0.0),
)
COIL = Known(check=Check.VOICE_COIL, rated_ohm=8.0)
ESR = Known(farad=220e-6, rated_v=50, lead_zero_ohm=0.0)


def names(*readings: Taken) -> list[tuple[str, str]]:
    return [(f.name, f.group) for f in findings(history(*readings))]


def test_a_shorted_output_device() -> None:
    found = findings(history(taken("output pin to + rail", PointKind.OHMS, 3.1, PIN)))
    assert [f.name for f in found] == ["output-device-shorted"]
    assert found[0].seqs == (1,)
    assert "3.1" in found[0].evidence[0]
    assert found[0].measure_next
    assert found[0].source


def test_conditions_hold_within_one_channel() -> None:
    short = taken("output pin to + rail", PointKind.OHMS, 0.5, PIN)
    here = taken("emitter resistor, upper", PointKind.OHMS, None, RE)
    there = taken("emitter resistor, upper", PointKind.OHMS, None, RE, "right")
    assert ("output-stage-burnt-through", "left") in names(short, here)
    assert "output-stage-burnt-through" not in [name for name, _ in names(short, there)]


@pytest.mark.parametrize(
    ("reading", "name"),
    [
        (taken("C12", PointKind.ESR, 30.0, ESR), "capacitor-dried-out"),
        (taken("C12", PointKind.ESR, 0.7, ESR), "capacitor-suspect"),
        (taken("coil", PointKind.OHMS, None, COIL), "voice-coil-damaged"),
        (taken("rail fuse", PointKind.OHMS, None, Known(fuse=parse_fuse("T5AH250V"))), "fuse-open"),
        (taken("rail to rail", PointKind.OHMS, 2.0, Known(check=Check.RAIL)), "rail-shorted"),
        (taken("B-E", PointKind.JUNCTION, 0.01, Known(device="bipolar")), "junction-failed"),
        (taken("primary", PointKind.OHMS, None, Known(check=Check.WINDING)), "winding-open"),
    ],
)  # fmt: skip
def test_one_reading_one_finding(reading: Taken, name: str) -> None:
    assert names(reading) == [(name, "left")]


def test_no_finding_without_a_reading_that_fails_and_none_after_the_repair() -> None:
    good = taken("output pin to + rail", PointKind.OHMS, 14e3, PIN)
    assert names() == []
    assert names(good) == []
    assert names(taken("output pin to + rail", PointKind.OHMS, 3.1, PIN), good) == []


def test_the_shipped_rules_make_sense() -> None:
    rules = shipped_rules()
    assert len({r.name for r in rules}) == len(rules)
    for rule in rules:
        assert rule.source
        assert rule.measure_next
        assert re.search("[Rr]ead|suspect|is not the one that is marked|does not stand", rule.says), rule.says
        for condition in rule.conditions:
            assert condition.check in KINDS or condition.look or condition.kind


@pytest.mark.parametrize(
    "text",
    ["", "rule = 1", "[[rule]]\nname='x'",
     "[[rule]]\nname='x'\nsays='y'\nsource='z'\nmeasure_next=''\nconditions=[]"]
)  # fmt: skip
def test_rules_that_are_none_are_refused(text: str) -> None:
    with pytest.raises(UsageError):
        read_rules(text)
