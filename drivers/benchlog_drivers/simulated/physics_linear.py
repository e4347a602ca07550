"""A linear supply at waveform level: source, transformer, rectifier, reservoirs.

Fixed steps of 1/256 cycle; the primary by the midpoint rule, the windings implicitly with each diode's
exponential law linearised about its last current, so that one division gives the voltage across the
magnetising branch. States: primary current, flux, remanence point, the two winding currents, the two
reservoirs. Everything on the rails is asked for once per block of 16 steps.
"""

import math
from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from benchlog_drivers.simulated.unit_params import THERMAL_V, Diode, Rails, SourceImpedance
from benchlog_drivers.simulated.physics_trace import Rates, measure_stretch
from benchlog_drivers.simulated.transformer import TransformerValues

STEPS = 256
"""Steps in a cycle."""
BLOCK = 16
"""Steps in a block."""
LEAST_A = 2e-3
"""Least current about which a diode's law is linearised, in A."""

_SINE = [math.sin(2.0 * math.pi * (step + 0.5) / STEPS) for step in range(STEPS)]
_SINES = np.array(_SINE + _SINE)


class LinearSupply:
    """The waveform of one linear supply; moved on block by block."""

    def __init__(
        self, values: TransformerValues, diode: Diode, rails: Rails, source: SourceImpedance, hertz: float
    ) -> None:
        """Everything discharged, no remanence, source off, at phase zero."""
        self.source = source
        self.diode = diode
        self.rails = rails
        self.step_s = 1.0 / (hertz * STEPS)
        self.block_s = BLOCK * self.step_s
        self.series_ohm = 0.0
        """In front of the inlet besides the source: the lamp."""
        self.inside_ohm = 0.0
        """Behind the inlet in the primary: soft start."""
        self.branch_siemens = 0.0
        """Across the magnetising branch besides core loss: shorted turns, heaters."""
        self.leg_ohm = 0.0
        """In each diode's path besides its own: a valve rectifier."""
        self.short_ohm: float | None = None
        """Resistance of the shorted diode from the first winding to the plus rail."""
        self.phase = 0
        """Index of the next step in the cycle."""
        self.peak_v = 0.0
        """Amplitude of the source's sine."""
        self.primary_a = self.flux_vs = self.remanent_vs = 0.0
        self.winding_a = [0.0, 0.0]
        self.plus_v = self.minus_v = 0.0
        """Reservoirs; minus is below zero."""
        self.load_plus_a = self.load_minus_a = 0.0
        """Drawn from each rail, positive; set before each block."""
        self.bridge_siemens = self.bridge_v = 0.0
        """From rail to rail: (plus − minus − bridge_v)·bridge_siemens where that is above zero."""
        self.set_transformer(values)

    def set_transformer(self, values: TransformerValues) -> None:
        """Take other transformer values (a tap changed); the states stay."""
        self.values = values
        self._table = values.magnetising.table()
        self._branch_v = 0.0

    def switch_off(self) -> None:
        """The source's contact opens: currents stop, the core keeps its remanence."""
        iron = self.values.magnetising
        reached = max(-1.1, min(1.1, self.flux_vs / iron.design_vs)) * iron.design_vs
        self.remanent_vs = self.flux_vs = iron.remanence * reached
        self.primary_a = self._branch_v = 0.0
        self.winding_a = [0.0, 0.0]

    def run(self, blocks: int, before_block: Callable[[float], None]) -> Rates:
        """Move on by ``blocks`` blocks and return what flowed.

        ``before_block(square_a2)`` is called ahead of each block with the mean square of the current in the
        last one; it may set loads and resistances.
        """
        trace = [self.primary_a]
        series: list[float] = []
        start, plus, minus, square = self.phase, 0.0, 0.0, self.primary_a**2
        for _ in range(blocks):
            before_block(square)
            series.append(self.series_ohm)
            self._steps(trace)
            square = sum(i * i for i in trace[-BLOCK:]) / BLOCK
            plus += self.plus_v
            minus += self.minus_v
            self._wipe_remanence()
        currents = np.array(trace)
        self.last_trace = currents
        self.last_inlet_v = self._inlet_v(currents, start, np.repeat(np.array(series), BLOCK))
        return measure_stretch(currents, self.last_inlet_v, plus / blocks, minus / blocks)

    def _inlet_v(
        self, currents: npt.NDArray[np.float64], start: int, series: npt.NDArray[np.float64]
    ) -> npt.NDArray[np.float64]:
        count = len(currents) - 1
        indices = (start + np.arange(count)) % STEPS
        drop = (self.source.ohm + series) * 0.5 * (currents[:-1] + currents[1:])
        return np.asarray(
            self.peak_v * _SINES[indices] - drop - self.source.henry / self.step_s * np.diff(currents)
        )

    def _wipe_remanence(self) -> None:
        """Accommodation: large flux swings move the point of zero magnetising current back to zero flux."""
        if self.remanent_vs != 0.0:
            design = self.values.magnetising.design_vs
            swing = (self.flux_vs - self.remanent_vs) / design
            rate = 0.5 * abs(self._branch_v) / design * swing * swing
            self.remanent_vs *= math.exp(-rate * self.block_s)

    def _steps(self, trace: list[float]) -> None:
        """One block, the hot loop: appends the primary current after each step to ``trace``."""
        log = math.log
        values, h = self.values, self.step_s
        henry = self.source.henry + values.primary_leak_h
        k = (self.source.ohm + self.series_ohm + self.inside_ohm + values.primary_ohm) * h / (2.0 * henry)
        b1, c1 = h / henry / (1.0 + k), (1.0 - k) / (1.0 + k)
        offsets, slopes, cells = self._table
        last_cell = len(slopes) - 1
        main = 1.0 / values.magnetising.main_h
        base = b1 + main * h + 1.0 / values.core_loss_ohm + self.branch_siemens
        n, lh, nvt = values.ratio, values.secondary_leak_h / h, self.diode.emission * THERMAL_V
        leg = values.secondary_ohm + lh + self.diode.series_ohm + self.rails.esr_ohm + self.leg_ohm
        inverse = 1.0 / self.diode.saturation_a
        on_v = nvt * log(LEAST_A * inverse)
        charge = h / self.rails.farad
        bridge, bridge_v = self.bridge_siemens, self.bridge_v
        load_p, load_m = self.load_plus_a, self.load_minus_a
        i1, flux, rest, vm = self.primary_a, self.flux_vs, self.remanent_vs, self._branch_v
        (ia, ib), vp, vn = self.winding_a, self.plus_v, self.minus_v
        short = self.short_ohm
        start = self.phase
        append = trace.append
        cell = min(int(abs(flux) * cells), last_cell)
        for s in _SINE[start : start + BLOCK]:
            slope = slopes[cell]
            bend = offsets[cell] + slope * flux if flux > 0.0 else slope * flux - offsets[cell]
            a1 = c1 * i1 + b1 * self.peak_v * s
            v = n * vm
            if short is not None:
                ga = 1.0 / (values.secondary_ohm + lh + short + self.rails.esr_ohm)
                ea = (lh * ia - vp) * ga
            elif ia > 0.0 or (ia == 0.0 and v > vp + on_v):
                near = ia if ia > LEAST_A else LEAST_A
                ga = 1.0 / (leg + nvt / near)
                ea = (lh * ia - vp - nvt * (log(near * inverse) - 1.0)) * ga
            elif ia < 0.0 or v < vn - on_v:
                near = -ia if -ia > LEAST_A else LEAST_A
                ga = 1.0 / (leg + nvt / near)
                ea = (lh * ia - vn + nvt * (log(near * inverse) - 1.0)) * ga
            else:
                ga = ea = 0.0
            if ib > 0.0 or (ib == 0.0 and -v > vp + on_v):
                near = ib if ib > LEAST_A else LEAST_A
                gb = 1.0 / (leg + nvt / near)
                eb = (lh * ib - vp - nvt * (log(near * inverse) - 1.0)) * gb
            elif ib < 0.0 or -v < vn - on_v:
                near = -ib if -ib > LEAST_A else LEAST_A
                gb = 1.0 / (leg + nvt / near)
                eb = (lh * ib - vn + nvt * (log(near * inverse) - 1.0)) * gb
            else:
                gb = eb = 0.0
            vm = (a1 - (flux - rest) * main - bend - n * (ea - eb)) / (base + slope * h + n * n * (ga + gb))
            i1 = a1 - b1 * vm
            flux += h * vm
            cell = int(abs(flux) * cells)
            if cell > last_cell:
                cell = last_cell
            into_p = into_m = 0.0
            if ga:
                now = ea + n * ga * vm
                if short is not None:
                    into_p, ia = now, now
                elif ea + n * ga * vm > 0.0 and (ia > 0.0 or v > 0.0):
                    into_p, ia = now, now
                elif now < 0.0 and (ia < 0.0 or v < 0.0):
                    into_m, ia = now, now
                else:
                    ia = 0.0
            if gb:
                now = eb - n * gb * vm
                if now > 0.0 and (ib > 0.0 or v < 0.0):
                    into_p, ib = into_p + now, now
                elif now < 0.0 and (ib < 0.0 or v > 0.0):
                    into_m, ib = into_m + now, now
                else:
                    ib = 0.0
            across = (vp - vn - bridge_v) * bridge
            if across < 0.0:
                across = 0.0
            vp += charge * (into_p - load_p - across)
            vn += charge * (into_m + load_m + across)
            append(i1)
        self.primary_a, self.flux_vs, self._branch_v = i1, flux, vm
        self.winding_a, self.plus_v, self.minus_v = [ia, ib], vp, vn
        self.phase = (start + BLOCK) % STEPS

    def states(self) -> tuple[float, ...]:
        """Slow electrical states: both reservoirs (V), flux at this phase (V·s)."""
        return self.plus_v, self.minus_v, self.flux_vs

    def project(self, changes: tuple[float, ...]) -> None:
        """Add to the slow electrical states; the primary current follows the flux."""
        self.plus_v += changes[0]
        self.minus_v += changes[1]
        self.flux_vs += changes[2]
        self.primary_a += changes[2] / self.values.magnetising.main_h

    def scales(self) -> tuple[float, ...]:
        """A large change of each slow electrical state."""
        rail = max(self.plus_v, -self.minus_v, 0.5)
        return rail, rail, 10.0 * self.values.magnetising.design_vs
