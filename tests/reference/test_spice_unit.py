"""The simulated unit against a circuit simulator with the same component values.

Expected: ngspice, netlists in ``tests/reference/netlists``, run by ``spice_run.py``. The ordinary tests use
the figures it wrote; ``-m spice`` runs ngspice again and compares both ways. Cold switch-on at the given
fraction of nominal mains and angle; settled figures over 0.8 to 1.0 s.
"""

import importlib.util
import json
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

HERE = Path(__file__).parent


def _load(name: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location(name, HERE / f"{name}.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


spice_run: Any = _load("spice_run")
spice_units: Any = _load("spice_units")
RUNS: dict[str, dict[str, float]] = json.loads((HERE / "spice_expected.json").read_text())["runs"]
ALLOWED = {"rms_a": 0.05, "power_w": 0.05, "peak_a": 0.10, "i2t_100ms_a2s": 0.12, "inlet_v": 0.01}
"""Largest relative errors."""


def _check(got: dict[str, float], expected: dict[str, float], allowed: dict[str, float]) -> None:
    worth = {"power_w": 0.05}
    errors = {
        key: abs(got[key]) / abs(expected[key]) - 1.0
        for key in allowed
        if abs(expected[key]) > worth.get(key, 1e-3)
    }
    assert all(abs(error) <= allowed[key] for key, error in errors.items()), errors


@pytest.mark.parametrize("key", sorted(RUNS))
def test_unit_agrees_with_ngspice(key: str) -> None:
    name, fraction, degrees = key.split()
    expected = RUNS[key]
    got = spice_units.switch_on(name, float(fraction), int(degrees))
    _check(got, expected, ALLOWED)
    factors = [row["power_w"] / (row["rms_a"] * row["inlet_v"]) for row in (got, expected)]
    if expected["power_w"] > 0.05:
        assert factors[0] == pytest.approx(factors[1], abs=0.02)
    if not name.startswith("switch_mode"):
        assert got["plus_v"] == pytest.approx(expected["plus_v"], rel=0.03, abs=0.05)
        assert got["minus_v"] == pytest.approx(expected["minus_v"], rel=0.03, abs=0.05)


def test_every_netlist_has_its_figures() -> None:
    assert {key.split()[0] for key in RUNS} == set(spice_run.cases())
    assert len(RUNS) == len(spice_run.cases()) * len(spice_run.FRACTIONS) * len(spice_run.ANGLES)


def test_the_comparison_bites() -> None:
    """A unit without its fault is told apart by every case that has one."""
    for key, expected in RUNS.items():
        if key.startswith(("rail_short_120 0.3", "shorted_rectifier_120 0.3", "shorted_turns_120 0.3")):
            got = spice_units.switch_on("none_120", 0.3, int(key.split()[2]))
            with pytest.raises(AssertionError):
                _check(got, expected, ALLOWED)


@pytest.mark.spice
@pytest.mark.timeout(600)
@pytest.mark.parametrize("name", spice_run.cases())
def test_ngspice_still_gives_these_figures(name: str, request: pytest.FixtureRequest) -> None:
    if "spice" not in (request.config.getoption("-m") or ""):
        pytest.skip("runs ngspice: ask for it with -m spice")
    if not spice_run.has_ngspice():
        pytest.skip("ngspice is not installed")
    for fraction, degrees in ((1.0, 0), (0.3, 90)):
        fresh = spice_run.run_netlist(name, fraction, degrees)
        _check(fresh, RUNS[f"{name} {fraction} {degrees}"], dict.fromkeys(ALLOWED, 0.005))
        _check(spice_units.switch_on(name, fraction, degrees), fresh, ALLOWED)
