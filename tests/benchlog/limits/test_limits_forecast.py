"""Forecasts of the next step: what they rest on, how they are moved, how wide they are."""

import math

import msgspec
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlog.bench.sheet import CurrentMeter
from benchlog.limits.bringup import StepLimits, step_limits, u_a
from benchlog.limits.forecast import forecast_current, forecast_power, power_u_w
from benchlog.limits.typical import load_table, typical_curve
from benchlog.model.instrument import Accuracy
from benchlog.model.quantity import Quantity
from benchlog.model.reference import Reference, ReferencePoint
from benchlog.model.typical import TypicalCurve
from benchlog.model.unit import Amplifier, Core, Plate, PlateKind, Supply, Unit

METER = CurrentMeter(0.003, 10.0, 0.001)
UNIT = Unit(core=Core.TOROIDAL, plate=Plate(PlateKind.VOLT_AMPERES, 300.0))


def limits(unit: Unit = UNIT, reference: Reference | None = None) -> StepLimits:
    return step_limits(unit, METER, 10.0, reference)


def usual(unit: Unit = UNIT) -> TypicalCurve:
    found = typical_curve(unit)
    assert found is not None
    return found


def share(curve: TypicalCurve, k: int) -> float:
    return math.exp(curve.ln_current[k])


def test_the_table_holds_curves_that_rise_to_one_and_bands() -> None:
    table = load_table()
    assert "simulated" in table.origin
    assert set(table.kinds) == {"class-ab, toroidal", "class-ab, frame", "class-a", "class-d", "valve"}
    for kind in table.kinds.values():
        assert kind.fractions[-1] == 1.0
        assert list(kind.fractions) == sorted(kind.fractions)
        assert kind.ln_current[-1] == kind.ln_power[-1] == pytest.approx(0.0)
        assert list(kind.ln_power) == sorted(kind.ln_power)
        assert 0.3 < kind.power_factor < 1.0
        assert kind.models >= 12
        for bands in (kind.current, kind.power):
            for row in msgspec.structs.astuple(bands):
                assert len(row) == len(kind.fractions)
                assert all(factor > 1.0 for factor in row)


@pytest.mark.parametrize("plate_va", [10.0, 30.0, 300.0, 1000.0, 5000.0])
@pytest.mark.parametrize("core", [Core.TOROIDAL, Core.FRAME, None])
def test_a_usual_curve_rises_whatever_the_size(plate_va: float, core: Core | None) -> None:
    curve = usual(Unit(core=core, plate=Plate(PlateKind.VOLT_AMPERES, plate_va)))
    assert all(math.isfinite(x) and x < 0.05 for x in (*curve.ln_current, *curve.ln_power))
    assert list(curve.ln_power) == sorted(curve.ln_power)


def test_a_switch_mode_supply_has_no_usual_curve() -> None:
    unit = Unit(supply=Supply.SWITCH_MODE, plate=Plate(PlateKind.WATTS, 150.0))
    assert typical_curve(unit) is None


@pytest.mark.parametrize("amplifier", list(Amplifier))
def test_each_kind_on_a_linear_supply_has_one(amplifier: Amplifier) -> None:
    assert usual(msgspec.structs.replace(UNIT, amplifier=amplifier)).fractions[-1] == 1.0


@given(full_a=st.floats(0.05, 5.0), k=st.integers(4, 9))
def test_a_unit_that_follows_the_curve_is_forecast_exactly(full_a: float, k: int) -> None:
    curve = usual()
    seen = [(curve.fractions[j], full_a * share(curve, j)) for j in range(k - 3, k)]
    found = forecast_current(limits(), seen, curve.fractions[k], curve)
    assert found is not None
    assert found.middle == pytest.approx(full_a * share(curve, k), rel=1e-9)
    assert "own earlier steps" in found.assumes


def test_the_last_step_alone_moves_it_and_the_meter_widens_it() -> None:
    curve = usual()
    seen = [(curve.fractions[4], 9.0), (curve.fractions[5], 0.4)]
    found = forecast_current(limits(), seen, curve.fractions[6], curve)
    assert found is not None
    middle = 0.4 * share(curve, 6) / share(curve, 5)
    band, u = curve.current.own[6], u_a(limits(), middle)
    assert (found.low, found.middle, found.high) == pytest.approx(
        (middle / band - u, middle, middle * band + u)
    )


