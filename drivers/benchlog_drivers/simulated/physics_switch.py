"""A switch-mode supply at waveform level: X-capacitor, filter, thermistor, bridge, bulk, start and stop.

Same steps and blocks as the linear supply. One state current through source, filter and thermistor; the
bridge conducts while the line exceeds the bulk by two junctions. Once the bulk passes ``start_v`` the
converter draws constant power until it falls below ``stop_v``.
"""

import math
from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from benchlog_drivers.simulated.physics_linear import BLOCK, LEAST_A, STEPS
from benchlog_drivers.simulated.physics_trace import Rates, measure_stretch
from benchlog_drivers.simulated.unit_params import THERMAL_V, SourceImpedance, SwitchMode

_SINE = [math.sin(2.0 * math.pi * (step + 0.5) / STEPS) for step in range(STEPS)]
_ENDS = np.array([math.sin(2.0 * math.pi * step / STEPS) for step in range(2 * STEPS + 1)])
_SINES = np.array(_SINE + _SINE)


class SwitchModeSupply:
    """The waveform of one switch-mode supply; moved on block by block."""

    def __init__(self, values: SwitchMode, source: SourceImpedance, hertz: float) -> None:
        """Bulk discharged, thermistor cold, source off, at phase zero."""
        self.values = values
        self.source = source
        self.hertz = hertz
        self.step_s = 1.0 / (hertz * STEPS)
        self.block_s = BLOCK * self.step_s
        self.series_ohm = 0.0
        self.inside_ohm = 0.0
        self.short_ohm: float | None = None
        """Set when a bridge diode is shorted: the line's negative half then meets a short."""
        self.phase = 0
        self.peak_v = 0.0
        self.line_a = 0.0
        self.bulk_v = 0.0
        self.running = False
        self.load_w = 0.0
        """Power drawn while running; set before each block."""
        self.leak_a = 0.0
        self.thermistor_k = 298.0

    @property
    def plus_v(self) -> float:
        """The bulk capacitor in V."""
        return self.bulk_v

    @property
    def minus_v(self) -> float:
        """There is one rail on the mains side."""
        return 0.0

    def switch_off(self) -> None:
        """The source's contact opens."""
        self.line_a = 0.0

    def thermistor_ohm(self) -> float:
        """Inrush thermistor in Ω at its present temperature (B law)."""
        values = self.values
        return values.thermistor_ohm * math.exp(
            values.thermistor_b_k * (1.0 / self.thermistor_k - 1.0 / 298.0)
        )

    def run(self, blocks: int, before_block: Callable[[float], None]) -> Rates:
        """Move on by ``blocks`` blocks and return what flowed; see the linear supply."""
        trace = [self.line_a]
        series: list[float] = []
        start, bulk, square = self.phase, 0.0, self.line_a**2
        for _ in range(blocks):
            before_block(square)
            series.append(self.series_ohm)
            self._steps(trace)
            square = sum(i * i for i in trace[-BLOCK:]) / BLOCK
            self._warm_thermistor(square)
            bulk += self.bulk_v
        line = np.array(trace)
        indices = start + np.arange(len(trace))
        ends = self.peak_v * _ENDS[indices % STEPS]
        x_siemens = 2.0 * math.pi * self.hertz * self.values.x_farad
        quarter = self.peak_v * _ENDS[(indices + STEPS // 4) % STEPS]
        currents = line + ends / self.values.x_bleeder_ohm + x_siemens * quarter
        self.last_trace = currents
        self.last_inlet_v = self._inlet_v(currents, start, np.repeat(np.array(series), BLOCK))
        return measure_stretch(currents, self.last_inlet_v, bulk / blocks, 0.0)

    def _inlet_v(
        self, currents: npt.NDArray[np.float64], start: int, series: npt.NDArray[np.float64]
    ) -> npt.NDArray[np.float64]:
        count = len(currents) - 1
        indices = (start + np.arange(count)) % STEPS
        drop = (self.source.ohm + series) * 0.5 * (currents[:-1] + currents[1:])
        return np.asarray(
            self.peak_v * _SINES[indices] - drop - self.source.henry / self.step_s * np.diff(currents)
        )

    def _warm_thermistor(self, square_a2: float) -> None:
        values = self.values
        heating = square_a2 * self.thermistor_ohm() - (self.thermistor_k - 298.0) / values.thermistor_k_per_w
        self.thermistor_k += heating * self.block_s / values.thermistor_j_per_k

    def _converter_a(self) -> float:
        """Current out of the bulk in A; starts and stops the converter."""
        values, bulk = self.values, self.bulk_v
        if bulk > values.start_v:
            self.running = True
        elif bulk < values.stop_v:
            self.running = False
        drawn = self.load_w / max(bulk, 30.0) if self.running else 0.0
        return drawn + bulk / values.start_up_ohm + self.leak_a

    def _steps(self, trace: list[float]) -> None:
        """One block, the hot loop: appends the line current after each step to ``trace``."""
        log = math.log
        values, h = self.values, self.step_s
        lh = (self.source.henry + values.filter_h) / h
        nvt = 2.0 * values.diode.emission * THERMAL_V
        fixed = (
            self.source.ohm + self.series_ohm + self.inside_ohm + values.filter_ohm + self.thermistor_ohm()
        )
        leg = fixed + lh + 2.0 * values.diode.series_ohm + values.bulk_esr_ohm
        inverse = 1.0 / values.diode.saturation_a
        on_v = nvt * log(LEAST_A * inverse)
        charge = h / values.bulk_farad
        i, bulk, drawn = self.line_a, self.bulk_v, self._converter_a()
        start = self.phase
        for s in _SINE[start : start + BLOCK]:
            v = self.peak_v * s
            sign = 1.0 if i > 0.0 or (i == 0.0 and v > 0.0) else -1.0
            size, push = i * sign, v * sign
            if self.short_ohm is not None and sign < 0.0:
                size = (lh * size + push) / (fixed + lh + self.short_ohm + values.diode.series_ohm)
                i = -size if size > 0.0 else 0.0
                bulk -= charge * drawn
            elif size > 0.0 or push > bulk + on_v:
                near = size if size > LEAST_A else LEAST_A
                size = (lh * size + push - bulk - nvt * (log(near * inverse) - 1.0)) / (leg + nvt / near)
                if size < 0.0:
                    size = 0.0
                i = sign * size
                bulk += charge * (size - drawn)
            else:
                bulk -= charge * drawn
            trace.append(i)
        self.line_a, self.bulk_v = i, max(0.0, bulk)
        self.phase = (start + BLOCK) % STEPS

    def states(self) -> tuple[float, ...]:
        """Slow electrical state: the bulk capacitor (V)."""
        return (self.bulk_v,)

    def project(self, changes: tuple[float, ...]) -> None:
        """Add to the bulk voltage."""
        self.bulk_v += changes[0]

    def scales(self) -> tuple[float, ...]:
        """A large change of the bulk voltage."""
        return (max(self.bulk_v, 1.0),)
