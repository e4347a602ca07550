"""Well-made files of every kind that the program reads, for `hostile_files` to spoil."""

import contextlib
import io
import math
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import soundfile
from hostile_pdf import write_bombs
from PIL import Image

from benchlog.bench.file import save_bench
from benchlog_drivers.simulated.make import bench_file, make_bench
from benchlog_drivers.simulated.options import make_options

SAMPLES = Path(__file__).parents[2] / "sample_sessions"
TEMPLATES = Path(__file__).parents[2] / "benchlog" / "cold" / "templates"

_PLAN = """procedure = "maker"
reason = "service manual, page 24"

[[step]]
fraction = 0.1
dwell_s = 60
longest_s = 180
acceptance_a = 0.08
stop_a = 0.15
reason = "same model, job 12"

[[step]]
fraction = 0.5
"""

_PROFILE = r"""name = "my-meter"
family = "serial-text"
origin = "invented for the simulated bench"

[link]
terminator = "\r\n"
baud = 9600

[measure]
period_s = 0.1

[text]
pattern = '(?P<kind>AC|DC)(?P<unit>[AV]);(?P<value>[+-]\d+\.\d+|OVER|BUSY);(?P<flags>[AH])'
overload = ["OVER"]
autoranging = ["BUSY"]

[text.quantities]
"DC V" = "dc-voltage"

[text.flags]
H = "hold"
A = "autorange"
"""


def make_models(folder: Path, light: bool = False) -> Path:
    """Write them; the ``light`` ones take no time: without sound, documents and exports."""
    folder.mkdir(parents=True, exist_ok=True)
    for name in ("repaired", "rail-short", "declined"):
        shutil.copyfile(SAMPLES / f"{name}.benchlog", folder / f"{name}.benchlog")
    (folder / "plan.toml").write_text(_PLAN, encoding="utf-8")
    (folder / "stranger.toml").write_text(_PROFILE, encoding="utf-8")
    shutil.copyfile(sorted(TEMPLATES.glob("*.toml"))[0], folder / "points.toml")
    _write_benches(folder)
    _write_tables(folder)
    for name in ("a.jpg", "a.png"):
        Image.linear_gradient("L").convert("RGB").save(folder / name)
    if light:
        return folder
    _write_sounds(folder)
    write_bombs(folder)
    session = folder / "repaired.benchlog"
    _run("export", session, "--json", folder / "session.json", "--reference", folder / "reference.json")
    _run("document", folder / "declined.benchlog", "-o", folder / "document.pdf")
    return folder


def _run(*words: str | Path) -> None:
    subprocess.run([sys.executable, "-m", "benchlog", *map(str, words)], check=True, stderr=subprocess.PIPE)


def _write_benches(folder: Path) -> None:
    for name, wanted in (("bench", {}), ("bench-held", {"source": "hand-set", "meters": "handheld"})):
        options = make_options(**wanted)
        bench = bench_file(options, unit=make_bench(options).unit)
        save_bench(bench, folder / f"{name}.toml")


def _write_tables(folder: Path) -> None:
    rows = io.StringIO()
    rows.write("t_s,v_v,i_a\n")
    for k in range(4_000):
        t_s = k / 10_000
        angle = 2 * math.pi * 60 * t_s
        rows.write(
            f"{t_s:.4f},{170 * math.sin(angle):.3f},{(1 + 9 * math.exp(-t_s * 20)) * math.sin(angle):.4f}\n"
        )
    (folder / "wave.csv").write_text(rows.getvalue(), encoding="utf-8")
    slow = [f"{t / 4:.2f},{min(12.0 * (1 + t // 120), 120):.1f},{0.02 + t / 1e4:.4f}" for t in range(800)]
    (folder / "slow.csv").write_text("t_s,v_v,i_a\n" + "\n".join(slow) + "\n", encoding="utf-8")


def _write_sounds(folder: Path) -> None:
    t_s = np.arange(24_000) / 48_000
    both = np.stack([0.4 * np.sin(2 * np.pi * 60 * t_s), 0.1 * np.sin(2 * np.pi * 60 * t_s)], axis=1)
    soundfile.write(folder / "a.wav", both, 48_000, "PCM_24")
    soundfile.write(folder / "a.flac", both, 48_000, "PCM_24")
    with contextlib.closing(soundfile.SoundFile(folder / "silence.flac", "w", 192_000, 8, "PCM_16")) as file:
        nothing = np.zeros((192_000, 8), dtype=np.int16)
        for _ in range(300):
            file.write(nothing)
