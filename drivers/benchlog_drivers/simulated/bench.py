"""The simulated bench: unit, source, hand and meters coupled in simulated time.

It waits for nothing and reads no clock: ``advance_to`` takes it to an instant. The same object serves
populations in virtual time and, driven by a thread, the servers.
"""

import math
from typing import Protocol

import numpy as np

from benchlog.model.wave import Waveform
from benchlog_drivers.simulated.aperture import Averages, truth_of
from benchlog_drivers.simulated.contactor import SimulatedContactor
from benchlog_drivers.simulated.digitiser import RATE_HZ, Digitiser, measured_truth
from benchlog_drivers.simulated.feed import SoundFeed
from benchlog_drivers.simulated.hand import Hand
from benchlog_drivers.simulated.meters import Finished, SimulatedMeter
from benchlog_drivers.simulated.source import Output, ProgrammedSource

TICK_S = 0.1
"""A whole number of cycles at 50 and at 60 Hz; apertures of meters lie on this raster."""
CURRENT_ZERO_A = 0.001
_EPS_S = 1e-7


class UnitAverages(Averages, Protocol):
    """What the unit's model gives for a stretch of time."""

    @property
    def destroyed(self) -> bool:
        """Whether a part has been destroyed by now."""
        ...


class Physics(Protocol):
    """The unit's model, with the source's impedance and a lamp where there is one."""

    def set_source(self, volts_rms: float, on: bool) -> None:
        """No-load volts of the source from now on."""
        ...

    def advance(self, seconds: float) -> UnitAverages:
        """Go on by so many seconds."""
        ...

    def waveform(self, seconds: float, rate_hz: float) -> Waveform:
        """Go on by so many seconds, sampling inlet voltage and current."""
        ...

    def trace(self, seconds: float) -> Waveform:
        """Go on by so many seconds; samples that join those of the last call."""
        ...

    def standing(self) -> UnitAverages:
        """The figures of the last stretch, without advancing."""
        ...


class Wander:
    """Mains that wanders: a factor about 1 that forgets itself in 20 s (a Gauss-Markov walk)."""

    def __init__(self, fraction: float, seed: int) -> None:
        """``fraction``: standard deviation of the factor; 0 for steady mains."""
        self.fraction = fraction
        self._random = np.random.default_rng([seed, 0x3A11])
        self._walk = [0.0]

    def factor(self, at_s: float) -> float:
        """The factor at an instant; straight lines between whole seconds."""
        if self.fraction <= 0.0:
            return 1.0
        second = math.floor(at_s)
        keep = math.exp(-1.0 / 20.0)
        while len(self._walk) < second + 2:
            step = math.sqrt(1.0 - keep * keep) * float(self._random.standard_normal())
            self._walk.append(keep * self._walk[-1] + step)
        share = at_s - second
        walk = (1.0 - share) * self._walk[second] + share * self._walk[second + 1]
        return 1.0 + self.fraction * min(max(walk, -3.0), 3.0)


class Witness:
    """What the bench saw, in bench seconds; None for what has not happened."""

    def __init__(self) -> None:
        """Nothing seen yet."""
        self.first_power_s: float | None = None
        self.zero_voltage_s: float | None = None
        """When the source's voltage last became zero."""
        self.zero_current_s: float | None = None
        """Begin of the stretch since which no current flows."""
        self.inlet_v = 0.0
        self.current_a = 0.0
        self.source_v = 0.0
        self.destroyed = False
        self.destroyed_s: float | None = None
        self.tripped_s: float | None = None

    def see_source(self, volts: float, at_s: float) -> None:
        """The source now gives so many volts."""
        if volts > 0.0 and self.first_power_s is None:
            self.first_power_s = at_s
        if volts <= 0.0 < self.source_v:
            self.zero_voltage_s = at_s
        elif volts > 0.0:
            self.zero_voltage_s = None
        self.source_v = volts

    def see_unit(self, part: UnitAverages, start_s: float, end_s: float) -> None:
        """A stretch of the unit's life."""
        self.inlet_v, self.current_a = part.voltage_rms_v, part.current_rms_a
        if part.current_rms_a >= CURRENT_ZERO_A:
            self.zero_current_s = None
        elif self.zero_current_s is None:
            self.zero_current_s = start_s
        if part.destroyed and not self.destroyed:
            self.destroyed, self.destroyed_s = True, end_s


