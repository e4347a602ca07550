"""A simulated bench with what was ordered of it: fuse, the idle figure, what the source states."""

import argparse
import tomllib
from importlib import resources

import msgspec
import pytest

from benchlog.cli.simulate import add_options, options_from
from benchlog.model.errors import UsageError
from benchlog.model.role import Role
from benchlog_drivers.simulated.make import bench_file, make_bench
from benchlog_drivers.simulated.options import SimulateOptions, make_options
from benchlog_drivers.simulated.sheets import BENCH_VOLTMETER, MeterKind, instruments

PROFILE = "simulated-bench-meter.toml"


def ordered(*words: str) -> SimulateOptions:
    parser = argparse.ArgumentParser()
    add_options(parser, "simulate")
    return options_from(parser.parse_args(words))


def test_a_fuse_that_was_named_is_in_the_unit_and_known_to_the_technician() -> None:
    made = make_bench(ordered("--fuse", "F500mAL250V"))
    assert made.unit.fuse is not None and made.unit.fuse.rated_a == 0.5
    assert made.params.fuse.rated_a == 0.5
    slow = make_bench(ordered("--fuse", "T500mAL250V")).params.fuse
    assert made.params.fuse.melting_a2s < slow.melting_a2s


@pytest.mark.parametrize(("option", "name"), [("--idle-w", "idle_w"), ("--idle-a", "idle_a")])
def test_the_makers_idle_figure_is_known_and_changes_nothing_inside(option: str, name: str) -> None:
    plain, known = make_bench(ordered()), make_bench(ordered(option, "17"))
    assert getattr(known.unit, name) == 17.0
    assert known.params == plain.params
    file = bench_file(ordered(option, "17"), unit=known.unit)
    assert file.unit is not None and getattr(file.unit, name) == 17.0


def test_what_was_ordered_reaches_the_process_as_json() -> None:
    options = ordered("--fuse", "UL 2A", "--idle-w", "20")
    assert msgspec.json.decode(msgspec.json.encode(options), type=SimulateOptions) == options


def test_an_idle_figure_out_of_bounds_is_refused() -> None:
    with pytest.raises(UsageError, match="--idle-w"):
        make_options(idle_w=9000.0)


@pytest.mark.parametrize("source", ["programmed", "hand-set"])
def test_a_source_states_what_it_gives_way_by(source: str) -> None:
    """A variable transformer behind 4 % of isolating transformer: a tenth or so (usual figures, ours)."""
    entry = bench_file(make_options(source=source)).playing(Role.SOURCE)
    assert entry is not None and entry.sheet.regulation is not None
    assert 0.01 <= entry.sheet.regulation <= 0.12


def test_the_bench_meters_profile_says_the_digits_that_its_sheet_has() -> None:
    """0.5 % + 2 × 0.1 V: a profile with finer digits would promise what is not sent."""
    profile = tomllib.loads((resources.files("benchlog_drivers") / "profiles" / PROFILE).read_text("utf-8"))
    stated = {channel["roles"][0]: channel["resolution"] for channel in profile["channel"]}
    sheets = {c.role.value: c.accuracy.count for c in instruments(MeterKind.BENCH)[0].channels}
    assert stated == sheets
    assert BENCH_VOLTMETER.reading_fraction == 0.005 and BENCH_VOLTMETER.counts == 2
