"""Discharge by the textbook exponential V0·e^(−t/RC), worked by hand, and the proof of reservoirs."""

from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlog.cold.discharge import (
    ANY,
    Standing,
    charged_line,
    discharge,
    remaining_v,
    reservoir,
    standing_of,
    told,
    waits_for,
)
from benchlog.cold.known import Seen
from benchlog.cold.voltages import judge_reservoir
from benchlog.limits.powered import discharge_time
from benchlog.model.errors import UsageError
from benchlog.model.history import Entry, Payload, RunBegun, Taken
from benchlog.model.point import PointKind, TestPoint
from benchlog.model.quantity import Quantity
from benchlog.model.reading import Status
from benchlog.model.reason import reason_of

PLUS, MINUS = reservoir("reservoir +"), reservoir("reservoir -")
TO_PLUS = TestPoint("output pin to + rail", PointKind.OHMS, "left", "reservoir +")
TO_MINUS = TestPoint("output pin to - rail", PointKind.OHMS, "left", "reservoir -")
BOTH = TestPoint("output pin to common", PointKind.OHMS, "left", "reservoir +, reservoir -")


def read(point: TestPoint, volts: float | None, *, proved: bool = True, checked: str = "") -> Taken:
    status = Status.OVERLOAD if volts is None else None
    return Taken(point, Quantity.DC_VOLTAGE, volts, status, meter_proved=proved, checked=checked)


def after(*payloads: Payload) -> Standing:
    wall = datetime(2026, 1, 5, tzinfo=UTC)
    return standing_of([Entry(n, n, wall, p) for n, p in enumerate(payloads, 1)])


def test_discharge_of_a_rail_reservoir() -> None:
    """10 mF at 80 V through 100 Ω: RC = 1 s, 64 W at first, 32 J, 10 V after ln 8 = 2.08 s."""
    found = discharge(80.0, 10e-3, 100.0)
    assert found.peak_w == pytest.approx(64.0)
    assert found.energy_j == pytest.approx(32.0)
    assert found.touch_s == pytest.approx(2.079, abs=0.001)
    assert discharge_time(80.0, 10e-3, 100.0, 60.0).value == pytest.approx(0.288, abs=0.001)


def test_discharge_of_a_valve_reservoir() -> None:
    """100 µF at 450 V through 10 kΩ: 20 W at first, 10 J, 1 V after ln 450 = 6.1 s."""
    found = discharge(450.0, 100e-6, 10e3)
    assert (found.peak_w, found.energy_j) == (pytest.approx(20.25), pytest.approx(10.125))
    assert found.ohms_s == pytest.approx(6.11, abs=0.01)
    assert discharge_time(450.0, 100e-6, 10e3, 60.0).value == pytest.approx(2.01, abs=0.01)


@given(st.floats(1.5, 500), st.floats(1e-6, 0.1), st.floats(1, 1e5))
def test_after_that_time_one_volt_is_left(volts: float, farad: float, ohms: float) -> None:
    assert remaining_v(volts, farad, ohms, discharge(volts, farad, ohms).ohms_s) == pytest.approx(1.0)


def test_a_rail_fuse_open_one_proved_leaves_the_other_blocked() -> None:
    standing = after(read(PLUS, 0.02), read(MINUS, 41.0))
    assert waits_for(TO_PLUS, True, standing) == ()
    assert waits_for(TO_MINUS, True, standing) == ("reservoir -",)
    assert waits_for(BOTH, True, standing) == ("reservoir -",)
    assert "CHARGED: reservoir - read 41 V" in told(("reservoir -",), standing)
    cleared = after(read(PLUS, 0.02), read(MINUS, 41.0), read(MINUS, 0.3))
    assert waits_for(BOTH, True, cleared) == ()


def test_nothing_is_proved_by_a_meter_that_was_not() -> None:
    assert waits_for(TO_PLUS, True, after(read(PLUS, 0.02, proved=False))) == ("reservoir +",)


@pytest.mark.parametrize("volts", [1.0, -1.0, 0.99, 12.0, -60.0, None])
def test_not_below_one_volt(volts: float | None) -> None:
    assert waits_for(TO_PLUS, True, after(read(PLUS, volts))) == ("reservoir +",)


