"""A switch-mode supply at waveform level: X-capacitor, filter, thermistor, bridge, bulk, converter.

Same steps and blocks as the linear supply. One state current runs through source, filter and thermistor; the
bridge conducts while the line exceeds the bulk by two junctions. Once the bulk passes ``start_v`` the
converter brings up its rails and draws what they deliver, divided by its efficiency, at any bulk voltage
(constant power) until the bulk falls below ``stop_v``. Overloaded, it shuts down and tries again.
"""

import copy
import math
from collections.abc import Callable

import numpy as np

from benchlog_drivers.simulated.lamp import Filament
from benchlog_drivers.simulated.physics_linear import BLOCK, LEAST_A, SINE, STEPS, inlet_voltage
from benchlog_drivers.simulated.physics_offset import FluxOffset
from benchlog_drivers.simulated.physics_trace import Rates, measure_stretch
from benchlog_drivers.simulated.unit_params import THERMAL_V, SourceImpedance, SwitchMode

_ENDS = np.array([math.sin(2.0 * math.pi * step / STEPS) for step in range(STEPS)])
_COSINES = np.array([math.cos(2.0 * math.pi * step / STEPS) for step in range(STEPS)])
RAMP_S = 0.08
"""Time in which the converter brings its rails up."""
RETRY_S = 0.45
"""Pause after an overload."""


class Converter:
    """The converter behind the bulk: running or not, its rails, its overload trip."""

    def __init__(self, values: SwitchMode) -> None:
        """Off, rails empty."""
        self.values = values
        self.running = False
        self.rail_v = 0.0
        self.pause_s = 0.0
        self.rail_a = 0.0
        """Drawn from each rail at present, in A; set before each block."""

    def advance(self, seconds: float, bulk_v: float) -> float:
        """Move on by ``seconds`` at this bulk voltage (V); the power drawn from the bulk in W."""
        values = self.values
        self.pause_s = max(0.0, self.pause_s - seconds)
        if bulk_v < values.stop_v or self.pause_s > 0.0:
            self.running = False
        elif bulk_v > values.start_v:
            self.running = True
        if not self.running:
            self.rail_v = max(0.0, self.rail_v - self.rail_a * seconds / values.rail_farad)
            return 0.0
        risen = min(values.rail_v, self.rail_v + values.rail_v * seconds / RAMP_S)
        charging = values.rail_farad * (risen - self.rail_v) / seconds
        watts = 2.0 * risen * (self.rail_a + charging)
        if watts > values.limit_w + 2.0 * risen * charging:
            self.pause_s = RETRY_S
        self.rail_v = risen
        return values.standby_w + watts / values.efficiency


