"""What the simulated bench's audio interface hears, handed to those that listen, on the bench's thread."""

import queue
import time
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchlog.model.audio import AudioInput, AudioSetup
from benchlog.model.wave import Waveform
from benchlog_drivers.simulated.sound import SimulatedInput, SoundInterface
from benchlog_drivers.simulated.trouble import Trouble, TroubleBox

ROOM_BLOCKS = 1000
"""What a listener may be behind; beyond it samples are lost, and told."""
FULL_A, FULL_V = 100.0, 400.0
"""Peak amperes and volts at digital full scale, as the bench file states them."""
CORNERS_A_HZ, CORNERS_V_HZ = (7.0,), (3.0,)
NOISE = 1e-5
LEVEL_U, CORNER_U = 0.01, 0.02
_MOST_PPM = 60.0
_CALIBRATED = "2026-01-05"
_LOSES = (Trouble.SILENT, Trouble.SWITCHED_OFF)


@dataclass(frozen=True, slots=True, eq=False)
class Heard:
    """A block for a listener."""

    samples: npt.NDArray[np.float32]
    """One row an instant: voltage, current."""
    at_ns: int
    """``CLOCK_MONOTONIC`` when it was handed over."""
    adc_s: float
    """When its first sample was taken, by the interface's own clock."""
    dropped: int
    """Samples lost before it."""


def stated_inputs(rate_hz: int, mains_hz: float) -> AudioSetup:
    """The part ``[instrument.audio]`` of the bench file: what a technician would find by calibrating."""

    def stated(channel: int, full: float, corners_hz: tuple[float, ...], sensor: str) -> AudioInput:
        return AudioInput(
            channel, full, LEVEL_U, corners_hz, CORNER_U, NOISE, sensor=sensor, calibrated=_CALIBRATED
        )

    current = stated(2, FULL_A, CORNERS_A_HZ, "1000:1, 10 ohm, 1 turn")
    return AudioSetup(current, stated(1, FULL_V, CORNERS_V_HZ, "isolated, 100:1"), rate_hz, mains_hz=mains_hz)


class Listener:
    """One that listens. `next` is for its own thread."""

    def __init__(self) -> None:
        """Nothing heard yet."""
        self._blocks: queue.Queue[Heard] = queue.Queue(ROOM_BLOCKS)
        self._lost = 0

    def put(self, block: Heard) -> None:
        """On the bench's thread; never waits."""
        lost = self._lost + block.dropped
        try:
            self._blocks.put_nowait(Heard(block.samples, block.at_ns, block.adc_s, lost))
            self._lost = 0
        except queue.Full:
            self._lost = lost + len(block.samples)

    def next(self, timeout_s: float) -> Heard | None:
        """The next block; None where none came."""
        try:
            return self._blocks.get(timeout=timeout_s)
        except queue.Empty:
            return None


class SoundFeed:
    """The interface of one run: its inputs err by what a technician's calibration leaves."""

    def __init__(self, rate_hz: int, seed: int, troubles: TroubleBox) -> None:
        """Draw level (± 0.8 of its U), corners and the sampling clock of the run."""
        random = np.random.default_rng([seed, 0xEA25])

        def drawn(full: float, corners_hz: tuple[float, ...]) -> SimulatedInput:
            level, corner = random.uniform(-0.8, 0.8, 2)
            corners = tuple(c * (1.0 + CORNER_U * float(corner)) for c in corners_hz)
            return SimulatedInput(full * (1.0 + LEVEL_U * float(level)), corners, NOISE, 1e-4)

        volts, amperes = drawn(FULL_V, CORNERS_V_HZ), drawn(FULL_A, CORNERS_A_HZ)
        ppm = float(random.uniform(-_MOST_PPM, _MOST_PPM))
        self.rate_hz = rate_hz
        self.troubles = troubles
        self._interface = SoundInterface(volts, amperes, rate_hz, ppm, seed)
        self._listeners: tuple[Listener, ...] = ()
        self._given = 0
        self._lost = 0
        self._heard_s = 0.0

    def add(self, listener: Listener) -> None:
        """Let it hear what comes from now on; any thread."""
        self._listeners = (*self._listeners, listener)

    def remove(self, listener: Listener) -> None:
        """Any thread."""
        self._listeners = tuple(one for one in self._listeners if one is not listener)

    def take(self, wave: Waveform) -> None:
        """A stretch that follows the last one; on the bench's thread."""
        if not len(wave.v_v):
            return
        samples = self._interface.hear(wave.v_v, wave.i_a, wave.rate_hz)
        self._heard_s += len(wave.v_v) / wave.rate_hz
        first, self._given = self._given, self._given + len(samples)
        if any(self.troubles.find(kind, self._heard_s) is not None for kind in _LOSES):
            self._lost += len(samples)
            return
        if len(samples):
            block = Heard(samples, time.monotonic_ns(), 1.0 + first / self.rate_hz, self._lost)
            self._lost = 0
            for listener in self._listeners:
                listener.put(block)
