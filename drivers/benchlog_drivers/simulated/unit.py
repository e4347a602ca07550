"""One energised unit behind one source: the physical model that the simulated meters read.

Time moves only by ``advance``; every figure is true for exactly the interval moved and knows nothing of any
meter. Inside: a supply at waveform level (``physics_linear``, ``physics_switch``), followed through time
(``physics_follow``), the amplifier on its rails (``physics_load``), the mains fuse and a series lamp.
"""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from benchlog.model.unit import Supply
from benchlog.model.wave import Waveform
from benchlog_drivers.simulated.faults import Fault, check_fault
from benchlog_drivers.simulated.lamp import Filament, series_lamp
from benchlog_drivers.simulated.physics_follow import BIG_CHANGE, SMALL_CHANGE, Follower
from benchlog_drivers.simulated.physics_linear import BLOCK, STEPS, LinearSupply
from benchlog_drivers.simulated.physics_load import AmplifierLoad
from benchlog_drivers.simulated.physics_switch import SwitchModeSupply
from benchlog_drivers.simulated.physics_tape import Tape
from benchlog_drivers.simulated.physics_trace import NOTHING, Floats, Rates, merge
from benchlog_drivers.simulated.unit_fuse import FuseWire
from benchlog_drivers.simulated.unit_params import SourceImpedance, UnitParams, variable_transformer

RELAY_S = 0.15
"""Delay of a soft-start relay, in s."""
RELAY_IN, RELAY_OUT = 0.78, 0.5
"""Fractions of nominal mains at which a soft-start relay pulls in and drops out (common practice)."""
SHORTED_DIODE_OHM = 0.02
_LONGEST_S, _LONGEST_REST_S = 0.25, 0.5