class SwitchModeSupply:
    """The waveform of one switch-mode supply; moved on block by block."""

    settling = 3

    def __init__(
        self, values: SwitchMode, source: SourceImpedance, hertz: float, lamp: Filament | None = None
    ) -> None:
        """Bulk discharged, thermistor cold, source off, at phase zero."""
        self.values = values
        self.source = source
        self.lamp = lamp
        self.hertz = hertz
        self.step_s = 1.0 / (hertz * STEPS)
        self.block_s = BLOCK * self.step_s
        self.inside_ohm = 0.0
        """Behind the inlet: a stuck soft start."""
        self.short_ohm: float | None = None
        """Resistance of a shorted bridge diode: the line's negative half then meets a short."""
        self.leak_a = 0.0
        """Into a leaky bulk capacitor; set before each block."""
        self.phase = 0
        self.peak_v = 0.0
        self.line_a = 0.0
        self.bulk_v = 0.0
        self.thermistor_k = 298.0
        self.converter = Converter(values)
        self.last_trace = np.zeros(1)
        self.last_inlet_v = np.zeros(0)

    @property
    def plus_v(self) -> float:
        """The converter's plus rail in V."""
        return self.converter.rail_v

    @property
    def minus_v(self) -> float:
        """The converter's minus rail in V, below zero."""
        return -self.converter.rail_v

    def twin(self) -> "SwitchModeSupply":
        """A copy with states of its own."""
        twin = copy.copy(self)
        twin.lamp, twin.converter = copy.copy(self.lamp), copy.copy(self.converter)
        return twin

    def switch_off(self) -> None:
        """The source's contact opens."""
        self.line_a = 0.0

    def discharge(self, seconds: float, before_block: Callable[["SwitchModeSupply"], None]) -> None:
        """Source away for ``seconds``: the bulk feeds what is on it."""
        left = seconds
        while left > 0.0:
            step = min(left, 0.02)
            before_block(self)
            drawn = self._bulk_a(self.converter.advance(step, self.bulk_v))
            self.bulk_v = max(0.0, self.bulk_v - drawn * step / self.values.bulk_farad)
            left -= step

    def series_ohm(self) -> float:
        """Source and lamp in Ω."""
        return self.source.ohm + (self.lamp.ohm() if self.lamp is not None else 0.0)

    def thermistor_ohm(self) -> float:
        """Inrush thermistor in Ω at its present temperature (B law)."""
        values = self.values
        return values.thermistor_ohm * math.exp(
            values.thermistor_b_k * (1.0 / self.thermistor_k - 1.0 / 298.0)
        )

    # --- waveform -------------------------------------------------------------------------------------------
    def run(self, blocks: int, before_block: Callable[["SwitchModeSupply"], None]) -> Rates:
        """Move on by ``blocks`` blocks and return what flowed; ``before_block`` sets what is drawn."""
        trace, series = [self.line_a], []
        start, rails = self.phase, 0.0
        for _ in range(blocks):
            before_block(self)
            series.append(self.series_ohm())
            self._steps(trace)
            self.warm(self.block_s, sum([i * i for i in trace[-BLOCK:]]) / BLOCK)
            rails += self.converter.rail_v
        currents = np.array(trace) + self._filter_current(start, len(trace))
        ohms = np.repeat(np.array(series), BLOCK)
        self.last_trace = currents
        self.last_inlet_v = inlet_voltage(currents, start, self.peak_v, ohms, self.source.henry, self.step_s)
        return measure_stretch(currents, self.last_inlet_v, rails / blocks, -rails / blocks)

    def _filter_current(self, start: int, count: int) -> "np.ndarray[tuple[int], np.dtype[np.float64]]":
        """Into the X-capacitor and its bleeder, in A."""
        indices = (start + np.arange(count)) % STEPS
        siemens = 2.0 * math.pi * self.hertz * self.values.x_farad
        return self.peak_v * (_ENDS[indices] / self.values.x_bleeder_ohm + siemens * _COSINES[indices])

    def series_w(self, rates: Rates) -> float:
        """Lost in what warms in series, in W; the thermistor five times, as it shapes the pulses."""
        lamp = self.lamp.ohm() if self.lamp is not None else 0.0
        return rates.i2 * (lamp + 5.0 * self.thermistor_ohm())

    def warm(self, seconds: float, square_a2: float) -> None:
        """Heat thermistor and lamp for ``seconds`` with this mean square current (A²)."""
        values, left = self.values, seconds
        while left > 0.0:
            step = min(left, 0.25)
            cooling = (self.thermistor_k - 298.0) / values.thermistor_k_per_w
            heating = square_a2 * self.thermistor_ohm() - cooling
            self.thermistor_k += heating * step / values.thermistor_j_per_k
            left -= step
        if self.lamp is not None:
            self.lamp.advance(seconds, square_a2)

    def _bulk_a(self, converter_w: float) -> float:
        """Current out of the bulk in A."""
        return converter_w / max(self.bulk_v, 30.0) + self.bulk_v / self.values.start_up_ohm + self.leak_a

    def _steps(self, trace: list[float]) -> None:
        """One block, the hot loop: appends the line current after each step to ``trace``."""
        log, values, h = math.log, self.values, self.step_s
        lag = (self.source.henry + values.filter_h) / h
        nvt = 2.0 * values.diode.emission * THERMAL_V
        fixed = self.series_ohm() + self.inside_ohm + values.filter_ohm + self.thermistor_ohm()
        leg = fixed + lag + 2.0 * values.diode.series_ohm + values.bulk_esr_ohm
        inverse = 1.0 / values.diode.saturation_a
        on_v, charge = nvt * log(LEAST_A * inverse), h / values.bulk_farad
        i, bulk, short = self.line_a, self.bulk_v, self.short_ohm
        drawn = self._bulk_a(self.converter.advance(self.block_s, bulk))
        for s in SINE[self.phase : self.phase + BLOCK]:
            v = self.peak_v * s
            side = 1.0 if i > 0.0 or (i == 0.0 and v > 0.0) else -1.0
            size, push = i * side, v * side
            bulk -= charge * drawn
            if short is not None and side < 0.0:
                size = max(0.0, (lag * size + push - 0.5 * nvt * 18.0) / (fixed + lag + short))
            elif size > 0.0 or push > bulk + on_v:
                near = size if size > LEAST_A else LEAST_A
                junctions = nvt * (log(near * inverse) - 1.0)
                size = max(0.0, (lag * size + push - bulk - junctions) / (leg + nvt / near))
                bulk += charge * size
            i = side * size
            trace.append(i)
        self.line_a, self.bulk_v = i, max(0.0, bulk)
        self.phase = (self.phase + BLOCK) % STEPS

    # --- slow electrical states -----------------------------------------------------------------------------
    def states(self) -> tuple[float, ...]:
        """Bulk (V), rails (V), running as a large number, thermistor (K), lamp temperature (of rated)."""
        warmth = self.lamp.temperature if self.lamp is not None else 0.0
        running = 1e3 if self.converter.running else 0.0
        return self.bulk_v, self.converter.rail_v, running, self.thermistor_k, warmth

    def scales(self) -> tuple[float, ...]:
        """What counts as a whole change of each of the states."""
        return max(self.bulk_v, 1.0), max(self.values.rail_v, 1.0), 1.0, 300.0, 0.3

    def project(self, changes: tuple[float, ...]) -> None:
        """Add to the states; running or not is never projected."""
        self.bulk_v = max(0.0, self.bulk_v + changes[0])
        self.converter.rail_v = min(self.values.rail_v, max(0.0, self.converter.rail_v + changes[1]))
        self.thermistor_k = max(298.0, self.thermistor_k + changes[3])
        if self.lamp is not None:
            self.lamp.shift(changes[4])

    def retune(self, factor: float) -> None:
        """The source's amplitude changed slowly by ``factor``; the bulk has followed."""
        self.peak_v *= factor
        self.bulk_v *= factor

    def move_rails(self, plus_v: float, minus_v: float) -> None:
        """Held rates have drifted; the converter holds its rails."""

    def offset(self, rates: Rates, dc_shift_a: float, shift: tuple[float, ...]) -> FluxOffset:
        """A DC in the line stays."""
        return FluxOffset(rates.i_dc)

    def move_offset(self, offset: FluxOffset) -> None:
        """There is no flux on the mains side."""

    def may_jump(self) -> bool:
        """Not while the converter pauses after an overload."""
        return self.converter.pause_s <= 0.0

    def may_hold(self, rates: Rates) -> bool:
        """Not while the converter pauses or brings its rails up."""
        return self.may_jump() and (not self.converter.running or self.plus_v >= 0.99 * self.values.rail_v)
