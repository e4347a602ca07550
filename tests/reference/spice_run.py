"""Runs the netlists beside it with ngspice and keeps what they measure.

    python tests/reference/spice_run.py           all of them, written to spice_expected.json
    run_netlist(name, fraction, degrees)          one of them

A netlist's second line sets the fraction of nominal mains and the angle of switch-on.
"""

import json
import re
import shutil
import subprocess
import sys
from multiprocessing import Pool
from pathlib import Path

NETLISTS = Path(__file__).parent / "netlists"
EXPECTED = Path(__file__).parent / "spice_expected.json"
FRACTIONS = (0.1, 0.3, 0.5, 1.0)
ANGLES = (0, 90)
_MEASURED = re.compile(r"^(\w+)\s*=\s*(-?[\d.]+e[+-]\d+)", re.MULTILINE)


def cases() -> list[str]:
    """Names of the netlists."""
    return sorted(path.stem for path in NETLISTS.glob("*.cir"))


def has_ngspice() -> bool:
    """Whether ngspice is installed."""
    return shutil.which("ngspice") is not None


def run_netlist(name: str, fraction: float, degrees: int) -> dict[str, float]:
    """Peak (A, signed), I²t of 100 ms (A²s), settled r.m.s. (A, V), watts and rails (V) of a switch-on."""
    text = (NETLISTS / f"{name}.cir").read_text()
    deck = text.replace(".param fraction=1 degrees=0", f".param fraction={fraction} degrees={degrees}")
    if deck == text and (fraction, degrees) != (1.0, 0):
        raise ValueError(f"{name}.cir does not set fraction and degrees in the expected way")
    done = subprocess.run(
        ["ngspice", "-b", "/dev/stdin"],
        input=deck,
        cwd=NETLISTS,
        capture_output=True,
        text=True,
        timeout=600,
        check=False,
    )
    found = {key: float(value) for key, value in _MEASURED.findall(done.stdout)}
    if "minus_v" not in found:
        raise RuntimeError(f"{name} {fraction} {degrees}: {done.stdout[-800:]}{done.stderr[-800:]}")
    high, low = found["high"], found["low"]
    return {
        "peak_a": round(high if high >= -low else low, 5),
        "i2t_100ms_a2s": round(found["i2t_100ms"], 6),
        "rms_a": round(((found["sq_b"] - found["sq_a"]) / 0.2) ** 0.5, 6),
        "power_w": round((found["po_b"] - found["po_a"]) / 0.2, 5),
        "inlet_v": round(found["inlet_v"], 4),
        "plus_v": round(found["plus_v"], 4),
        "minus_v": round(found["minus_v"], 4),
    }


def _row(job: tuple[str, float, int]) -> tuple[str, dict[str, float]]:
    name, fraction, degrees = job
    return f"{name} {fraction} {degrees}", run_netlist(name, fraction, degrees)


def main() -> None:
    """Run all and write the file."""
    wanted = sys.argv[1:] or cases()
    jobs = [(name, fraction, angle) for name in wanted for fraction in FRACTIONS for angle in ANGLES]
    kept = json.loads(EXPECTED.read_text())["runs"] if EXPECTED.exists() else {}
    with Pool(2) as pool:
        for key, row in pool.imap(_row, jobs):
            kept[key] = row
            print(key, row, flush=True)
    _write(kept)


def _write(kept: dict[str, dict[str, float]]) -> None:
    source = "ngspice, netlists in tests/reference/netlists, by tests/reference/spice_run.py"
    lines = ",\n".join(f'  "{key}": {json.dumps(kept[key])}' for key in sorted(kept))
    EXPECTED.write_text(f'{{\n "source": "{source}",\n "runs": {{\n{lines}\n }}\n}}\n')


if __name__ == "__main__":
    main()
