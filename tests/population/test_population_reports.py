"""A sample of each measurement on simulated units, and what the kept reports say."""

import importlib.util
import json
import sys
from functools import cache
from pathlib import Path
from types import ModuleType

import pytest
from statsmodels.stats.proportion import proportion_confint

from benchlog.limits.typical import kind_name, typical_curve
from benchlog.model.unit import Supply
from benchlog_drivers.simulated.population import draw_unit

HERE = Path(__file__).parent
REPORTS = HERE / "report"


@cache
def loaded(name: str) -> ModuleType:
    """A script beside this file, and those that it imports."""
    if str(HERE) not in sys.path:
        sys.path.append(str(HERE))
    spec = importlib.util.spec_from_file_location(f"population_{name}", HERE / f"{name}.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def told(name: str) -> dict:
    return json.loads((REPORTS / f"{name}.json").read_text(encoding="utf-8"))


def test_intervals_of_a_unit_hold_the_truth_but_for_an_average_responding_meter() -> None:
    coverage = loaded("coverage")
    found, _ = coverage.run_unit(900_001, coverage.sheets())
    assert {one.meters for one in found} == set(coverage.SETS)
    assert all(one.bounded for one in found if one.meters not in coverage.APART)
    at_full = [one for one in found if one.fraction == 1.0]
    assert {one.meters for one in at_full if not one.covered} >= set(coverage.APART)


def test_the_full_budget_covered_what_it_says_on_the_kept_units() -> None:
    kept = told("coverage")
    assert kept["units"] >= 1000
    for name, one in kept["sets"].items():
        if name not in loaded("coverage").APART:
            assert 0.93 <= one["coverage"] <= 0.97, name
            assert one["too wide"] is None, name


def test_a_model_is_forecast_from_each_kind_of_knowledge() -> None:
    forecast = loaded("forecast")
    record = forecast.record("inside", 900_002)
    usual = typical_curve(forecast.unit_of(record))
    cases = list(forecast.cases_of(record, usual, "bench", False))
    assert {c.known for c in cases} == set(forecast.KNOWN)
    assert all(c.found.low <= c.found.middle <= c.found.high for c in cases)
    assert sum(c.inside for c in cases) >= 0.8 * len(cases)


@pytest.mark.parametrize("known", ["one reference unit", "maker's idle figure", "own earlier steps"])
def test_forecasts_held_on_the_kept_models(known: str) -> None:
    """By the bench meter, inside the population: at least 90 % of the readings lay in their range."""
    kept = told("forecast")["Amperes, by meter"]
    assert kept[f"{known} | inside | bench"]["coverage"] >= 0.90


def test_the_table_in_force_is_the_one_that_was_reported() -> None:
    used = {name: number for name, number in told("forecast")["models"].items() if name.startswith("fit")}
    params, unit = draw_unit(*_kind(), 120.0, 7)
    curve = typical_curve(unit)
    assert curve is not None
    assert params.supply is Supply.LINEAR
    assert kind_name(unit).startswith("class-ab")
    for name, number in used.items():
        first = told("forecast")["seeds"][name]
        assert f"{name} {first}-{first + number - 1}" in curve.origin


def _kind() -> tuple:
    kinds = loaded("reporting").KINDS
    return kinds[0][1:]


def test_a_short_is_told_at_the_first_steps_whatever_is_known() -> None:
    telling = loaded("telling")
    options = telling.options_of(("inside", "rail-short", "", "bench"), 3)
    found = telling.settled_told(telling.made(options), options, *telling.Models().of(options))
    assert len(found) == len(telling.KNOWN) * len(telling.METERS)
    assert all(one["cut"] is not None and one["cut"] <= 0.3 for one in found)
    good = telling.options_of(("inside", "none", "", "bench"), 3)
    assert all(
        one["cut"] is None
        for one in telling.settled_told(telling.made(good), good, *telling.Models().of(good))
    )


@pytest.mark.parametrize(("hits", "of"), [(0, 5), (4, 20), (950, 1000), (30, 30)])
def test_the_interval_of_a_share_is_that_of_a_library(hits: int, of: int) -> None:
    referee = proportion_confint(hits, of, 0.05, method="wilson")
    assert loaded("reporting").wilson(hits, of) == pytest.approx(referee, abs=1e-6)