def test_before_anything_was_seen_the_makers_figure_serves_and_without_it_nothing() -> None:
    curve, knows = usual(), limits(msgspec.structs.replace(UNIT, idle_w=30.0))
    found = forecast_current(knows, [], 1.0, curve)
    assert found is not None
    assert found.middle == pytest.approx(30.0 / (120.0 * curve.power_factor))
    assert "maker's idle figure" in found.assumes
    assert forecast_current(limits(), [], 1.0, curve) is None
    stated = forecast_current(limits(msgspec.structs.replace(UNIT, idle_a=0.4)), [], 1.0, curve)
    assert stated is not None
    assert stated.middle == pytest.approx(0.4)
    moved = forecast_current(knows, [(curve.fractions[6], 0.9)], 1.0, curve)
    assert moved is not None
    assert "own earlier steps" in moved.assumes


def reference(units: int) -> Reference:
    points = tuple(ReferencePoint(v, 0.5 * v, 0.6 * v, 60.0 * v * v) for v in (0.1, 0.3, 0.5, 0.998))
    return Reference("invented", 120.0, points, units)


@pytest.mark.parametrize("units", [1, 2, 3, 9])
def test_a_reference_comes_first_with_a_band_by_how_many_units_it_has(units: int) -> None:
    curve, known = usual(), limits(reference=reference(units))
    found = forecast_current(known, [(0.3, 0.18)], 0.5, curve)
    assert found is not None
    assert found.middle == pytest.approx(0.25 * 0.18 / 0.15)
    bands = curve.current.references if units >= 3 else curve.current.one_reference
    band = bands[curve.fractions.index(0.5)]
    assert found.high == pytest.approx(found.middle * band + u_a(known, found.middle))


def test_a_step_that_two_voltmeters_read_differently_is_still_within_a_reference() -> None:
    found = forecast_current(limits(reference=reference(1)), [], 1.0, usual())
    assert found is not None
    assert found.middle == pytest.approx(0.499)
    beyond = forecast_current(limits(reference=reference(1)), [(0.5, 0.25)], 1.1, usual())
    assert beyond is not None
    assert "own earlier steps" in beyond.assumes


def test_watts_are_forecast_too() -> None:
    curve = usual()
    stated = Accuracy(Quantity.ACTIVE_POWER, 0.005, 5, 0.1)
    assert power_u_w(20.0, stated) == pytest.approx(2.0 / math.sqrt(3.0) * (0.1 + 0.5))
    assert power_u_w(20.0, None) == 0.0
    seen = [(curve.fractions[5], 12.0)]
    found = forecast_power(limits(), seen, curve.fractions[6], curve, stated)
    assert found is not None
    assert found.middle == pytest.approx(12.0 * math.exp(curve.ln_power[6] - curve.ln_power[5]))
    assert found.high == pytest.approx(found.middle * curve.power.own[6] + power_u_w(found.middle, stated))
    maker = forecast_power(limits(msgspec.structs.replace(UNIT, idle_w=30.0)), [], 1.0, curve)
    assert maker is not None
    assert maker.middle == pytest.approx(30.0)
    of_reference = forecast_power(limits(reference=reference(1)), [], 0.5, curve)
    assert of_reference is not None
    assert of_reference.middle == pytest.approx(15.0)


def test_between_the_steps_of_the_table_the_band_is_between_theirs() -> None:
    curve = usual()
    k = 6
    v = 0.5 * (curve.fractions[k] + curve.fractions[k + 1])
    found = forecast_current(limits(), [(curve.fractions[k], 0.4)], v, curve)
    assert found is not None
    band = (found.high - u_a(limits(), found.middle)) / found.middle
    assert band == pytest.approx(np.sqrt(curve.current.own[k] * curve.current.own[k + 1]))


def test_a_curve_comes_back_from_a_record_as_it_was() -> None:
    assert msgspec.json.decode(msgspec.json.encode(usual()), type=TypicalCurve) == usual()
