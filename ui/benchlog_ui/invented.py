"""An invented history, for the program's own pictures and for tests: nothing in it was measured."""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

from benchlog.model.clock import US
from benchlog.model.history import (
    Approved,
    BenchSet,
    Entry,
    JobEntered,
    Noted,
    PartChanged,
    Payload,
    RunBegun,
    RunEnded,
    RunSaid,
    Taken,
)
from benchlog.model.instrument import Earth, InstrumentRecord
from benchlog.model.point import PointKind, TestPoint
from benchlog.model.protocol import SaidNow, ToWindow
from benchlog.model.role import Role
from benchlog.model.run import RunSetup
from benchlog.model.step import PointVerdict
from benchlog_ui.scenes import job

_START = datetime(2026, 1, 12, 9, 0, tzinfo=UTC)


def entries_of(payloads: Sequence[tuple[float, Payload]], first: int = 1) -> tuple[Entry, ...]:
    """Lines of a history from (seconds, payload)."""
    return tuple(
        Entry(first + n, int(t_s * US), _START + timedelta(seconds=t_s), payload)
        for n, (t_s, payload) in enumerate(payloads)
    )


def bench(setup: RunSetup) -> BenchSet:
    """The instruments of a scene."""
    names = {
        Role.SOURCE: ("source", "programmed AC source" if not setup.hand_set else "variable transformer"),
        Role.SOURCE_CURRENT: ("ammeter", "bench ammeter"),
        Role.INLET_VOLTAGE: ("voltmeter", "bench voltmeter"),
    }
    records = []
    for number, (role, (name, words)) in enumerate(names.items()):
        by_hand = role is Role.SOURCE and setup.hand_set
        records.append(
            InstrumentRecord(
                name=name,
                description=words,
                serial_number=f"0{number}",
                calibration_due="2026-11-30" if number else "",
                roles=(role,),
                earth=Earth.EARTHED if role is Role.SOURCE and not by_hand else Earth.FLOATING,
                sheet=setup.sheets.get(role, setup.source),
                connection="" if by_hand else f"TCPIP::127.0.0.1::{5025 + number}::SOCKET",
                simulated=True,
            )
        )
    return BenchSet(tuple(records), simulated=True, time_scale=setup.time_scale)


def cold_checks() -> list[tuple[float, Payload]]:
    """Intake and cold checks: notes, readings, a part, an approval."""
    rails = TestPoint("+ reservoir, left", PointKind.DC_VOLTS)
    output = TestPoint("output pin to + rail, left", PointKind.OHMS)
    junction = TestPoint("Q12 base to emitter", PointKind.JUNCTION)
    capacitor = TestPoint("C7", PointKind.ESR, expected="0.25")
    return [
        (60, JobEntered(job())),
        (95, Noted("mains fuse blown, blackened inside", stage="intake")),
        (240, _reading(rails, 0.04, PointVerdict.WITHIN, "below 1 V: discharged")),
        (300, _reading(output, 0.6, PointVerdict.OUTSIDE, "a short across the device")),
        (350, _reading(junction, 0.583, PointVerdict.WITHIN, "")),
        (420, _reading(capacitor, 1.9, PointVerdict.DOUBTFUL, "above twice the usual band")),
        (700, Approved(True, "180", "the customer", "telephone")),
        (1500, PartChanged("Q12", "out", "output device, NPN", "15 A 250 V")),
        (1800, PartChanged("Q12", "in", "output device, NPN", "15 A 250 V", lot="invented")),
    ]


def _reading(point: TestPoint, value: float, verdict: PointVerdict, reason: str) -> Taken:
    return Taken(point, point.kind.quantity, value, instrument="probe", verdict=verdict, reason=reason)


def run_lines(setup: RunSetup, messages: Sequence[ToWindow], from_s: float) -> list[tuple[float, Payload]]:
    """What a scene's limit watch said, as lines of a history."""
    lines: list[tuple[float, Payload]] = [(from_s - 1.0, bench(setup)), (from_s, RunBegun(setup))]
    lines += [(from_s + m.t_us / US, RunSaid(m.said)) for m in messages if isinstance(m, SaidNow)]
    return lines


def ended(messages: Sequence[ToWindow]) -> RunEnded | None:
    """How a scene's run ended, as a line of the history; None where it did not."""
    from benchlog.model.event import Ended, StepDone

    said = [m.said for m in messages if isinstance(m, SaidNow)]
    records = tuple(s.record for s in said if isinstance(s, StepDone))
    end = next((s for s in said if isinstance(s, Ended)), None)
    return RunEnded(end.outcome, end.reason, records) if end is not None else None
