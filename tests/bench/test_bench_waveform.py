"""The bounds of bench_waveform.py."""

import importlib.util
from pathlib import Path

import numpy as np
import pytest


def _bench() -> object:
    spec = importlib.util.spec_from_file_location(
        "bench_waveform", Path(__file__).with_name("bench_waveform.py")
    )
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


BENCH = _bench()


@pytest.mark.parametrize("kind", [np.float64, np.float32])
def test_a_minute_at_48_ks_per_second(kind: type) -> None:
    wave = BENCH.recording(kind)
    assert BENCH.memory(wave) <= BENCH.MOST_MEMORY
    assert min(BENCH.sums(wave) for _ in range(3)) <= BENCH.MOST_SUMS


def test_what_runs_on_every_reading() -> None:
    assert min(BENCH.slope_s() for _ in range(3)) <= BENCH.MOST_SLOPE_S
    assert min(BENCH.stop_s() for _ in range(3)) <= BENCH.MOST_STOP_S
