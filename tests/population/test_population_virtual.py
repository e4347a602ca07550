"""A sample of simulated units brought up in virtual time: what the rules promise of each fault.

The voltages by which each fault has to be taken away are those of the rules' own tables (ours, on simulated
units).
"""

import importlib.util
import random
import sys
from functools import cache
from pathlib import Path
from types import ModuleType

import pytest

from benchlog.bringup.watch import BringUp
from benchlog.model.step import Outcome
from benchlog_drivers.simulated.faults import Fault
from benchlog_drivers.simulated.options import SourceKind, make_options
from benchlog_drivers.simulated.sheets import MeterKind


@cache
def virtual() -> ModuleType:
    """The runner beside this file."""
    spec = importlib.util.spec_from_file_location("population_virtual", Path(__file__).parent / "virtual.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


@cache
def run(fault: Fault, meters: MeterKind, source: SourceKind, mains_v: float = 120.0, seed: int = 3):
    """One run of a 300 VA toroid."""
    options = make_options(fault=fault, meters=meters, source=source, mains_v=mains_v, seed=seed)
    return virtual().run_cell(options)


BENCH = (MeterKind.BENCH, SourceKind.PROGRAMMED)
BY_HAND = (MeterKind.HANDHELD, SourceKind.HAND_SET)


@pytest.mark.parametrize("pair", [BENCH, BY_HAND])
def test_a_good_unit_is_never_cut_off(pair) -> None:
    found = run(Fault.NONE, *pair)
    assert found.ended.outcome is Outcome.COMPLETED
    assert found.judged_share >= (0.9 if pair is BENCH else 0.7)
    assert found.claim is not None and "seen up to" in found.claim


@pytest.mark.parametrize(
    ("fault", "pair", "by_fraction"),
    [
        (Fault.RAIL_SHORT, BENCH, 0.15),
        (Fault.SHORTED_RECTIFIER, BENCH, 0.10),
        (Fault.SHORTED_DEVICE, BENCH, 0.20),
        (Fault.RAIL_SHORT, BY_HAND, 0.20),
    ],
)
def test_a_short_is_taken_away_early_and_never_claimed_absent(fault, pair, by_fraction: float) -> None:
    found = run(fault, *pair)
    outcome = Outcome.CUT_OFF if pair is BENCH else Outcome.ALARMED
    assert found.ended.outcome is outcome
    assert found.ended.cut_off_at_fraction <= by_fraction + 0.01
    assert found.claim is None


def test_a_shorted_device_shows_at_its_output(pair=BENCH) -> None:
    found = run(Fault.SHORTED_DEVICE, *pair)
    assert "The output sits at" in found.ended.reason
    assert any("output device" in pattern.name for pattern in found.fault_patterns)


@pytest.mark.parametrize("pair", [BENCH, BY_HAND])
def test_a_bias_runaway_is_stopped_by_its_rise_before_the_device_is_lost(pair) -> None:
    found = run(Fault.BIAS_RUNAWAY, *pair)
    assert found.cut_off and "rose" in found.ended.reason
    assert found.destroyed_s is None


def test_an_open_mains_fuse_is_named_and_never_completed() -> None:
    found = run(Fault.OPEN_MAINS_FUSE, *BENCH)
    assert found.ended.outcome is Outcome.UNDECIDED
    assert "no current at 120 V: fuse, switch or cord" in found.ended.reason
    assert found.claim is None


@pytest.mark.parametrize("ticks_per_s", [0.0, 3.0, 50.0])
@pytest.mark.parametrize(("fault", "pair"), [(Fault.NONE, BY_HAND), (Fault.SHORTED_DEVICE, BENCH)])
def test_judged_again_it_says_the_same_at_any_tick_rate(fault, pair, ticks_per_s: float) -> None:
    found = run(fault, *pair)
    dice = random.Random(5)
    watch = BringUp(found.setup)
    said = list(watch.begin(0))
    before_us = 0
    for t_us, event in found.told:
        ticks = round((t_us - before_us) / 1e6 * ticks_per_s * dice.random() * 2.0)
        for tick_us in sorted(dice.randrange(before_us, t_us) for _ in range(ticks)):
            said += watch.advance(tick_us)
        said += watch.feed(event, t_us)
        before_us = t_us
    said += watch.advance(before_us + 60_000_000)
    assert tuple(said) == found.said
