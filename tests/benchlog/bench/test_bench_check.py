"""The rules before power: which bench is refused, what is asked, what is told.

Source of every rule: common practice, no source (an earthed lead re-references an isolated unit; two of them
short what lies between them; transformer clamps pass no DC; milliampere jacks are fused for milliamperes).
"""

from datetime import date
from typing import Any

import pytest

from benchlog.bench.check import ask_before_power, check_bench, looks_simulated
from benchlog.bench.file import Bench, InstrumentConfig, Simulation
from benchlog.model.errors import Exit, PlanRefused, UsageError
from benchlog.model.instrument import Accuracy, Coupling, Earth, MeterSheet, Response
from benchlog.model.quantity import Quantity
from benchlog.model.role import Role
from benchlog.model.run import RunSetup
from benchlog.model.unit import OutputTopology, Plate, PlateKind, Unit

UNIT = Unit(plate=Plate(PlateKind.AMPERES, 2.0))


def sheet(**changes: Any) -> MeterSheet:
    accuracy = Accuracy(
        Quantity.AC_CURRENT,
        0.01,
        5,
        0.001,
        range=changes.pop("range", 10.0),
        per_second=changes.pop("rate", 2.5),
    )
    return MeterSheet(accuracy=(accuracy,), **changes)


def make(*extra: InstrumentConfig, ammeter: MeterSheet | None = None, **changes: Any) -> Bench:
    return Bench(
        name="corner",
        instrument=(
            InstrumentConfig("source", "scpi", (Role.SOURCE,), "TCPIP::10.0.0.2::5025::SOCKET"),
            InstrumentConfig(
                "ammeter", "serial-text", (Role.SOURCE_CURRENT,), "COM3", sheet=ammeter or sheet()
            ),
            InstrumentConfig("voltmeter", "serial-text", (Role.INLET_VOLTAGE,), "COM4"),
            *extra,
        ),
        **changes,
    )


def probe(
    name: str, node: str, earth: Earth = Earth.EARTHED, role: Role = Role.OUTPUT_DC
) -> InstrumentConfig:
    return InstrumentConfig(name, "scpi", (role,), f"USB::{name}", earth=earth, node=node)


def run(unit: Unit = UNIT) -> RunSetup:
    return RunSetup(unit=unit, steps=(), periods_s={})


def test_a_plain_bench_has_nothing_to_tell() -> None:
    assert check_bench(make(), run(), date(2026, 1, 5)) == ()


def test_one_earthed_lead_ends_the_isolation() -> None:
    (told,) = check_bench(make(probe("scope", "output return")))
    assert "no longer isolated" in told
    assert ask_before_power(make(probe("scope", "output return"))) == (told,)


def test_two_earthed_leads_on_different_nodes_are_refused() -> None:
    bench = make(probe("scope", "output return"), probe("analyser", "speaker +", role=Role.RAIL_PLUS))
    with pytest.raises(
        PlanRefused, match="scope at output return and analyser at speaker \\+ both carry"
    ) as caught:
        check_bench(bench)
    assert caught.value.exit_code == Exit.REFUSED == 5


def test_two_earthed_leads_on_one_node_are_asked_and_not_refused() -> None:
    bench = make(probe("scope", "Output  return"), probe("analyser", "output-return", role=Role.RAIL_PLUS))
    assert len(check_bench(bench)) == len(ask_before_power(bench)) == 2


def test_an_earthed_lead_that_touches_no_node_says_nothing() -> None:
    assert check_bench(make(probe("logger", ""))) == ()


@pytest.mark.parametrize(
    ("node", "topology", "place"),
    [
        ("emitter resistor, left", OutputTopology.DIRECT, "an emitter resistor"),
        ("loudspeaker output +", OutputTopology.BRIDGE, "a bridge output"),
        ("bridge output +", OutputTopology.UNKNOWN, "a bridge output"),
        ("primary, after the fuse", OutputTopology.DIRECT, "the primary side"),
    ],
)
def test_sensitive_places_are_asked(node: str, topology: OutputTopology, place: str) -> None:
    unit = Unit(plate=UNIT.plate, topology=topology)
    bench = make(probe("scope", node))
    isolated, question = ask_before_power(bench, unit)
    assert "no longer isolated" in isolated
    assert f"an earthed lead on {place}" in question
    assert question in check_bench(bench, run(unit))


def test_at_an_ordinary_output_only_the_lost_isolation_is_asked() -> None:
    (asked,) = ask_before_power(make(probe("scope", "loudspeaker output -")), UNIT)
    assert "no longer isolated" in asked


def test_unknown_earth_is_told_and_asked_where_it_matters() -> None:
    bench = make(
        probe("scope", "output return", Earth.UNKNOWN),
        probe("analyser", "rail +", Earth.EARTHED, Role.RAIL_PLUS),
    )
    asked = ask_before_power(bench)
    assert set(asked) == set(check_bench(bench))
    for words in ("no longer isolated", "is not known", "may both carry protective earth"):
        assert sum(words in question for question in asked) == 1


def test_an_earthed_lead_on_the_primary_without_isolation_is_refused() -> None:
    bench = make(probe("scope", "primary side"), isolating_transformer=False)
    with pytest.raises(PlanRefused, match="shorts the mains"):
        check_bench(bench)