def test_the_technicians_word_is_enough_until_a_charge_is_read() -> None:
    word = Taken(TO_MINUS, Quantity.RESISTANCE, 900.0, checked="bridged with the resistor, watched")
    assert waits_for(TO_MINUS, True, after(word)) == ()
    assert waits_for(TO_PLUS, True, after(word)) == ("reservoir +",)
    assert waits_for(TO_MINUS, True, after(word, read(MINUS, 38.0))) == ("reservoir -",)


def test_no_word_goes_past_a_charge_that_was_read() -> None:
    word = Taken(BOTH, Quantity.RESISTANCE, 900.0, checked="bridged with the resistor, watched")
    standing = after(read(MINUS, 1.4), word)
    assert waits_for(TO_PLUS, True, standing) == ()
    assert waits_for(TO_MINUS, True, standing) == ("reservoir -",)
    anything = TestPoint("B-E, upper device", PointKind.JUNCTION)
    whatever = Taken(anything, Quantity.JUNCTION_VOLTAGE, 0.6, checked="watched it go down")
    assert waits_for(anything, True, after(read(MINUS, 45.0), whatever)) == ("reservoir -",)
    lower = after(read(MINUS, 45.0), read(MINUS, 0.4, proved=False))
    assert not charged_line(("reservoir -",), lower)


def test_volts_read_under_a_reservoirs_name_count_however_they_were_entered() -> None:
    loose = Taken(TestPoint("reservoir +", PointKind.DC_VOLTS), Quantity.DC_VOLTAGE, 38.0)
    assert "38 V" in charged_line(("reservoir +",), after(read(PLUS, 0.02), loose))


@pytest.mark.parametrize(
    ("seen", "says"),
    [
        (Seen(PointKind.DC_VOLTS, 45.0, 0.5), "CHARGED to 45 V"),
        (Seen(PointKind.DC_VOLTS, -10.0, 0.5), "CHARGED to 10 V"),
        (Seen(PointKind.DC_VOLTS, 1.0, 0.01), "still charged to 1 V"),
        (Seen(PointKind.DC_VOLTS, None, None, Status.OVERLOAD), "CHARGED beyond"),
    ],
)
def test_a_charged_reservoir_is_called_so(seen: Seen, says: str) -> None:
    assert judge_reservoir(seen, True).reason.startswith(says)


@pytest.mark.parametrize("empty", ["x", "ok", "none", "......", "aaaaaaaa", "yes yes"])
def test_a_reason_that_says_nothing(empty: str) -> None:
    with pytest.raises(UsageError, match="says nothing"):
        reason_of(empty, "--checked")


def test_a_reason_that_says_something() -> None:
    assert reason_of("  bleeder 0 V ") == "bleeder 0 V"
    assert reason_of("") == ""


def test_power_takes_proofs_away() -> None:
    begun = RunBegun(setup=None)  # type: ignore[arg-type]  # what is in it does not matter here
    standing = after(read(PLUS, 0.02), begun)
    assert waits_for(TO_PLUS, True, standing) == ("reservoir +",)
    assert "power was on" in told(("reservoir +",), standing)


def test_points_of_which_nobody_said_what_feeds_them() -> None:
    point = TestPoint("B-E, upper device", PointKind.JUNCTION)
    assert waits_for(point, True, after()) == (ANY,)
    assert waits_for(point, None, after()) == (ANY,)
    assert waits_for(point, False, after()) == ()
    assert waits_for(point, True, after(read(PLUS, 0.02))) == ()
    assert waits_for(point, True, after(read(PLUS, 0.02), read(MINUS, 9.0))) == ("reservoir -",)
    word = Taken(point, Quantity.JUNCTION_VOLTAGE, 0.6, checked="all four read below 0.1 V")
    assert waits_for(point, True, after(word)) == ()


def test_volts_and_current_wait_for_nothing() -> None:
    assert waits_for(TestPoint("rail +", PointKind.DC_VOLTS, "", "reservoir +"), True, after()) == ()
    with pytest.raises(UsageError, match="without a comma"):
        reservoir("a, b")
