"""An audio interface as the bench's digitiser: its inputs with their sensors, and what it delivers."""

from dataclasses import dataclass

import msgspec
import numpy as np
import numpy.typing as npt


class AudioInput(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One input with the isolated sensor on it: what digital full scale stands for."""

    channel: int
    """Of the interface, from 1."""
    per_full_scale: float
    """Volts or amperes, peak, at the sensor for a sample of 1.0; below zero for a sensor put on reversed."""
    u_fraction: float = 0.05
    """Expanded uncertainty of it, as a fraction; 5 % (ours) where only the sensor's figures are known."""
    corners_hz: tuple[float, ...] = ()
    """High-pass corners of sensor and input; empty where they are not known, and nothing is put back."""
    corner_u_fraction: float = 0.05
    noise: float = 1e-5
    """R.m.s. with nothing on it, of digital full scale."""
    delay_s: float = 0.0
    """By so much it comes late."""
    sensor: str = ""
    """Its ratio, burden and turns, in words."""
    calibrated: str = ""
    """ISO date of the comparison with the bench's meter; empty where there was none."""


class AudioSetup(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The part ``[instrument.audio]`` of a bench file."""

    current: AudioInput
    voltage: AudioInput
    rate_hz: int = 48_000
    block: int = 256
    """Samples handed over at a time."""
    mains_hz: float = 60.0
    """Nominal; windows have half its cycle while there is no voltage."""


@dataclass(frozen=True, slots=True, eq=False)
class SampleBlock:
    """Samples that follow one another without a gap."""

    first: int
    """Number of the first one since the stream began; what is missing counts."""
    samples: npt.NDArray[np.float32]
    """One row an instant: voltage, current; full scale 1.0."""
    end_us: int
    """Session instant of the last one, by the stream's clock as it is known so far."""


@dataclass(frozen=True, slots=True)
class SampleGap:
    """Samples that were lost; never joined over."""

    first: int
    missing: int
    """How many; at least one where nobody can tell."""
    reason: str