def test_no_isolating_transformer_is_asked() -> None:
    (asked,) = ask_before_power(make(isolating_transformer=False))
    assert "may be live to earth" in asked
    assert check_bench(make(isolating_transformer=False)) == (asked,)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"response": Response.AVERAGE}, "average-responding"),
        ({"coupling": Coupling.AC}, "DC of a half-wave fault is not judged"),
        ({"crest_factor": 2.0}, "crest factor of 2"),
        ({"auto_power_off_min": 15.0}, "switches itself off after 15 min"),
        ({"rate": 1.0}, "1 readings a second"),
        ({"range": 2.0}, "ends at 2 A"),
    ],
)
def test_a_meter_as_it_is_is_told(changes: dict[str, Any], words: str) -> None:
    told = check_bench(make(ammeter=sheet(**changes)), run())
    assert len(told) == 1
    assert words in told[0]


def test_turns_through_a_clamp_shorten_its_reach() -> None:
    (told,) = check_bench(make(ammeter=sheet(range=10.0, turns=5)), run())
    assert "ends at 2 A" in told


@pytest.mark.parametrize(
    ("changes", "words"), [({"autorange": True}, "autorange"), ({"range": 0.4}, "milliampere jack")]
)
def test_a_current_meter_that_is_set_wrong_is_asked(changes: dict[str, Any], words: str) -> None:
    (question,) = ask_before_power(make(ammeter=sheet(**changes)), UNIT)
    assert words in question


def test_a_meter_without_accuracy_is_told() -> None:
    assert any("no step can be judged" in told for told in check_bench(make(ammeter=MeterSheet())))


def test_calibration_overdue_is_told_and_a_bad_date_is_wrong_use() -> None:
    late = InstrumentConfig("old", "scpi", (Role.OUTPUT_DC,), "COM9", calibration_due="2025-12-31")
    assert any("due on 2025-12-31" in told for told in check_bench(make(late), today=date(2026, 1, 1)))
    assert len(ask_before_power(make(late), today=date(2026, 1, 1))) == 1
    assert check_bench(make(late), today=date(2025, 12, 31)) == ()
    bad = InstrumentConfig("old", "scpi", (Role.OUTPUT_DC,), "COM9", calibration_due="31.12.25")
    with pytest.raises(UsageError, match="no date"):
        check_bench(make(bad), today=date(2026, 1, 1))


@pytest.mark.parametrize(
    ("extra", "words"),
    [
        (InstrumentConfig("ammeter", "scpi", (Role.OUTPUT_DC,), "COM9"), "name ammeter twice"),
        (InstrumentConfig("b", "scpi", (Role.OUTPUT_DC,), "COM3"), "connection COM3 twice"),
        (InstrumentConfig("b", "scpi", (Role.INLET_VOLTAGE,), "COM9"), "role inlet-voltage twice"),
    ],
)
def test_doubled_parts_are_wrong_use(extra: InstrumentConfig, words: str) -> None:
    with pytest.raises(UsageError, match=words):
        check_bench(make(extra))


def test_missing_parts_are_wrong_use_and_a_lamp_stands_for_the_ammeter() -> None:
    two = Bench(name="corner", instrument=(make().instrument[0], make().instrument[2]))
    with pytest.raises(UsageError, match="nobody plays source-current"):
        check_bench(two)
    assert check_bench(Bench(name="corner", instrument=two.instrument, lamp_w=100.0)) == ()


def simulated(
    scale: float, source: str = "TCPIP::127.0.0.1::5025::SOCKET", ammeter: str = "/dev/pts/3"
) -> Bench:
    return Bench(
        name="rehearsal",
        instrument=(
            InstrumentConfig("source", "scpi", (Role.SOURCE,), source),
            InstrumentConfig("ammeter", "serial-text", (Role.SOURCE_CURRENT,), ammeter, sheet=sheet()),
            InstrumentConfig("voltmeter", "serial-text", (Role.INLET_VOLTAGE,), "socket://127.0.0.1:7001"),
        ),
        simulated=Simulation(scale),
    )


def test_a_simulated_bench_may_run_at_any_scale() -> None:
    assert check_bench(simulated(60.0)) == ()


def test_real_instruments_never_run_at_a_scale() -> None:
    with pytest.raises(PlanRefused, match="looks like a real instrument"):
        check_bench(simulated(60.0, ammeter="/dev/ttyUSB0"))
    assert check_bench(simulated(1.0, ammeter="/dev/ttyUSB0")) == ()


def test_a_real_source_is_never_mixed_with_simulated_readings() -> None:
    with pytest.raises(PlanRefused, match="real source on a simulated bench"):
        check_bench(simulated(1.0, source="TCPIP::10.0.0.2::5025::SOCKET"))


@pytest.mark.parametrize("scale", [0.0, -1.0, float("nan"), 1e9])
def test_a_time_scale_that_is_none_is_wrong_use(scale: float) -> None:
    with pytest.raises(UsageError, match="time scale"):
        check_bench(simulated(scale))


@pytest.mark.parametrize(
    ("connection", "stays"),
    [
        ("", True),
        ("127.0.0.1:5000", True),
        ("localhost:5000", True),
        ("socket://[::1]:5000", True),
        ("TCPIP0::127.0.0.1::5025::SOCKET", True),
        ("tcpip::localhost::5025::SOCKET", True),
        ("/dev/pts/12", True),
        ("socket://10.0.0.4:5000", False),
        ("TCPIP::scope.lan::INSTR", False),
        ("USB0::1::2::3::INSTR", False),
        ("COM3", False),
        ("/dev/ttyACM0", False),
        ("ASRL3::INSTR", False),
    ],
)
def test_connections_that_stay_on_this_machine(connection: str, stays: bool) -> None:
    assert looks_simulated(InstrumentConfig("x", "scpi", (Role.PROBE,), connection)) is stays
