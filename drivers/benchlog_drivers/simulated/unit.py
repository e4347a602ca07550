"""One energised unit behind one source: the physical model that the simulated meters read.

Time moves only by ``advance``; every figure is true for exactly the interval moved, and knows nothing of any
meter. The inside: a supply at waveform level (``physics_linear``, ``physics_switch``), followed through time
(``physics_follow``), the amplifier on its rails (``physics_load``), fuse and lamp.
"""

import math
from dataclasses import dataclass

import numpy as np

from benchlog.model.unit import Supply
from benchlog.model.wave import Waveform
from benchlog_drivers.simulated.faults import Fault, check_fault
from benchlog_drivers.simulated.lamp import Filament, series_lamp
from benchlog_drivers.simulated.physics_follow import Follower
from benchlog_drivers.simulated.physics_linear import BLOCK, STEPS, LinearSupply
from benchlog_drivers.simulated.physics_load import AmplifierLoad, RailLoad
from benchlog_drivers.simulated.physics_switch import SwitchModeSupply
from benchlog_drivers.simulated.physics_trace import DEAD, Rates
from benchlog_drivers.simulated.unit_fuse import FuseWire
from benchlog_drivers.simulated.unit_params import SourceImpedance, UnitParams, variable_transformer


@dataclass(frozen=True, slots=True)
class Aperture:
    """True figures over exactly the interval that was advanced (A, V, W, °C; r.m.s. unless said)."""

    seconds: float
    current_rms_a: float
    current_ac_rms_a: float
    """Without the DC."""
    current_dc_a: float
    current_peak_a: float
    """Largest magnitude, with its sign."""
    current_rectified_mean_a: float
    """Mean of |i|, for average-responding meters (they show 1.1107 times it)."""
    voltage_rms_v: float
    """At the unit's inlet, behind source impedance and lamp."""
    power_w: float
    rail_plus_v: float
    """Mean, behind the rail fuse: what a probe in the amplifier sees."""
    rail_minus_v: float
    reservoir_plus_v: float
    """Mean, at the reservoir's own terminals."""
    reservoir_minus_v: float
    output_dc_v: float
    """At the amplifier side of any loudspeaker relay, nothing connected."""
    heatsink_c: float
    bias_a: float
    destroyed: bool
    fuse_open: bool


class _Tally:
    """Sums rates over the pieces of an aperture."""

    def __init__(self) -> None:
        self.seconds = 0.0
        self.mean = DEAD

    def add(self, seconds: float, rates: Rates) -> None:
        self.seconds += seconds
        peak = rates.peak_a if abs(rates.peak_a) > abs(self.mean.peak_a) else self.mean.peak_a
        mixed = self.mean.toward(rates, seconds / self.seconds)
        self.mean = Rates(
            mixed.i2, mixed.i_dc, mixed.i_abs, mixed.v2, mixed.power_w, mixed.plus_v, mixed.minus_v, peak
        )


