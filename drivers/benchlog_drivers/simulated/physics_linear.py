"""A linear supply at waveform level: source, transformer, rectifier, reservoirs.

Fixed steps of 1/256 cycle. The primary follows the midpoint rule, the windings an implicit step with each
diode's exponential law linearised about its last current, so that one division gives the voltage across the
magnetising branch. States: primary current, flux, the point of remanence, the two winding currents, the two
reservoirs. What hangs on the rails is asked for once per block of 16 steps. While both rails are alike (no
fault that makes them differ) one winding stands for both.
"""

import copy
import math
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchlog_drivers.simulated.lamp import Filament
from benchlog_drivers.simulated.physics_offset import FluxOffset
from benchlog_drivers.simulated.physics_trace import Rates, measure_stretch
from benchlog_drivers.simulated.transformer import TransformerValues
from benchlog_drivers.simulated.unit_params import THERMAL_V, Diode, Rails, SourceImpedance

Floats = npt.NDArray[np.float64]

STEPS = 256
"""Steps in a cycle."""
BLOCK = 16
"""Steps in a block."""
_MINOR_LOOP = 0.10
"""Distance of the flux from the remanence, of the design flux, below which nothing is wiped (ours)."""
_LAMP_STEPS = 2
"""Steps after which a series lamp's resistance is renewed."""
LEAST_A = 2e-3
"""Least current about which a diode's law is linearised, in A."""

SINE = [math.sin(2.0 * math.pi * (step + 0.5) / STEPS) for step in range(STEPS)]
"""The source at the middle of each step, per volt of amplitude."""
_SINES = np.array(SINE)


def inlet_voltage(
    currents: Floats, start: int, peak_v: float, series_ohm: Floats, henry: float, step_s: float
) -> Floats:
    """Voltage behind the source's impedance at the middle of each step, in V.

    ``currents`` (n + 1, A) at the step ends from step ``start`` of the cycle; ``series_ohm`` (n, Ω).
    """
    indices = (start + np.arange(len(currents) - 1)) % STEPS
    drop = series_ohm * 0.5 * (currents[:-1] + currents[1:]) + henry / step_s * np.diff(currents)
    return np.asarray(peak_v * _SINES[indices] - drop)


@dataclass(frozen=True, slots=True)
class _Step:
    """Coefficients of one step that hold while no resistance changes."""

    carry: float
    """Of the primary current into the next step."""
    drive: float
    """A per V across the source-side impedance over one step."""
    shunt: float
    """``drive`` and everything resistive across the magnetising branch, in S."""
    lag: float
    """Winding leakage per step, in Ω."""
    leg: float
    """Everything in a winding's path but its diode's junction, in Ω."""


