"""Figures of a waveform, worked out in a process of its own: never in the one that watches.

``python -m benchlog.recorder.figuring`` reads a line of JSON (rate and nominal volts) and then volts and
amperes as 32-bit floats from standard input, and prints the figures as JSON.
"""

import subprocess
import sys

import msgspec
import numpy as np

from benchlog.measure.waveform import figures
from benchlog.model.errors import EnvironmentFault, UsageError
from benchlog.model.figures import WaveFigures
from benchlog.model.wave import Waveform

WORK_S = 30.0


class Head(msgspec.Struct, frozen=True):
    """What stands before the samples."""

    rate_hz: float
    samples: int
    nominal_v: float | None = None


def figures_apart(wave: Waveform, nominal_v: float | None) -> WaveFigures:
    """Figures of a waveform from another process. `EnvironmentFault` where it fails or takes too long."""
    head = msgspec.json.encode(Head(wave.rate_hz, wave.v_v.size, nominal_v)) + b"\n"
    samples = wave.v_v.astype("<f4").tobytes() + wave.i_a.astype("<f4").tobytes()
    words = [sys.executable, "-m", "benchlog.recorder.figuring"]
    try:
        done = subprocess.run(words, input=head + samples, capture_output=True, timeout=WORK_S, check=False)
        return msgspec.json.decode(done.stdout, type=WaveFigures)
    except (OSError, subprocess.TimeoutExpired, msgspec.DecodeError) as error:
        raise EnvironmentFault(
            f"The figures of a waveform could not be worked out ({error}). The waveform itself is stored: "
            "export it and use 'benchlog figures'."
        ) from error


def main() -> int:
    """Read, work out, print."""
    head = msgspec.json.decode(sys.stdin.buffer.readline(), type=Head)
    samples = np.frombuffer(sys.stdin.buffer.read(), "<f4").astype(np.float64)
    wave = Waveform(samples[: head.samples], samples[head.samples :], head.rate_hz)
    try:
        found = figures(wave, head.nominal_v)
    except UsageError as error:
        sys.stderr.write(f"{error}\n")
        return 1
    sys.stdout.buffer.write(msgspec.json.encode(found))
    return 0


if __name__ == "__main__":
    sys.exit(main())