class SimulatedBench:
    """Unit, source and meters over one run. One thread at a time calls ``advance_to``.

    Exactly one of ``source`` (programmed) and ``hand`` (on the dial of a variable transformer) is given.
    """

    def __init__(
        self,
        unit: Physics,
        meters: tuple[SimulatedMeter, ...],
        source: ProgrammedSource | None = None,
        hand: Hand | None = None,
        wander: Wander | None = None,
        digitiser: Digitiser | None = None,
        contactor: SimulatedContactor | None = None,
        sound: SoundFeed | None = None,
    ) -> None:
        """Begin at zero seconds with the source off."""
        if (source is None) == (hand is None):
            raise ValueError("one of source and hand")
        self.unit = unit
        self.meters = meters
        self.source = source
        self.hand = hand
        self.wander = wander or Wander(0.0, 0)
        self.digitiser = digitiser
        self.contactor = contactor
        self.sound = sound
        self.now_s = 0.0
        self.witness = Witness()
        self._pending: list[Output] = []
        self._output = Output(0.0, 0.0, False)
        self._given = (0.0, False)
        unit.set_source(0.0, False)

    def advance(self, seconds: float) -> list[Finished]:
        """Go on by so many seconds; the apertures that ended, in order."""
        return self.advance_to(self.now_s + seconds)

    def advance_to(self, to_s: float) -> list[Finished]:
        """Go on to an instant (bench seconds); the apertures that ended, in order."""
        finished: list[Finished] = []
        while self.now_s < to_s - _EPS_S:
            self._take_changes()
            stop_s = self._next_stop(to_s)
            self._drive(0.5 * (self.now_s + stop_s))
            self._stretch(stop_s, finished)
        self._take_changes()
        return finished

    def _take_changes(self) -> None:
        """Apply what the programmed source was told up to now."""
        if self.source is None:
            return
        self._pending += self.source.take_changes()
        while self._pending and self._pending[0].at_s <= self.now_s + _EPS_S:
            self._output = self._pending.pop(0)
            self._give(self._output.volts, self._output.on)

    def _next_stop(self, to_s: float) -> float:
        stop_s = min([to_s, *(meter.edge_s(self.now_s) for meter in self.meters)])
        if self._pending:
            stop_s = min(stop_s, self._pending[0].at_s)
        if self.hand is not None:
            stop_s = min(stop_s, self.hand.next_change_s(self.now_s + _EPS_S))
        if self.source is not None or self.wander.fraction > 0.0 or self._is_turning():
            stop_s = min(stop_s, self._next_tick())
        if self.contactor is not None and self.contactor.drops_at_s > self.now_s + _EPS_S:
            stop_s = min(stop_s, self.contactor.drops_at_s)
        return max(stop_s, self.now_s + _EPS_S)

    def _next_tick(self) -> float:
        return (math.floor(self.now_s / TICK_S + 1e-6) + 1) * TICK_S

    def _is_turning(self) -> bool:
        return self.hand is not None and self.hand.is_turning(self.now_s + _EPS_S)

    def _drive(self, middle_s: float) -> None:
        """Give the unit the volts of the coming stretch, as they are in its middle."""
        if self.hand is not None:
            on = self.hand.is_on(middle_s)
            volts = self.hand.dial_at(middle_s) * self.wander.factor(middle_s) if on else 0.0
            self._give(volts, on)
        elif self.source is not None:
            self._give(self._output.volts * self.source.fold, self._output.on)

    def _give(self, volts: float, on: bool) -> None:
        if self.contactor is not None and not self.contactor.is_closed(self.now_s + _EPS_S):
            volts, on = 0.0, False
        if (volts, on) == self._given:
            return
        self._given = (volts, on)
        self.witness.see_source(volts if on else 0.0, self.now_s)
        self.unit.set_source(volts, on)

    def _stretch(self, stop_s: float, finished: list[Finished]) -> None:
        start_s, seconds = self.now_s, stop_s - self.now_s
        part = self._move(seconds)
        self.now_s = stop_s
        self.witness.see_unit(part, start_s, stop_s)
        if self.source is not None and self.source.observe(part.current_rms_a, stop_s, seconds):
            self.witness.tripped_s = stop_s
        for meter in self.meters:
            done = meter.add(part, start_s, seconds)
            if done is not None:
                finished.append(done)

    def _move(self, seconds: float) -> UnitAverages:
        """Take the unit along, with its waveform while somebody listens or the digitiser wants it."""
        if self.sound is not None:
            trace, still = self.unit.trace(seconds), self.unit.standing()
            self.sound.take(trace)
            return measured_truth(trace, truth_of(still, still.destroyed)) if len(trace.v_v) else still
        digitiser = self.digitiser
        if digitiser is None or not digitiser.wants or seconds < 2.0 / RATE_HZ:
            return self.unit.advance(seconds)
        wave = self.unit.waveform(seconds, RATE_HZ)
        digitiser.take(wave, self.now_s)
        slow = self.unit.advance(0.0)
        return measured_truth(wave, truth_of(slow, slow.destroyed))
