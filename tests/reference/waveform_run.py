"""Runs the circuits in ``waveforms`` with ngspice; keeps waveforms and what ngspice measures of them.

    python tests/reference/waveform_run.py        all cases, written to waveforms/cases.npz and cases.json
    run_case(name) -> (v_v, i_a, measured)        one of them

Waveforms are kept at 20 kS/s in whole numbers of 16 bits; their step stands beside the measurements.
"""

import json
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np

FOLDER = Path(__file__).parent / "waveforms"
RATE_HZ = 20_000.0
ON_S, LENGTH_S = 0.05, 1.15
CASES: dict[str, tuple[str, dict[str, float]]] = {
    "linear at 12 V": ("linear", {"vrms": 12}),
    "linear at 60 V, peak": ("linear", {"vrms": 60, "degrees": 90}),
    "linear at 120 V": ("linear", {"vrms": 120}),
    "leaky reservoirs at 120 V": ("linear", {"vrms": 120, "leak": 180}),
    "shorted diode at 12 V": ("linear", {"vrms": 12, "short": 0.01}),
    "rail short at 24 V": ("linear", {"vrms": 24, "leak": 1.5}),
    "off-line supply": ("offline", {}),
    "off-line supply that does not start": ("offline", {"vrms": 50, "degrees": 30}),
}
_MEASURED = re.compile(r"^(\w+)\s*=\s*(-?[\d.]+e[+-]\d+)", re.MULTILINE)


def has_ngspice() -> bool:
    """Whether ngspice is installed."""
    return shutil.which("ngspice") is not None


def _deck(circuit: str, values: dict[str, float], wave: Path) -> str:
    text = (FOLDER / f"{circuit}.cir").read_text(encoding="utf-8")
    for name, value in values.items():
        text, found = re.subn(rf"\b{name}=[\w.]+", f"{name}={value}", text, count=1)
        if not found:
            raise ValueError(f"{circuit}.cir has no parameter {name}")
    half_s = 0.5 / 60.0
    halves = "".join(
        f"meas tran half{k} RMS ii from={ON_S + k * half_s:.9f} to={ON_S + (k + 1) * half_s:.9f}\n"
        for k in range(6)
    )
    end = LENGTH_S
    control = f""".control
tran 50u {end} 0 5u uic
let ii=i(vsense)
let vv=v(in)
let sq=ii*ii
let pp=vv*ii
meas tran high MAX ii from={ON_S} to={end}
meas tran low MIN ii from={ON_S} to={end}
meas tran i2t_10ms INTEG sq from={ON_S} to={ON_S + 0.01}
meas tran i2t_100ms INTEG sq from={ON_S} to={ON_S + 0.1}
meas tran i2t_1s INTEG sq from={ON_S} to={ON_S + 1.0}
meas tran idle_a RMS ii from={end - 0.2} to={end}
meas tran idle_v RMS vv from={end - 0.2} to={end}
meas tran idle_w AVG pp from={end - 0.2} to={end}
meas tran idle_dc AVG ii from={end - 0.2} to={end}
{halves}linearize vv ii
set wr_singlescale
set numdgt=9
wrdata {wave} vv ii
quit
.endc
.end
"""
    return text.replace(".end\n", control)


def run_case(name: str) -> tuple[np.ndarray, np.ndarray, dict[str, float]]:
    """Voltage, current (20 kS/s) and ngspice's own measurements of a case."""
    circuit, values = CASES[name]
    with tempfile.TemporaryDirectory() as folder:
        wave = Path(folder) / "wave.txt"
        done = subprocess.run(
            ["ngspice", "-b", "/dev/stdin"],
            input=_deck(circuit, values, wave),
            cwd=folder,
            capture_output=True,
            text=True,
            timeout=600,
            check=False,
        )
        measured = {key: float(value) for key, value in _MEASURED.findall(done.stdout)}
        if "half5" not in measured or not wave.exists():
            raise RuntimeError(f"{name}: {done.stdout[-1500:]}{done.stderr[-1500:]}")
        rows = np.loadtxt(wave)
    return rows[:, 1], rows[:, 2], measured


def main() -> None:
    """Run all cases and write both files."""
    waves, index = {}, {}
    for name in CASES:
        v_v, i_a, measured = run_case(name)
        for kind, y in (("v", v_v), ("i", i_a)):
            step = float(np.abs(y).max()) / 32_767
            waves[f"{name}/{kind}"] = np.round(y / step).astype(np.int16)
            index[f"{name}/{kind}"] = step
        index[name] = measured
        print(name, measured, file=sys.stderr)
    np.savez_compressed(FOLDER / "cases.npz", **waves)
    (FOLDER / "cases.json").write_text(json.dumps(index, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
