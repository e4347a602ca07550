"""The small parts: recent readings, deadlines, words, the series lamp as an ammeter."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlog.bringup import wording
from benchlog.bringup.bounds import by_lamp, lamp_current_a, meter_of, voltmeter_u_v
from benchlog.bringup.timers import Timers
from benchlog.bringup.trace import Trace
from benchlog.model.event import ReadingTaken, SetSource
from benchlog.model.instrument import Accuracy, MeterSheet
from benchlog.model.quantity import Quantity
from benchlog.model.role import Role
from benchlog.model.unit import Amplifier, Plate, PlateKind, Supply, Unit


@given(st.lists(st.floats(0.001, 5.0), min_size=1, max_size=400), st.floats(0.5, 40.0))
def test_a_trace_holds_what_is_younger_than_its_span(steps: list[float], span_s: float) -> None:
    trace, t_s, kept = Trace(span_s), 0.0, []
    for k, step in enumerate(steps):
        t_s += step
        trace.append(t_s, float(k))
        kept = [(t, x) for t, x in [*kept, (t_s, float(k))] if t > t_s - span_s]
    assert trace.times.tolist() == [t for t, _ in kept]
    assert trace.values.tolist() == [x for _, x in kept]


def test_a_trace_does_not_grow_with_the_length_of_a_run() -> None:
    trace = Trace(8.0)
    for k in range(100_000):
        trace.append(0.1 * k, 1.0)
    assert len(trace) == 80
    assert len(trace._t) <= 512


def test_a_fast_meter_gets_the_room_it_needs_and_no_more() -> None:
    trace = Trace(8.0)
    for k in range(50_000):
        trace.append(0.001 * k, float(k))
    assert len(trace) == pytest.approx(8000, abs=1)
    assert len(trace._t) <= 40_000
    assert np.all(np.diff(trace.times) > 0.0)


def test_deadlines_come_by_time_then_by_name() -> None:
    timers = Timers()
    timers.set("b", 5, 0)
    timers.set("a", 5, 0)
    timers.set("c", 3, 0)
    assert timers.next() == 3
    assert [timers.due(10), timers.due(10), timers.due(10), timers.due(10)] == [
        (3, "c"),
        (5, "a"),
        (5, "b"),
        None,
    ]


def test_a_deadline_in_the_past_falls_due_now() -> None:
    timers = Timers()
    timers.set("late", 3, 7)
    assert timers.next() == 7
    assert timers.due(6) is None


@pytest.mark.parametrize(
    ("amperes", "text"),
    [(0.0451, "0.045 A"), (0.14, "0.14 A"), (1.5, "1.50 A"), (12.3, "12 A"), (math.inf, "Overload")],
)
def test_currents_are_said_with_the_digits_that_matter(amperes: float, text: str) -> None:
    assert wording.amps(amperes) == text


@pytest.mark.parametrize(
    ("volts", "text"), [(36.0, "36 V"), (11.5, "11.5 V"), (5.96, "6 V"), (229.6, "230 V")]
)
def test_voltages_too(volts: float, text: str) -> None:
    assert wording.volts(volts) == text


@pytest.mark.parametrize(
    ("ohm", "text"), [(13.33, "13 Ω"), (4.24, "4.2 Ω"), (0.55, "0.55 Ω"), (113.0, "110 Ω")]
)
def test_resistances_with_two(ohm: float, text: str) -> None:
    assert wording.ohms(ohm) == text


UNIT = Unit(mains_v=120.0, plate=Plate(PlateKind.VOLT_AMPERES, 300.0))


@pytest.mark.parametrize(
    ("inlet_v", "looks"),
    [
        (12.0, "like 13 Ω: a short behind the transformer"),
        (36.0, "like 40 Ω: a short behind the transformer, or a shorted output device"),
        (60.0, "like 67 Ω: a shorted output device, a bias far too high, or shorted turns"),
        (120.0, "like 130 Ω"),
    ],
)
def test_a_cut_off_says_what_it_looks_like(inlet_v: float, looks: str) -> None:
    assert wording.like(UNIT, inlet_v, 0.9) == looks


def test_what_a_valve_or_switch_mode_unit_looks_like_is_said_with_care() -> None:
    valve = Unit(amplifier=Amplifier.VALVE, plate=UNIT.plate)
    assert wording.like(valve, 12.0, 0.9) == "like 13 Ω"
    switched = Unit(supply=Supply.SWITCH_MODE, plate=UNIT.plate)
    assert wording.like(switched, 12.0, 0.9) == "like 13 Ω: a short at the rectifier or the bulk capacitor"
    assert wording.like(UNIT, 0.0, 0.9) == ""


def test_a_short_across_the_output_of_the_source_is_the_lamps_full_current() -> None:
    """100 W at 120 V: 0.83 A with the whole voltage across the lamp (series lamps of the trade, W ÷ V)."""
    assert lamp_current_a(100.0, 120.0, 120.0) == pytest.approx(0.83, abs=0.005)
    assert lamp_current_a(100.0, 120.0, 0.0) == 0.0
    assert lamp_current_a(100.0, 120.0, 30.0) == pytest.approx(0.833 * 0.25**0.56, rel=1e-3)


def test_the_voltmeters_uncertainty_is_the_linear_bound() -> None:
    sheet = MeterSheet((Accuracy(Quantity.AC_VOLTAGE, 0.005, 2, 0.1),))
    assert voltmeter_u_v(sheet, 120.0) == pytest.approx(2 / math.sqrt(3) * (0.6 + 0.2))
    assert voltmeter_u_v(None, 120.0) == 0.0


def test_without_an_ammeter_the_lamp_serves(setup, rig) -> None:
    """100 W lamp, 120 V: 97 % of the set voltage at the inlet is a small current, 10 % a short."""
    silent = {Role.SOURCE_CURRENT: 0.0}
    assert by_lamp(setup(lamp_w=100.0, periods=silent))
    assert meter_of(setup(lamp_w=100.0, periods=silent)).a == 0.20
    r = rig(lamp_w=100.0, periods=silent)

    def at_the_inlet(share: float, until_v: float) -> None:
        for _ in range(1000):
            set_v = r.all(SetSource)[-1].set_v if r.all(SetSource) else 0.0
            r.turn(share * set_v)
            r.run(0.1)
            if set_v >= until_v or r.watch.latched:
                return

    at_the_inlet(0.97, until_v=24.0)
    assert not r.watch.latched
    first = r.watch.records[0]
    assert first.idle_a == pytest.approx(lamp_current_a(100.0, 120.0, 0.18), rel=1e-6)
    at_the_inlet(0.10, until_v=1000.0)
    assert r.watch.latched and r.verdict.rule.startswith("inrush")
    told = [e.reading.channel.role for _, e in r.told if isinstance(e, ReadingTaken)]
    assert Role.SOURCE_CURRENT not in told