class LinearSupply:
    """The waveform of one linear supply; moved on block by block."""

    settling = 2
    lamp: Filament | None
    """In series ahead of the inlet."""
    inside_ohm: float
    """Behind the inlet in the primary: soft start."""
    branch_siemens: float
    """Across the magnetising branch besides core loss: shorted turns, heaters."""
    leg_ohm: float
    """In each diode's path besides its own: a valve rectifier."""
    short_ohm: float | None
    """Resistance of a shorted diode from the first winding to the plus rail."""
    load_plus_a: float
    """Drawn from the plus rail, positive; loads are set before each block."""
    load_minus_a: float
    """Drawn from the minus rail, positive."""
    bridge_siemens: float
    """From rail to rail: (plus − minus − bridge_v)·bridge_siemens where that is above zero."""
    bridge_v: float
    phase: int
    """Index of the next step in the cycle."""
    peak_v: float
    """Amplitude of the source's sine."""
    winding_a: tuple[float, float]
    """Out of the first winding, out of the second (which is turned the other way)."""
    plus_v: float
    """Plus reservoir."""
    minus_v: float
    """Minus reservoir, below zero."""
    least_scale_v: float
    """Rails below this count as nothing when their approach is judged."""
    last_trace: Floats
    """Primary current in A at the step ends of the last run, its start first."""
    last_inlet_v: Floats
    """Inlet voltage in V in the middle of those steps."""

    def __init__(
        self,
        values: TransformerValues,
        diode: Diode,
        rails: Rails,
        source: SourceImpedance,
        hertz: float,
        lamp: Filament | None = None,
    ) -> None:
        """Everything discharged, no remanence, source off, at phase zero."""
        self.source, self.diode, self.rails, self.lamp = source, diode, rails, lamp
        self.step_s = 1.0 / (hertz * STEPS)
        self.block_s = BLOCK * self.step_s
        self.inside_ohm = self.branch_siemens = self.leg_ohm = 0.0
        self.short_ohm = None
        self.load_plus_a = self.load_minus_a = self.bridge_siemens = self.bridge_v = 0.0
        self.phase = 0
        self.peak_v = self.primary_a = self.flux_vs = self.remanent_vs = self.branch_v = 0.0
        self.winding_a = (0.0, 0.0)
        self.plus_v = self.minus_v = 0.0
        self.least_scale_v = 0.5
        self.last_trace, self.last_inlet_v = np.zeros(1), np.zeros(0)
        self._fluxes: deque[float] = deque(maxlen=STEPS // BLOCK)
        self._of: tuple[tuple[TransformerValues, float, float, float, float], _Step] | None = None
        """The last coefficients and what they depend on."""
        self.set_transformer(values)

    def set_transformer(self, values: TransformerValues) -> None:
        """Take other transformer values (a tap changed); the states stay."""
        self.values = values
        self._table = values.magnetising.table()

    def twin(self) -> "LinearSupply":
        """A copy with states of its own."""
        twin = copy.copy(self)
        twin.lamp, twin._fluxes = copy.copy(self.lamp), copy.copy(self._fluxes)
        return twin

    def switch_off(self) -> None:
        """The source's contact opens: currents stop, the core keeps its remanence."""
        iron = self.values.magnetising
        reached = max(-1.1, min(1.1, self.flux_vs / iron.design_vs)) * iron.design_vs
        self.remanent_vs = self.flux_vs = iron.remanence * reached
        self.primary_a = self.branch_v = 0.0
        self.winding_a = (0.0, 0.0)

    # --- waveform -----------------------------------------------------------------------------------------
    def run(self, blocks: int, before_block: Callable[["LinearSupply"], None]) -> Rates:
        """Move on by ``blocks`` blocks and return what flowed.

        ``before_block(supply)`` is called ahead of each block to set what hangs on the rails.
        """
        trace: list[float] = [self.primary_a]
        series: list[float] = []
        start, plus, minus = self.phase, 0.0, 0.0
        for _ in range(blocks):
            before_block(self)
            series += self._block(trace)
            plus += self.plus_v
            minus += self.minus_v
            self._fluxes.append(self.flux_vs)
        self.last_trace = np.array(trace)
        ohms = np.repeat(np.array(series), BLOCK * blocks // len(series))
        henry = self.source.henry
        self.last_inlet_v = inlet_voltage(self.last_trace, start, self.peak_v, ohms, henry, self.step_s)
        return measure_stretch(self.last_trace, self.last_inlet_v, plus / blocks, minus / blocks)

    def series_ohm(self) -> float:
        """Source and lamp in Ω."""
        return self.source.ohm + (self.lamp.ohm() if self.lamp is not None else 0.0)

    def discharge(self, seconds: float, before_block: Callable[["LinearSupply"], None]) -> None:
        """Source away for ``seconds``: the reservoirs feed what is on them."""
        farad, left = self.rails.farad, seconds
        while left > 0.0:
            before_block(self)
            across = max(0.0, self.plus_v - self.minus_v - self.bridge_v) * self.bridge_siemens
            plus_a, minus_a = self.load_plus_a + across, self.load_minus_a + across
            fastest = max(
                abs(plus_a) / max(abs(self.plus_v), 0.05), abs(minus_a) / max(abs(self.minus_v), 0.05), 1e-9
            )
            step = min(left, 0.2 * farad / fastest)
            self.plus_v = _toward_zero(self.plus_v, -plus_a * step / farad)
            self.minus_v = _toward_zero(self.minus_v, minus_a * step / farad)
            left -= step

    def _block(self, trace: list[float]) -> list[float]:
        """One block; returns the resistance ahead of the inlet in Ω, in even parts of it."""
        sines = SINE[self.phase : self.phase + BLOCK]
        self.phase = (self.phase + BLOCK) % STEPS
        if self.remanent_vs != 0.0:
            self._wipe_remanence()
        if self.lamp is None:
            self._step(sines, trace)
            return [self.source.ohm]
        # A filament heats within a half-cycle.
        ohms = []
        for place in range(0, BLOCK, _LAMP_STEPS):
            ohms.append(self.series_ohm())
            self._step(sines[place : place + _LAMP_STEPS], trace)
            square = sum([i * i for i in trace[-_LAMP_STEPS:]]) / _LAMP_STEPS
            self.lamp.advance(_LAMP_STEPS * self.step_s, square)
        return ohms

    def _step(self, sines: list[float], trace: list[float]) -> None:
        first, second = self.winding_a
        alike = self.plus_v == -self.minus_v and self.load_plus_a == self.load_minus_a and first == -second
        if alike and self.short_ohm is None:
            self._alike_steps(sines, trace)
        else:
            self._steps(sines, trace)

    def _wipe_remanence(self) -> None:
        """Accommodation: large flux swings move the point of zero magnetising current back to zero flux.

        Loops smaller than `_MINOR_LOOP` of the design flux leave it where it is.
        """
        design = self.values.magnetising.design_vs
        swing = (self.flux_vs - self.remanent_vs) / design
        beyond = swing * swing - _MINOR_LOOP * _MINOR_LOOP
        if beyond > 0.0:
            rate = 0.5 * abs(self.branch_v) / design * beyond
            self.remanent_vs *= math.exp(-rate * self.block_s)

    def _coefficients(self) -> _Step:
        depends = (self.values, self.series_ohm(), self.inside_ohm, self.leg_ohm, self.branch_siemens)
        if self._of is not None and self._of[0] == depends:
            return self._of[1]
        found = self._work_out(depends[1])
        self._of = (depends, found)
        return found

    def _work_out(self, series_ohm: float) -> _Step:
        values, h = self.values, self.step_s
        henry = self.source.henry + values.primary_leak_h
        ohm = series_ohm + self.inside_ohm + values.primary_ohm
        half = ohm * h / (2.0 * henry)
        drive = h / henry / (1.0 + half)
        lag = values.secondary_leak_h / h
        leg = values.secondary_ohm + lag + self.diode.series_ohm + self.rails.esr_ohm + self.leg_ohm
        shunt = drive + 1.0 / values.core_loss_ohm + self.branch_siemens
        return _Step((1.0 - half) / (1.0 + half), drive, shunt, lag, leg)

    def _alike_steps(self, sines: list[float], trace: list[float]) -> None:
        """Steps with both rails alike: the hot loop. Appends the primary current after each step."""
        log, k = math.log, self._coefficients()
        h, carry, drive, shunt, lag, leg = self.step_s, k.carry, k.drive, k.shunt, k.lag, k.leg
        offsets, slopes, cells, last = self._table
        n, nvt, inverse = self.values.ratio, self.diode.emission * THERMAL_V, 1.0 / self.diode.saturation_a
        n2, nn2, on_v, charge = 2.0 * n, 2.0 * n * n, nvt * log(LEAST_A * inverse), h / self.rails.farad
        bridge, bridge_v, esr, load = (
            self.bridge_siemens, self.bridge_v, self.rails.esr_ohm, self.load_plus_a
        )  # fmt: skip
        i, flux, vm, w, rail = self.primary_a, self.flux_vs, self.branch_v, self.winding_a[0], self.plus_v
        rest = self.remanent_vs / self.values.magnetising.main_h
        cell, peak, append = min(int(abs(flux) * cells), last), drive * self.peak_v, trace.append
        for s in sines:
            slope = slopes[cell]
            iron = slope * flux + offsets[cell] if flux >= 0.0 else slope * flux - offsets[cell]
            across = 2.0 * rail - bridge_v
            drawn = load + across * bridge if across > 0.0 else load
            side = 1.0 if w > 0.0 or (w == 0.0 and vm > 0.0) else -1.0
            size, rail_now = w * side, rail - esr * drawn
            a = carry * i + peak * s
            if size > 0.0 or n * vm * side > rail_now + on_v:
                near = size if size > LEAST_A else LEAST_A
                g = 1.0 / (leg + nvt / near)
                q = side * (lag * size - rail_now - nvt * (log(near * inverse) - 1.0)) * g
                vm = (a - iron + rest - n2 * q) / (shunt + slope * h + nn2 * g)
                w = q + n * g * vm
                if w * side < 0.0:
                    w = 0.0
                rail += charge * (w * side - drawn)
            else:
                vm = (a - iron + rest) / (shunt + slope * h)
                rail -= charge * drawn
            i = a - drive * vm
            flux += h * vm
            cell = int(flux * cells) if flux >= 0.0 else int(-flux * cells)
            if cell > last:
                cell = last
            append(i)
        self.primary_a, self.flux_vs, self.branch_v = i, flux, vm
        self.winding_a, self.plus_v, self.minus_v = (w, -w), rail, -rail

    def _steps(self, sines: list[float], trace: list[float]) -> None:
        """Steps with rails that differ, each winding for itself."""
        k, h, n = self._coefficients(), self.step_s, self.values.ratio
        offsets, slopes, cells, last = self._table
        charge, esr = h / self.rails.farad, self.rails.esr_ohm
        rest = self.remanent_vs / self.values.magnetising.main_h
        for s in sines:
            flux, (wa, wb) = self.flux_vs, self.winding_a
            across = max(0.0, self.plus_v - self.minus_v - self.bridge_v) * self.bridge_siemens
            plus_a, minus_a = self.load_plus_a + across, self.load_minus_a + across
            plus, minus = self.plus_v - esr * plus_a, self.minus_v + esr * minus_a
            cell = min(int(abs(flux) * cells), last)
            iron = slopes[cell] * flux + (offsets[cell] if flux >= 0.0 else -offsets[cell]) - rest
            a = k.carry * self.primary_a + k.drive * self.peak_v * s
            v = n * self.branch_v
            ga, qa, side_a = self._first_leg(k, wa, v, plus, minus, wb)
            gb, qb, side_b = self._leg(
                k, wb, -v, plus + (esr * wa if self.short_ohm is not None else 0.0), minus
            )
            vm = (a - iron - n * (qa - qb)) / (k.shunt + slopes[cell] * h + n * n * (ga + gb))
            wa, wb = qa + n * ga * vm, qb - n * gb * vm
            if wa * side_a < 0.0:
                wa = 0.0
            if wb * side_b < 0.0:
                wb = 0.0
            into_plus = (wa if side_a >= 0.0 else 0.0) + (wb if side_b > 0.0 else 0.0)
            into_minus = (wa if side_a < 0.0 else 0.0) + (wb if side_b < 0.0 else 0.0)
            self.primary_a, self.flux_vs, self.branch_v = a - k.drive * vm, flux + h * vm, vm
            self.winding_a = (wa, wb)
            self.plus_v += charge * (into_plus - plus_a)
            self.minus_v += charge * (into_minus + minus_a)
            trace.append(self.primary_a)

    def _leg(self, k: _Step, w: float, v: float, plus: float, minus: float) -> tuple[float, float, float]:
        """One winding with its two diodes: conductance (S), current at no branch voltage (A), direction.

        Direction is +1 into the plus rail, −1 out of the minus rail, 0 where neither diode conducts.
        """
        diode = self.diode
        nvt, inverse = diode.emission * THERMAL_V, 1.0 / diode.saturation_a
        on_v = nvt * math.log(LEAST_A * inverse)
        if w > 0.0 or (w == 0.0 and v > plus + on_v):
            side, rail = 1.0, plus
        elif w < 0.0 or v < minus - on_v:
            side, rail = -1.0, minus
        else:
            return 0.0, 0.0, 0.0
        near = max(w * side, LEAST_A)
        g = 1.0 / (k.leg + nvt / near)
        return g, (k.lag * w - rail - side * nvt * (math.log(near * inverse) - 1.0)) * g, side

    def _first_leg(
        self, k: _Step, w: float, v: float, plus: float, minus: float, other_a: float
    ) -> tuple[float, float, float]:
        """The first winding, whose plus diode may be shorted (then it conducts both ways, direction 0)."""
        if self.short_ohm is None:
            return self._leg(k, w, v, plus, minus)
        g = 1.0 / (self.values.secondary_ohm + k.lag + self.short_ohm + self.rails.esr_ohm)
        shared = self.rails.esr_ohm * max(0.0, other_a)
        return g, (k.lag * w - plus - shared) * g, 0.0

    # --- slow electrical states ---------------------------------------------------------------------------
    def states(self) -> tuple[float, ...]:
        """Both reservoirs (V), flux at this phase and remanence (V·s), the lamp's temperature (of rated)."""
        warmth = self.lamp.temperature if self.lamp is not None else 0.0
        return self.plus_v, self.minus_v, self.flux_vs, self.remanent_vs, warmth

    def scales(self) -> tuple[float, ...]:
        """What counts as a whole change of each of the states."""
        rail = max(self.plus_v, -self.minus_v, self.least_scale_v)
        return rail, rail, math.inf, math.inf, 0.3

    def project(self, changes: tuple[float, ...]) -> None:
        """Add to the states; the primary current follows the flux."""
        self.move_rails(changes[0], changes[1])
        self._move_flux(changes[2], changes[3])
        if self.lamp is not None:
            self.lamp.shift(changes[4])

    def move_rails(self, plus_v: float, minus_v: float) -> None:
        """Add to the reservoirs (V); alike rails stay alike to the last digit."""
        alike = self.plus_v == -self.minus_v
        self.plus_v += plus_v
        self.minus_v = -self.plus_v if alike else self.minus_v + minus_v

    def retune(self, factor: float) -> None:
        """The source's amplitude changed slowly by ``factor``; the flux has followed."""
        self.peak_v *= factor
        self.flux_vs *= factor

    def _move_flux(self, flux_vs: float, remanent_vs: float) -> None:
        self.flux_vs += flux_vs
        self.remanent_vs += remanent_vs
        self.primary_a += (flux_vs - remanent_vs) / self.values.magnetising.main_h

    def offset(self, rates: Rates, dc_shift_a: float, shift: tuple[float, ...]) -> FluxOffset:
        """How the flux offset will go on, from the change of DC (A) and states over the last cycle."""
        iron, cycle_s = self.values.magnetising, STEPS * self.step_s
        ohm = self.series_ohm() + self.inside_ohm + self.values.primary_ohm
        # The mean flux changes by what the resistance drops; the states' flux also by the swing's changes.
        change_vs = -ohm * rates.i_dc * cycle_s - shift[3]
        henry = change_vs / dc_shift_a if abs(dc_shift_a) > 1e-9 else iron.main_h
        if not 0.02 * iron.main_h < henry < 5.0 * iron.main_h:
            henry = iron.main_h
        wipe = -shift[3] / cycle_s / self.remanent_vs if self.remanent_vs != 0.0 else 0.0
        swing = self.peak_v * cycle_s / (2.0 * math.pi)
        distance = sum(self._fluxes) / len(self._fluxes) - self.remanent_vs if self._fluxes else 0.0
        if abs(rates.i_dc) * henry > abs(distance):
            # With the DC gone the flux rests about the remanence: it can't move by more than its distance.
            henry = max(abs(distance / rates.i_dc), 1e-6 * iron.main_h)
        return FluxOffset(rates.i_dc, self.remanent_vs, max(0.0, wipe), ohm, henry, swing, distance)

    def move_offset(self, offset: FluxOffset) -> None:
        """Take over where a held flux offset has gone."""
        self._move_flux(offset.moved_vs, offset.wiped_vs)

    def may_jump(self) -> bool:
        """Nothing here waits for a moment of its own."""
        return True

    def may_hold(self, rates: Rates) -> bool:
        """Whether a flux offset may die away by itself without changing anything else worth a percent."""
        iron = self.values.magnetising
        swing = self.peak_v * self.step_s * STEPS / (2.0 * math.pi)
        offset = abs(rates.i_dc) * iron.main_h + abs(self.remanent_vs)
        return swing + offset < iron.straight_vs() or rates.i_dc**2 < 0.003 * rates.i2

    def series_w(self, rates: Rates) -> float:
        """Lost in what warms in series, in W."""
        return rates.i2 * self.lamp.ohm() if self.lamp is not None else 0.0

    def warm(self, seconds: float, square_a2: float) -> None:
        """Heat what lies in series for ``seconds`` with this mean square current (A²)."""
        if self.lamp is not None:
            self.lamp.advance(seconds, square_a2)


def _toward_zero(value: float, change: float) -> float:
    """The value after a change, which doesn't take it through zero."""
    after = value + change
    return after if after * value > 0.0 else 0.0
