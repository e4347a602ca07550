"""A sample of the audio campaigns: the stated uncertainty covers, half cycles tell a fault at once."""

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest

from benchlog.model.errors import UsageError
from benchlog_drivers.simulated.options import make_options


def load(name: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location(name, Path(__file__).parent / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


COVERAGE, WATCH = load("audio_coverage"), load("audio_watch")


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_drawn_set_up_states_an_uncertainty_that_holds(seed: int) -> None:
    found = COVERAGE.one_setup(seed)
    assert all(found.covered)
    assert abs(found.errors[0]) <= 0.03
    assert abs(found.i2t_error) <= 0.03
    assert abs(found.errors[1]) <= 0.02


def test_a_rail_short_in_a_standing_unit_is_told_within_a_cycle_and_50_ms() -> None:
    options = make_options(fault="rail-short", fault_at_s=4.0, meters="audio", seed=3)
    found = WATCH.one_run(options)
    assert found.cut
    assert found.off_s is not None
    assert found.power_s is not None
    assert 0.0 < found.off_s - found.power_s - 4.0 <= 1.0 / 60.0 + 0.05


def test_it_is_served_at_the_speed_of_a_waveform_only() -> None:
    with pytest.raises(UsageError, match=r"--meters audio the time scale is 2 at most"):
        make_options(meters="audio", time_scale=20.0)