@dataclass(frozen=True, slots=True)
class Aperture:
    """True figures over exactly the interval that was advanced (A, V, W, °C; r.m.s. and means over it)."""

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
    """Behind the rail fuse: what a probe in the amplifier sees."""
    rail_minus_v: float
    reservoir_plus_v: float
    """At the reservoir's own terminals."""
    reservoir_minus_v: float
    output_dc_v: float
    """At the amplifier side of any loudspeaker relay, nothing connected."""
    heatsink_c: float
    bias_a: float
    bias_ratio: float
    """Bias by heat and fault, of what it should be cold."""
    destroyed: bool
    fuse_open: bool


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
        many watts in series ahead of the inlet; ``source`` is a usual variable transformer where not given.
        ``UsageError`` where the unit can't have the fault.
        """
        check_fault(params.amplifier, params.supply, fault)
        self.params = params
        self.fault = fault
        self.fault_at_s = fault_at_s
        self.load = AmplifierLoad(params, fault)
        self.fuse = FuseWire(params.fuse)
        self.fuse_open = False
        self.powered_s = 0.0
        """Since power was first applied."""
        self.source_v = 0.0
        self.source_on = False
        lamp = Filament(series_lamp(lamp_w, params.mains_v)) if lamp_w else None
        impedance = source or variable_transformer(params.mains_v)
        self.supply: LinearSupply | SwitchModeSupply = make_supply(params, impedance, lamp)
        self.follower: Follower[Any] = Follower(self.supply, self._load_supply, self._demand_w)
        self._dice = np.random.default_rng([params.seed, 77])
        self._was_powered = False
        self._relay_in = False
        self._on_s = 0.0
        self._owed_s = 0.0
        self._last = NOTHING
        self._tape = Tape()
        self._rested_s = self._rest_limit_s = 0.0
        self._last_aperture = self._aperture(0.0, NOTHING)

    # --- source -----------------------------------------------------------------------------------------
    def set_source(self, volts_rms: float, on: bool, phase_deg: float | None = None) -> None:
        """No-load volts of the source from the present instant on.

        The phase of a switch-on is drawn from the seed unless given (to 1/16 cycle); a change of voltage
        keeps the phase.
        """
        if (volts_rms, on) == (self.source_v, self.source_on):
            return
        self._catch_up()
        self._rest_limit_s = 0.0
        was_live, before = self._is_live(), self.source_v
        self.source_v, self.source_on = volts_rms, on
        live = self._is_live()
        if was_live and not live:
            self._disconnect()
        elif live and not was_live:
            self._connect(phase_deg)
        elif live and volts_rms != before:
            self.follower.change_voltage(math.sqrt(2.0) * volts_rms)

    def _is_live(self) -> bool:
        return self.source_on and self.source_v > 0.0 and not self.fuse_open

    def _connect(self, phase_deg: float | None) -> None:
        self._was_powered = True
        degrees = self._dice.uniform(0.0, 360.0) if phase_deg is None else phase_deg
        self.supply.phase = int(degrees / 360.0 * STEPS / BLOCK) * BLOCK % STEPS
        self.follower.wake(BIG_CHANGE)
        self.supply.peak_v = math.sqrt(2.0) * self.source_v

    def _disconnect(self) -> None:
        self.follower.wake(BIG_CHANGE)
        self.supply.switch_off()
        self.supply.peak_v = 0.0
        self._on_s = 0.0
        self._relay_in = False

    # --- time -------------------------------------------------------------------------------------------
    def advance(self, seconds: float) -> Aperture:
        """Move simulated time on and return the true figures over that interval.

        The grid is 1/16 cycle: what is left below half of it is owed to the next call; an interval shorter
        than that returns the figures of the last one.
        """
        if self._rests(seconds):
            return self._last_aperture
        self._catch_up()
        parts: list[tuple[float, Rates]] = []
        owed = self._owed_s + seconds
        while owed > 0.5 * self.supply.block_s:
            elapsed, rates = self._piece(owed)
            owed -= elapsed
            parts.append((elapsed, rates))
        self._owed_s = owed
        if not parts:
            parts.append((self.supply.block_s, self._last))
        self._plan_rest(parts)
        self._last = parts[-1][1]
        self._last_aperture = self._aperture(sum(elapsed for elapsed, _ in parts), merge(parts))
        return self._last_aperture

    def _plan_rest(self, parts: list[tuple[float, Rates]]) -> None:
        """How long nothing need be looked at: longer and longer while held rates all but stand still."""
        now, before = parts[-1][1], self._last
        still = self.follower.held is not None and self._is_live() and len(parts) == 1
        if still and abs(now.i2 - before.i2) < 5e-4 * now.i2 and abs(now.i_dc) < 0.01 * math.sqrt(now.i2):
            self._rest_limit_s = min(_LONGEST_REST_S, 2.0 * self._rest_limit_s + 0.1)
        else:
            self._rest_limit_s = 0.0

    def _rests(self, seconds: float) -> bool:
        """Whether the last aperture may simply be repeated for these seconds."""
        until_fault_s = self.fault_at_s - self.powered_s if not self.load.fault_on else math.inf
        if self._rested_s + seconds > self._rest_limit_s or seconds > until_fault_s:
            return False
        if abs(seconds - self._last_aperture.seconds) > 1e-9:
            return False
        self._rested_s += seconds
        self.powered_s += seconds
        self._on_s += seconds
        return True

    def _catch_up(self) -> None:
        """Bring what is slow to the present after a rest."""
        seconds, self._rested_s = self._rested_s, 0.0
        if seconds > 0.0:
            self.follower.pass_held(seconds)
            self._slow(seconds, self._last)

    def waveform(self, seconds: float, rate_hz: float) -> Waveform:
        """True inlet voltage and current over the next ``seconds``, sampled at ``rate_hz``, while advancing.

        Between the model's own steps (256 a cycle) the samples run straight.
        """
        block_s = self.supply.block_s
        self._catch_up()
        self._rest_limit_s = 0.0
        blocks = max(1, round((self._owed_s + seconds) / block_s))
        currents, volts = [np.zeros(1)], []
        for _ in range(blocks):
            live = self._is_live()
            if live and self.follower.held is not None:
                self.follower.wake(BIG_CHANGE)
            _, self._last = self._piece(block_s)
            currents.append(self.supply.last_trace[1:] if live else np.zeros(BLOCK))
            volts.append(self.supply.last_inlet_v if live else np.zeros(BLOCK))
        self._owed_s += seconds - blocks * block_s
        steps = np.arange(blocks * BLOCK + 1) * (block_s / BLOCK)
        wanted = np.arange(round(seconds * rate_hz)) / rate_hz
        i = np.interp(wanted, steps, np.concatenate(currents))
        v = np.interp(wanted, steps[:-1] + 0.5 * block_s / BLOCK, np.concatenate(volts))
        return Waveform(v, i, rate_hz)

    def trace(self, seconds: float) -> Waveform:
        """Inlet voltage and current while advancing by whole blocks, at the middles of the model's own steps.

        Traces that follow each other join without a gap or an overlap; one may be empty, as what is left
        below half a block is owed to the next.
        """
        block_s = self.supply.block_s
        self._catch_up()
        self._rest_limit_s = 0.0
        blocks = max(0, round((self._owed_s + seconds) / block_s))
        self._owed_s += seconds - blocks * block_s
        parts = [(np.zeros(0), np.zeros(0))]
        while blocks > 0:
            count, part = self._heard(blocks)
            parts.append(part)
            blocks -= count
        volts, currents = zip(*parts, strict=True)
        return Waveform(np.concatenate(volts), np.concatenate(currents), BLOCK / block_s)

    def _heard(self, blocks: int) -> tuple[int, tuple[Floats, Floats]]:
        """At most so many blocks of a trace: nothing, a held cycle again, or one block of waveform."""
        block_s, follower, tape = self.supply.block_s, self.follower, self._tape
        self._happen()
        if not self._is_live():
            tape.clear()
            _, self._last = self._piece(blocks * block_s)
            return blocks, (np.zeros(blocks * BLOCK), np.zeros(blocks * BLOCK))
        if follower.held is not None and (follower.due or not tape.whole):
            follower.wake(SMALL_CHANGE if tape.whole else BIG_CHANGE)
        if follower.held is not None:
            ahead_s = self.fault_at_s - self.powered_s
            count = min(blocks, max(int(ahead_s / block_s), 1)) if ahead_s > 0.0 else blocks
            _, self._last = self._piece(count * block_s)
            return count, tape.play(count, self._last)
        _, self._last = self._piece(block_s)
        ends, volts = self.supply.last_trace, self.supply.last_inlet_v
        part = volts.copy(), 0.5 * (ends[:-1] + ends[1:])
        tape.add(*part)
        return 1, part

    def standing(self) -> Aperture:
        """The figures of the last stretch, without advancing."""
        return self._aperture(self.supply.block_s, self._last)

    def _piece(self, seconds: float) -> tuple[float, Rates]:
        """Move on by at most ``seconds`` and not past anything that happens by itself."""
        seconds = min(seconds, _LONGEST_S)
        if self._was_powered and self.powered_s < self.fault_at_s:
            seconds = min(seconds, max(self.fault_at_s - self.powered_s, self.supply.block_s))
        self._happen()
        if self._is_live():
            elapsed, rates = self.follower.advance(seconds)
            self._on_s += elapsed
        else:
            elapsed, rates = seconds, self._unpowered(seconds)
        if self._was_powered:
            self.powered_s += elapsed
        self._slow(elapsed, rates)
        return elapsed, rates

    def _unpowered(self, seconds: float) -> Rates:
        supply: Any = self.supply
        supply.discharge(seconds, self._load_supply)
        square_v2 = self.source_v**2 if self.source_on else 0.0
        return Rates(0.0, 0.0, 0.0, square_v2, 0.0, supply.plus_v, supply.minus_v, 0.0)

    def _happen(self) -> None:
        """What changes the circuit by itself: the fault's onset, the soft-start relay."""
        if not self.load.fault_on and self._was_powered and self.powered_s >= self.fault_at_s - 1e-9:
            self.load.fault_on = True
            self._enter_fault()
        share = self.source_v / self.params.mains_v
        self._relay_in = self._on_s > RELAY_S and share > (RELAY_OUT if self._relay_in else RELAY_IN)
        ohm = 0.0 if self._relay_in else self.params.soft_start_ohm
        if self.load.has(Fault.SOFT_START_STUCK):
            ohm = self.params.faults.soft_start_ohm
        if ohm != self.supply.inside_ohm:
            if self._is_live():
                self.follower.wake(BIG_CHANGE)
            self.supply.inside_ohm = ohm

    def _enter_fault(self) -> None:
        """Faults that change the circuit itself; the others live in the load."""
        if self.fault is Fault.NONE:
            return
        if self.fault is Fault.OPEN_MAINS_FUSE:
            self._open_fuse()
        elif self._is_live():
            self.follower.wake(BIG_CHANGE)
        if self.fault is Fault.SHORTED_RECTIFIER:
            self.supply.short_ohm = SHORTED_DIODE_OHM
        if self.fault is Fault.WRONG_VOLTAGE_TAP and isinstance(self.supply, LinearSupply):
            self.supply.set_transformer(self.params.transformer.on_tap(self.params.faults.tap_share))

    def _open_fuse(self) -> None:
        if self._is_live():
            self._disconnect()
        self.fuse_open = True

    def _slow(self, seconds: float, rates: Rates) -> None:
        """Everything slower than a cycle."""
        inlet_v = math.sqrt(rates.v2) if self._is_live() else 0.0
        destroyed = self.load.destroyed
        self.load.advance(seconds, rates.plus_v, rates.minus_v, inlet_v)
        if self.load.destroyed and not destroyed and self._is_live():
            self.follower.wake(BIG_CHANGE)
        if not self._is_live():
            self.supply.warm(seconds, 0.0)
        if self.fuse.advance(seconds, rates.i2):
            self._open_fuse()

    # --- what the supply feeds --------------------------------------------------------------------------
    def _load_supply(self, supply: LinearSupply | SwitchModeSupply) -> None:
        """Hang on a supply what it feeds at its present voltages."""
        load = self.load.draw(supply.plus_v, supply.minus_v)
        if isinstance(supply, SwitchModeSupply):
            across = max(0.0, supply.plus_v - supply.minus_v - load.bridge_v) * load.bridge_siemens
            supply.converter.rail_a = 0.5 * (load.plus_a + load.minus_a) + across
            return
        supply.load_plus_a, supply.load_minus_a = load.plus_a, load.minus_a
        supply.bridge_siemens, supply.bridge_v = load.bridge_siemens, load.bridge_v
        supply.branch_siemens = self._branch_siemens()
        if self.params.valves is not None:
            supply.leg_ohm = self._leg_ohm()

    def _leg_ohm(self) -> float:
        valves = self.params.valves
        return valves.leg_ohm(self.load.emission()) if valves is not None else 0.0

    def _branch_siemens(self) -> float:
        """Across the magnetising branch: shorted turns, heaters."""
        siemens = 0.0
        if self.load.has(Fault.SHORTED_TURNS):
            siemens += 1.0 / self.params.faults.turns_ohm
        if self.load.heaters is not None:
            siemens += 1.0 / self.load.heaters.ohm()
        return siemens

    def _demand_w(self, rates: Rates) -> float:
        """What the load, as it is by now, would draw at the voltages of ``rates`` (W)."""
        watts = self.load.draw(rates.plus_v, rates.minus_v).watts(rates.plus_v, rates.minus_v)
        watts += rates.v2 * self._branch_siemens()
        if isinstance(self.supply, LinearSupply) and self.supply.leg_ohm > 0.0:
            watts += self._rectified_w(rates.v2, self._leg_ohm())
        if isinstance(self.supply, SwitchModeSupply):
            watts += 0.01
        return watts

    def _rectified_w(self, square_v2: float, leg_ohm: float) -> float:
        """What a valve rectifier that warms would let through to a load like this, in W."""
        params = self.params
        open_v = 2.0 * params.transformer.ratio * math.sqrt(2.0 * square_v2)
        return open_v**2 / (2.0 * leg_ohm + 2.0 * params.rails.nominal_v / params.front_end.bias_a)

    def _aperture(self, seconds: float, mean: Rates) -> Aperture:
        load = self.load
        rail_plus, rail_minus = load.behind_fuses(mean.plus_v, mean.minus_v)
        return Aperture(
            seconds=seconds,
            current_rms_a=math.sqrt(mean.i2),
            current_ac_rms_a=math.sqrt(max(0.0, mean.i2 - mean.i_dc**2)),
            current_dc_a=mean.i_dc,
            current_peak_a=mean.peak_a,
            current_rectified_mean_a=mean.i_abs,
            voltage_rms_v=math.sqrt(mean.v2),
            power_w=mean.power_w,
            rail_plus_v=rail_plus,
            rail_minus_v=rail_minus,
            reservoir_plus_v=mean.plus_v,
            reservoir_minus_v=mean.minus_v,
            output_dc_v=load.output_dc_v(mean.plus_v, mean.minus_v),
            heatsink_c=load.heatsink_c,
            bias_a=load.bias_a(rail_plus, rail_minus),
            bias_ratio=load.bias_ratio(),
            destroyed=load.destroyed,
            fuse_open=self.fuse_open,
        )


def make_supply(
    params: UnitParams, source: SourceImpedance, lamp: Filament | None = None
) -> LinearSupply | SwitchModeSupply:
    """The supply of a unit behind a source, discharged, with the remanence it was left with."""
    if params.supply is Supply.SWITCH_MODE:
        if params.switch_mode is None:
            raise ValueError("a switch-mode unit needs its supply's values")
        return SwitchModeSupply(params.switch_mode, source, params.mains_hz, lamp)
    supply = LinearSupply(params.transformer, params.diode, params.rails, source, params.mains_hz, lamp)
    if params.valves is not None and params.valves.rectifier_ohm > 0.0:
        supply.least_scale_v = 0.3 * params.rails.nominal_v
    supply.flux_vs = supply.remanent_vs = params.start_flux * params.transformer.magnetising.design_vs
    return supply