class SimulatedUnit:
    """One energised unit behind one source."""

    def __init__(
        self,
        params: UnitParams,
        fault: Fault = Fault.NONE,
        fault_at_s: float = 0.0,
        lamp_w: float | None = None,
        source: SourceImpedance | None = None,
    ) -> None:
        """Cold, discharged and off.

        ``fault`` begins ``fault_at_s`` seconds after power was first applied. ``lamp_w`` puts a lamp of that
        many watts in series ahead of the inlet. ``UsageError`` where the unit can't have the fault.
        """
        check_fault(params.amplifier, params.supply, fault)
        self.params = params
        self.fault = fault
        self.fault_at_s = fault_at_s
        self.lamp = Filament(series_lamp(lamp_w, params.mains_v)) if lamp_w else None
        self.load = AmplifierLoad(params, fault)
        self.fuse = FuseWire(params.fuse)
        self.powered_s = 0.0
        """Since power was first applied."""
        self.source_v = 0.0
        self.source_on = False
        self.fuse_open = False
        self._dice = np.random.default_rng([params.seed, 77])
        self._rail_load = RailLoad()
        self._relay = False
        self._on_s = 0.0
        self._owed_s = 0.0
        self._first_on = False
        impedance = source or variable_transformer(params.mains_v)
        self.supply: LinearSupply | SwitchModeSupply
        if params.supply is Supply.SWITCH_MODE:
            assert params.switch_mode is not None
            self.supply = SwitchModeSupply(params.switch_mode, impedance, params.mains_hz)
        else:
            self.supply = LinearSupply(
                params.transformer, params.diode, params.rails, impedance, params.mains_hz
            )
            flux = params.start_flux * params.transformer.magnetising.design_vs
            self.supply.flux_vs = self.supply.remanent_vs = flux
        self.follower = Follower(self.supply, self._before_block)
        self._last = DEAD

    # --- source -------------------------------------------------------------------------------------------
    def set_source(self, volts_rms: float, on: bool, phase_deg: float | None = None) -> None:
        """Source setting from the present instant on; the phase of a switch-on is drawn unless given."""
        was_live = self._live()
        before = self.source_v
        self.source_v, self.source_on = volts_rms, on
        if on and volts_rms > 0.0:
            self._first_on = True
        live = self._live()
        if was_live and not live:
            self._disconnect()
        elif live and not was_live:
            degrees = self._dice.uniform(0.0, 360.0) if phase_deg is None else phase_deg
            self.supply.phase = int(degrees / 360.0 * STEPS / BLOCK) * BLOCK % STEPS
            self.supply.peak_v = math.sqrt(2.0) * volts_rms
            self.follower.wake(6)
        elif live and volts_rms != before:
            self.follower.wake(6 if abs(volts_rms - before) > 0.02 * max(before, volts_rms) else 2)
            self.supply.peak_v = math.sqrt(2.0) * volts_rms

    def _live(self) -> bool:
        return self.source_on and self.source_v > 0.0 and not self.fuse_open

    def _disconnect(self) -> None:
        self.follower.wake(6)
        self.supply.switch_off()
        self.supply.peak_v = 0.0
        self._on_s = 0.0
        self._relay = False

    # --- time -----------------------------------------------------------------------------------------------
    def advance(self, seconds: float) -> Aperture:
        """Move simulated time on and return the true figures over that interval.

        The grid is 1/16 cycle: what is left below it is owed to the next call.
        """
        tally = _Tally()
        owed = self._owed_s + seconds
        while owed > 0.5 * self.supply.block_s:
            elapsed, rates = self._piece(owed)
            owed -= elapsed
            tally.add(elapsed, rates)
            self._last = rates
        self._owed_s = owed
        if tally.seconds == 0.0:
            tally.add(self.supply.block_s, self._last)
        return self._aperture(tally)

    def waveform(self, seconds: float, rate_hz: float) -> Waveform:
        """True sampled inlet voltage and current over the next ``seconds``, while advancing by them.

        Samples between the model's own steps (256 a cycle) are interpolated linearly.
        """
        block_s = self.supply.block_s
        blocks = max(1, round((self._owed_s + seconds) / block_s))
        step_s = block_s / BLOCK
        wanted = np.arange(round(seconds * rate_hz)) / rate_hz
        currents, volts = [np.zeros(1)], []
        if self._live():
            self.follower.wake(6)
        for _ in range(blocks):
            live = self._live()
            elapsed, rates = self._piece(block_s)
            self._last = rates
            if live:
                currents.append(self.supply.last_trace[1:])
                volts.append(self.supply.last_inlet_v)
            else:
                currents.append(np.zeros(BLOCK))
                volts.append(np.zeros(BLOCK))
        self._owed_s += seconds - blocks * block_s
        at = np.arange(blocks * BLOCK + 1) * step_s
        i = np.interp(wanted, at, np.concatenate(currents))
        v = np.interp(wanted, at[:-1] + 0.5 * step_s, np.concatenate(volts))
        return Waveform(v, i, rate_hz)

    def _piece(self, seconds: float) -> tuple[float, Rates]:
        """Move on by at most ``seconds`` and not past anything that happens by itself."""
        seconds = min(seconds, 0.25)
        self._happenings()
        if self._first_on and self.powered_s < self.fault_at_s:
            seconds = min(seconds, max(self.fault_at_s - self.powered_s, self.supply.block_s))
        if self._live():
            elapsed, rates = self.follower.advance(seconds, self._demand)
            self._on_s += elapsed
        else:
            self._discharge(seconds)
            v2 = self.source_v**2 if self.source_on else 0.0
            elapsed, rates = (
                seconds,
                Rates(0.0, 0.0, 0.0, v2, 0.0, self.supply.plus_v, self.supply.minus_v, 0.0),
            )
        if self._first_on:
            self.powered_s += elapsed
        self._slow(elapsed, rates)
        return elapsed, rates

    def _happenings(self) -> None:
        """Fault onset, soft-start relay: what changes the circuit by itself."""
        if not self.load.fault_on and self._first_on and self.powered_s >= self.fault_at_s - 1e-9:
            self.load.fault_on = True
            self._enter_fault()
        share = self.source_v / self.params.mains_v
        relay = self._on_s > 0.15 and share > (0.5 if self._relay else 0.78)
        if relay != self._relay:
            self._relay = relay
            if self._soft_ohm() != self.supply.inside_ohm:
                self.follower.wake(6)
        self.supply.inside_ohm = self._soft_ohm()

    def _soft_ohm(self) -> float:
        if self.load.fault_on and self.fault is Fault.SOFT_START_STUCK:
            return self.params.faults.soft_start_ohm
        return 0.0 if self._relay else self.params.soft_start_ohm

    def _enter_fault(self) -> None:
        if self.fault is Fault.NONE:
            return
        if self.fault is Fault.OPEN_MAINS_FUSE:
            self._open_fuse()
            return
        faults, supply = self.params.faults, self.supply
        if self._live():
            self.follower.wake(6)
        if self.fault is Fault.SHORTED_RECTIFIER:
            supply.short_ohm = 0.02
        if isinstance(supply, LinearSupply):
            if self.fault is Fault.WRONG_VOLTAGE_TAP:
                supply.set_transformer(self.params.transformer.on_tap(faults.tap_share))

    def _open_fuse(self) -> None:
        if self._live():
            self._disconnect()
        self.fuse_open = True

    def _slow(self, seconds: float, rates: Rates) -> None:
        """Everything slower than a cycle."""
        self.load.advance(seconds, rates.plus_v, rates.minus_v, math.sqrt(rates.v2) if self._live() else 0.0)
        if self.lamp is not None and self.follower.held is not None:
            self.lamp.advance(seconds, rates.i2)
        if self.fuse.advance(seconds, rates.i2):
            self._open_fuse()
        if self.follower.held is not None:
            self.follower.drift(self._demand())

    def _before_block(self, square_a2: float) -> None:
        """Tell the circuit what hangs on it, ahead of each block of waveform."""
        supply, load = self.supply, self._rail_load
        if self.lamp is not None:
            self.lamp.advance(supply.block_s, square_a2)
            supply.series_ohm = self.lamp.ohm()
        if isinstance(supply, SwitchModeSupply):
            assert self.params.switch_mode is not None
            supply.load_w = self.params.switch_mode.idle_w
            return
        self.load.draw(supply.plus_v, supply.minus_v, load)
        supply.load_plus_a, supply.load_minus_a = load.plus_a, load.minus_a
        supply.bridge_siemens, supply.bridge_v = load.bridge_siemens, load.bridge_v
        supply.branch_siemens = self._branch_siemens()

    def _branch_siemens(self) -> float:
        siemens = 0.0
        if self.load.fault_on and self.fault is Fault.SHORTED_TURNS:
            siemens += 1.0 / self.params.faults.turns_ohm
        if self.load.heaters is not None:
            siemens += 1.0 / self.load.heaters.ohm()
        return siemens

    def _demand(self) -> float:
        """What the supply must deliver at the held voltages in W: the measure of drift."""
        supply, held = self.supply, self._last
        if isinstance(supply, SwitchModeSupply):
            return supply.load_w if supply.running else 0.0
        load = self._rail_load
        self.load.draw(held.plus_v, held.minus_v, load)
        bridge = max(0.0, (held.plus_v - held.minus_v - load.bridge_v) * load.bridge_siemens)
        watts = held.plus_v * (load.plus_a + bridge) - held.minus_v * (load.minus_a + bridge)
        watts += held.v2 * self._branch_siemens()
        if self.lamp is not None:
            watts += held.i2 * self.lamp.ohm()
        return watts

    def _discharge(self, seconds: float) -> None:
        """Source away: the reservoirs feed what is on them."""
        supply, left = self.supply, seconds
        if isinstance(supply, SwitchModeSupply):
            values = self.params.switch_mode
            assert values is not None
            while left > 0.0:
                step = min(left, 0.01)
                supply.bulk_v = max(0.0, supply.bulk_v - supply._converter_a() * step / values.bulk_farad)
                left -= step
            return
        load, farad = self._rail_load, self.params.rails.farad
        while left > 0.0:
            self.load.draw(supply.plus_v, supply.minus_v, load)
            across = max(0.0, supply.plus_v - supply.minus_v - load.bridge_v) * load.bridge_siemens
            plus_a, minus_a = load.plus_a + across, load.minus_a + across
            fastest = max(
                abs(plus_a) / max(supply.plus_v, 0.05), abs(minus_a) / max(-supply.minus_v, 0.05), 1e-9
            )
            step = min(left, 0.2 * farad / fastest)
            supply.plus_v -= plus_a * step / farad
            supply.minus_v += minus_a * step / farad
            left -= step

    def _aperture(self, tally: _Tally) -> Aperture:
        mean, load = tally.mean, self.load
        rail_plus, rail_minus = load.behind_fuses(mean.plus_v, mean.minus_v)
        return Aperture(
            tally.seconds,
            math.sqrt(mean.i2),
            math.sqrt(max(0.0, mean.i2 - mean.i_dc**2)),
            mean.i_dc,
            mean.peak_a,
            mean.i_abs,
            math.sqrt(mean.v2),
            mean.power_w,
            rail_plus,
            rail_minus,
            mean.plus_v,
            mean.minus_v,
            load.output_dc_v(mean.plus_v, mean.minus_v),
            load.heatsink_c,
            load.bias_a(rail_plus, -rail_minus),
            load.destroyed,
            self.fuse_open,
        )
