"""Waveforms out of sound files: WAV and its lossless kin, as audio interfaces and recorders write them.

    sound_figures(path, volts, amperes, corners_hz, nominal_v) -> WaveFigures      what the command prints
    read_sound(path) -> Sound                                                      the samples themselves
    parse_input("2=100") -> ChannelScale                                          channel 2; 100 at full scale

Whole numbers of 8 to 32 bits and floats are read so that full scale is 1.0. Compressed sound that loses
something is refused: what it drops is the waveform.
"""

import math
import re
from dataclasses import dataclass
from pathlib import Path

import msgspec
import numpy as np
import numpy.typing as npt
import soundfile

from benchlog.measure.halfcycles import Input
from benchlog.measure.heard import heard_wave
from benchlog.measure.waveform import figures
from benchlog.model.errors import UsageError
from benchlog.model.figures import WaveFigures

SUFFIXES = frozenset({".wav", ".wave", ".rf64", ".w64", ".aif", ".aiff", ".flac", ".caf"})
LONGEST_S = 600.0
MOST_SAMPLES = 60_000_000
"""Over all channels: ten minutes of two at 48 kHz."""
_LOSSLESS = frozenset(
    {"PCM_S8", "PCM_U8", "PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE", "ALAC_16", "ALAC_24"}
)
_SHORTER = re.compile(r"^\s*data\s*:\s*(\d+)\s*\(should be (\d+)\)", re.MULTILINE)


@dataclass(frozen=True, slots=True)
class ChannelScale:
    """A channel of a sound file, from 1, and what full scale stands for in volts or amperes."""

    channel: int
    per_full_scale: float


@dataclass(frozen=True, slots=True, eq=False)
class Sound:
    """Samples of a sound file: one row an instant, one column a channel, full scale 1.0."""

    samples: npt.NDArray[np.float64]
    rate_hz: float
    notes: tuple[str, ...]


def parse_input(text: str) -> ChannelScale:
    """``CH=SCALE``: the channel from 1, and volts or amperes at full scale. `UsageError` otherwise."""
    channel, equals, scale = text.partition("=")
    try:
        found = ChannelScale(int(channel), float(scale))
    except ValueError:
        found = ChannelScale(0, 0.0)
    if (
        not equals
        or found.channel < 1
        or not math.isfinite(found.per_full_scale)
        or found.per_full_scale == 0.0
    ):
        raise UsageError(
            f"{text!r} is no channel with its scale. Write the channel's number, an equals sign, and what "
            "full scale stands for: 1=400 for 400 V or A at a sample of 1.0."
        )
    return found


def read_sound(path: Path) -> Sound:
    """Read a sound file. `UsageError` says what is wrong with it and what to do."""
    if not path.is_file():
        raise UsageError(f"There is no file {path}. Check its name.")
    try:
        with soundfile.SoundFile(str(path)) as file:
            _check(path, file.subtype, file.frames, float(file.samplerate))
            if file.frames * file.channels > MOST_SAMPLES:
                raise UsageError(
                    f"{path} holds {file.frames * file.channels / 1e6:.0f} million samples, more than "
                    f"{MOST_SAMPLES // 10**6} million. Cut it to the switch-on: 0.2 s before and 3 s after."
                )
            notes = _shorter(path, file.extra_info)
            samples = file.read(dtype="float64", always_2d=True)
            rate_hz = float(file.samplerate)
    except soundfile.LibsndfileError as error:
        raise UsageError(
            f"{path} can't be read as sound: {error.error_string} Save it as WAV with 16, 24 or 32 bits."
        ) from error
    if len(samples) < 16:
        raise UsageError(f"{path} has {len(samples)} samples. A switch-on needs at least a cycle of them.")
    bad = np.flatnonzero(~np.isfinite(samples).all(axis=1))
    if len(bad):
        raise UsageError(
            f"{path} holds {len(bad)} samples that are no numbers, the first after {bad[0] / rate_hz:.6g} s."
        )
    return Sound(samples, rate_hz, notes)


def _check(path: Path, subtype: str, frames: int, rate_hz: float) -> None:
    if subtype not in _LOSSLESS:
        raise UsageError(
            f"{path} is compressed ({subtype}) and has lost part of the waveform. Record again as WAV with "
            "16, 24 or 32 bits."
        )
    if frames > LONGEST_S * rate_hz:
        raise UsageError(
            f"{path} is {frames / rate_hz:.0f} s long. Cut it to the switch-on: 0.2 s before and 3 s after."
        )


def _shorter(path: Path, told: str) -> tuple[str, ...]:
    """What the file lacks of what its own header announces."""
    found = _SHORTER.search(told)
    if found is None or int(found[2]) >= int(found[1]):
        return ()
    return (
        f"{path.name} is shorter than it says of itself: its end is missing, the figures are of the rest.",
    )


def _column(sound: Sound, path: Path, one: ChannelScale, what: str) -> npt.NDArray[np.float64]:
    count = sound.samples.shape[1]
    if one.channel > count:
        raise UsageError(
            f"{path} has {count} channel{'' if count == 1 else 's'}, so there is no channel {one.channel} "
            f"for the {what}. A waveform needs two: voltage and current recorded together."
        )
    return np.ascontiguousarray(sound.samples[:, one.channel - 1])


def sound_figures(
    path: Path,
    volts: ChannelScale,
    amperes: ChannelScale,
    corners_hz: tuple[float, ...] = (),
    nominal_v: float | None = None,
) -> WaveFigures:
    """Figures of a recorded switch-on; ``corners_hz`` high-pass corners of both inputs, to be put back."""
    sound = read_sound(path)
    if volts.channel == amperes.channel:
        raise UsageError(f"Channel {volts.channel} can't be voltage and current at once. Name two channels.")
    v, i = _column(sound, path, volts, "voltage"), _column(sound, path, amperes, "current")
    inputs = [Input(abs(one.per_full_scale), corners_hz=corners_hz) for one in (volts, amperes)]
    signs = [math.copysign(1.0, one.per_full_scale) for one in (volts, amperes)]
    heard = heard_wave(signs[0] * v, signs[1] * i, inputs[0], inputs[1], sound.rate_hz)
    found = figures(heard.wave, nominal_v)
    notes = sound.notes + heard.notes
    if not corners_hz:
        notes += (
            "Audio inputs take off what is slow: name the corner (--corner HZ) to have it put back. Without "
            "it peak and I²t of a switch-on are too small, and direct current is not shown.",
        )
    return msgspec.structs.replace(found, warnings=notes + found.warnings)
