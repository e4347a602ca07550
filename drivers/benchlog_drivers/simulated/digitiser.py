"""A two-channel digitiser: inlet voltage and source current as true waveforms, errors of its sheet added.

One shot: armed, it looks for the first sample of at least the trigger level, keeps what came shortly before,
and records for the set time. Samples are whole counts of 16 bits over the range, clipped at full scale.
"""

import threading
from enum import StrEnum

import msgspec
import numpy as np
import numpy.typing as npt

from benchlog.model.instrument import Accuracy
from benchlog.model.quantity import Quantity
from benchlog.model.role import Role
from benchlog.model.wave import Waveform
from benchlog_drivers.simulated.aperture import Truth
from benchlog_drivers.simulated.meters import Draw, draw_errors

RATE_HZ = 10_000.0
FULL_SCALE = {Quantity.PEAK_VOLTAGE: 800.0, Quantity.PEAK_CURRENT: 200.0}
"""Peak volts and amperes at code 32767."""
CODES = 32767
PRE_S = 0.02
"""Kept from before the trigger."""
LONGEST_S = 5.0
_NOISE_CODES = 0.7

Samples = npt.NDArray[np.float64]


class State(StrEnum):
    """Where a shot stands."""

    IDLE = "idle"
    ARMED = "armed"
    RECORDING = "recording"
    DONE = "done"


class Record(msgspec.Struct, frozen=True):
    """A finished shot: codes of both channels, and the bench second of the first sample."""

    voltage: npt.NDArray[np.int16]
    current: npt.NDArray[np.int16]
    start_s: float


def scale(quantity: Quantity) -> float:
    """Volts or amperes per code."""
    return FULL_SCALE[quantity] / CODES


def measured_truth(wave: Waveform, slow: Truth) -> Truth:
    """The averages of a stretch that was taken as a waveform; rails, heat and bias from ``slow``."""
    current, volts = wave.i_a, wave.v_v
    dc = float(np.mean(current))
    square = float(np.mean(current**2))
    return msgspec.structs.replace(
        slow,
        current_rms_a=square**0.5,
        current_ac_rms_a=max(square - dc * dc, 0.0) ** 0.5,
        current_dc_a=dc,
        current_peak_a=float(current[np.argmax(np.abs(current))]),
        current_rectified_mean_a=float(np.mean(np.abs(current))),
        voltage_rms_v=float(np.mean(volts**2)) ** 0.5,
        power_w=float(np.mean(current * volts)),
    )


class Digitiser:
    """One shot after another. Commands come from server threads, samples from the bench's thread."""

    def __init__(self, seed: int) -> None:
        """Draw gain (± 0.5 %) and offset (± 4 codes) of both channels for the run."""
        self.level_a = 1.0
        self.length_s = 1.0
        self.state = State.IDLE
        self.record: Record | None = None
        self._draws = {quantity: self._draw(quantity, seed) for quantity in FULL_SCALE}
        self._noise = np.random.default_rng([seed, 0xD161])
        self._lock = threading.Lock()
        self._kept: list[tuple[Samples, Samples]] = []
        self._start_s = 0.0
        self._missing = 0

    @staticmethod
    def _draw(quantity: Quantity, seed: int) -> Draw:
        accuracy = Accuracy(quantity, 0.005, 4, scale(quantity))
        role = Role.SOURCE_CURRENT if quantity is Quantity.PEAK_CURRENT else Role.INLET_VOLTAGE
        return draw_errors(accuracy, seed, "digitiser", role)

    @property
    def wants(self) -> bool:
        """Whether it needs the waveform of the coming stretch."""
        return self.state in (State.ARMED, State.RECORDING)

    def arm(self) -> None:
        """Begin to look for the trigger."""
        with self._lock:
            self.record, self._kept, self.state = None, [], State.ARMED

    def abort(self) -> None:
        """Give up a shot under way."""
        with self._lock:
            self._kept = []
            if self.state is not State.DONE:
                self.state = State.IDLE

    def take(self, wave: Waveform, start_s: float) -> None:
        """Samples of a stretch that began at ``start_s`` (bench seconds)."""
        with self._lock:
            if self.state is State.ARMED:
                self._look(wave, start_s)
            elif self.state is State.RECORDING:
                self._append(wave.v_v, wave.i_a)

    def _look(self, wave: Waveform, start_s: float) -> None:
        over = np.flatnonzero(np.abs(wave.i_a) >= self.level_a)
        if over.size == 0:
            self._kept = [*self._kept, (wave.v_v, wave.i_a)][-5:]
            return
        before = int(over[0])
        voltage = np.concatenate([*(v for v, _ in self._kept), wave.v_v])
        current = np.concatenate([*(i for _, i in self._kept), wave.i_a])
        at = len(voltage) - len(wave.v_v) + before
        first = max(0, at - round(PRE_S * RATE_HZ))
        self._start_s = start_s + (before - (at - first)) / RATE_HZ
        self._missing = round((PRE_S + self.length_s) * RATE_HZ)
        self._kept, self.state = [], State.RECORDING
        self._append(voltage[first:], current[first:])

    def _append(self, voltage: Samples, current: Samples) -> None:
        self._kept.append((voltage[: self._missing], current[: self._missing]))
        self._missing -= len(voltage)
        if self._missing <= 0:
            volts, amperes = (np.concatenate(parts) for parts in zip(*self._kept, strict=True))
            self.record = Record(
                self._codes(volts, Quantity.PEAK_VOLTAGE),
                self._codes(amperes, Quantity.PEAK_CURRENT),
                self._start_s,
            )
            self._kept, self.state = [], State.DONE

    def _codes(self, samples: Samples, quantity: Quantity) -> npt.NDArray[np.int16]:
        draw = self._draws[quantity]
        noise = _NOISE_CODES * self._noise.standard_normal(len(samples))
        codes = np.rint(samples * draw.gain / scale(quantity) + draw.offset_counts + noise)
        return np.clip(codes, -CODES, CODES).astype(np.int16)
