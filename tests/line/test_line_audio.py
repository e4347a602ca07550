"""The whole line with an audio interface: samples over TCP, half cycles on the watch, waveform, document."""

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from line_commands import command

pytestmark = pytest.mark.alone


def test_a_short_is_cut_off_and_its_inrush_measured(tmp_path: Path) -> None:
    words = ("--meters", "audio", "--fault", "rail-short", "--plate-va", "300", "--core", "toroidal")
    done = command("rehearse", *words, "--no-window", "--json", "--out", tmp_path)
    report = done.json()
    assert report["outcome"] == "cut-off", done.err
    assert report["reason"].startswith("Cut off. 0.2"), report["reason"]
    (step,) = (one for one in report["steps"] if one["inrush_a"] is not None)
    assert not step["inrush_is_lower_bound"]
    assert 0.005 < step["inrush_u_a"] / step["inrush_a"] < 0.03
    samples = tmp_path / "waves.npz"
    assert command("export", report["session"], "--npz", samples).code == 0
    with np.load(samples) as kept:
        v_v, i_a, rate_hz = kept["v_v_1"], kept["i_a_1"], float(kept["rate_hz_1"])
    assert rate_hz == 48_000.0
    assert len(v_v) > 1.0 * rate_hz  # 0.2 s before the arrival, and what came until the source was off
    assert np.abs(i_a).max() == pytest.approx(step["inrush_a"], abs=step["inrush_u_a"])
    # The source's answer, which opens the window, comes late on a busy machine: the onset then lies earlier.
    onset = int(np.argmax(np.abs(v_v) > 0.5))
    assert 0.02 * rate_hz < onset < 0.25 * rate_hz
    assert np.abs(v_v).max() == pytest.approx(6.0 * np.sqrt(2.0), rel=0.05)
    shown = command("show", report["session"]).out
    assert f"{step['inrush_a']:.3g} ± {step['inrush_u_a']:.2g}" in shown
    assert Path(report["document"]).exists()
