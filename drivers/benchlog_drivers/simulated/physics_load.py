"""What hangs on the rails: front end, bias against heat, valves, and the faults that live there."""

import math
from dataclasses import dataclass

from benchlog.model.unit import Amplifier
from benchlog_drivers.simulated.faults import Fault
from benchlog_drivers.simulated.lamp import Filament
from benchlog_drivers.simulated.unit_params import THERMAL_V, FrontEnd, UnitParams

AMBIENT_C = 23.0
"""Air of the workshop in °C."""
DESTROYED_NEPERS = 2.5
"""Bias at which a runaway ends: e^2.5 = 12 times its cold value."""
WAKE_SOFTNESS_V = 0.8


@dataclass(slots=True)
class RailLoad:
    """What is drawn: from each rail (A, positive), and from rail to rail above a junction's voltage."""

    plus_a: float = 0.0
    minus_a: float = 0.0
    bridge_siemens: float = 0.0
    bridge_v: float = 0.0


def bias_share(front: FrontEnd, rail_v: float) -> float:
    """Share of the bias current that flows at this rail voltage (V): 0 asleep, 1 awake."""
    above = (rail_v - front.wake_v) / WAKE_SOFTNESS_V
    soft = above if above > 40.0 else math.log1p(math.exp(above))
    return math.tanh(soft * WAKE_SOFTNESS_V / front.wake_width_v)


class AmplifierLoad:
    """The amplifier behind the supply, with its slow states."""

    def __init__(self, params: UnitParams, fault: Fault) -> None:
        """Cold; ``fault`` acts from the moment ``fault_on`` is set."""
        self.params = params
        self.fault = fault
        self.fault_on = False
        self.destroyed = False
        self.nepers = 0.0
        """ln(bias ÷ cold bias)."""
        self.heatsink_c = AMBIENT_C
        self.formed_v = params.faults.reform_v
        self.heaters = Filament(params.valves.heaters) if params.valves else None
        self.cathode = params.valves.heaters.cold_temperature if params.valves else 1.0
        self.bridge_a = 0.0
        self._shares = (0.0, 0.0)

    # --- on the rails -----------------------------------------------------------------------------------
    def draw(self, plus_v: float, minus_v: float, load: RailLoad) -> None:
        """Write into ``load`` what is drawn with the reservoirs at these voltages (V)."""
        front, bleeder = self.params.front_end, self.params.rails.bleeder_ohm
        below = -minus_v
        seen_plus, seen_minus = self.behind_fuses(plus_v, minus_v)
        bias = self.bias_a(seen_plus, -seen_minus)
        load.plus_a = plus_v / bleeder
        load.minus_a = below / bleeder
        if seen_plus > 0.0:
            load.plus_a += (
                bias + seen_plus / front.stage_ohm + front.stage_a * math.tanh(seen_plus / front.stage_v)
            )
        if seen_minus < 0.0:
            rail = -seen_minus
            load.minus_a += bias + rail / front.stage_ohm + front.stage_a * math.tanh(rail / front.stage_v)
        if self._has(Fault.LEAKY_RESERVOIR):
            faults = self.params.faults
            load.plus_a += plus_v / faults.leak_ohm + faults.leak_a * math.expm1(
                min(max(plus_v, -5.0) / faults.leak_v, 8.0)
            )
        if self._has(Fault.REFORMING_RESERVOIR):
            load.plus_a += self._reforming_a(plus_v)
        self._draw_bridge(plus_v, minus_v, load)

    def _has(self, fault: Fault) -> bool:
        return self.fault_on and self.fault is fault

    def behind_fuses(self, plus_v: float, minus_v: float) -> tuple[float, float]:
        """The rails behind the rail fuses in V: what a probe in the amplifier reads."""
        if self._has(Fault.OPEN_RAIL_FUSE):
            return (0.0, minus_v) if self.params.faults.open_rail > 0 else (plus_v, 0.0)
        return plus_v, minus_v

    def bias_a(self, plus_v: float, below_v: float) -> float:
        """Bias current in A with the rails at these magnitudes (V); it needs both."""
        front = self.params.front_end
        rail = plus_v if plus_v < below_v else below_v
        if rail <= 0.0:
            return 0.0
        valves = self.params.valves
        if valves is not None:
            share = (rail / self.params.rails.nominal_v) ** 1.5 * self.emission()
        else:
            share = bias_share(front, rail)
        factor = self.params.faults.bias_factor if self._has(Fault.HIGH_BIAS) else 1.0
        return front.bias_a * factor * share * math.exp(self.nepers)

    def emission(self) -> float:
        """Share of full cathode emission at the present cathode temperature."""
        valves = self.params.valves
        if valves is None:
            return 1.0
        return 1.0 / (1.0 + math.exp((valves.onset - self.cathode) / 0.02))

    def _reforming_a(self, plus_v: float) -> float:
        faults = self.params.faults
        over = (plus_v - self.formed_v) / (0.06 * self.params.rails.nominal_v)
        return faults.reform_a * math.exp(min(over, 2.5)) if plus_v > 0.0 else 0.0

    def _draw_bridge(self, plus_v: float, minus_v: float, load: RailLoad) -> None:
        """A path from rail to rail: a short of both devices, or one short against the other half."""
        ohm = self._bridge_ohm(plus_v, -minus_v)
        if ohm <= 0.0:
            load.bridge_siemens = 0.0
            self.bridge_a = 0.0
            return
        nvt = 2.8 * THERMAL_V
        now = max(0.0, (plus_v - minus_v - load.bridge_v) * load.bridge_siemens)
        self.bridge_a = now
        near = max(now, 1e-3)
        load.bridge_siemens = 1.0 / (ohm + 0.01 + nvt / near)
        load.bridge_v = nvt * (math.log(near / 1e-9) - 1.0)

    def _bridge_ohm(self, plus_v: float, below_v: float) -> float:
        faults = self.params.faults
        if self._has(Fault.RAIL_SHORT) or self.destroyed:
            return faults.rail_short_ohm
        if not self._has(Fault.SHORTED_DEVICE):
            return 0.0
        wake = faults.device_wake_v
        awake = min(plus_v, below_v) - wake
        if awake < -4.0 * 0.25:
            return 0.0
        ohm = faults.device_ohm * (1.0 + math.exp(-awake / 0.25))
        return max(ohm, (plus_v + below_v) / faults.device_limit_a)

    # --- slow ---------------------------------------------------------------------------------------------
    def advance(self, seconds: float, plus_v: float, minus_v: float, inlet_v: float) -> None:
        """Move warmth, cathodes and forming on by ``seconds`` with these mean voltages (V; inlet r.m.s.)."""
        self._warm(seconds, plus_v, minus_v)
        if self.heaters is not None and self.params.valves is not None:
            values = self.params.valves
            self.heaters.advance_on_volts(seconds, inlet_v / self.params.mains_v * values.heaters.rated_v)
            share = 1.0 - math.exp(-seconds / values.cathode_lag_s)
            self.cathode += (self.heaters.temperature - self.cathode) * share
        if self._has(Fault.REFORMING_RESERVOIR):
            faults = self.params.faults
            # Charge through the oxide thickens it: the formed voltage rises with the leakage that flows.
            gain = 0.06 * self.params.rails.nominal_v / (40.0 * faults.reform_a)
            self.formed_v += seconds * gain * self._reforming_a(plus_v)

    def _warm(self, seconds: float, plus_v: float, minus_v: float) -> None:
        params, warmth = self.params, self.params.warmth
        seen_plus, seen_minus = self.behind_fuses(plus_v, minus_v)
        bias = self.bias_a(seen_plus, -seen_minus)
        runaway = self._has(Fault.BIAS_RUNAWAY)
        gain = params.faults.runaway_gain if runaway else warmth.loop_gain
        tau = params.faults.runaway_tau_s if runaway else warmth.tau_s
        heat = bias * (seen_plus - seen_minus) / (params.front_end.bias_a * 2.0 * params.rails.nominal_v)
        share = 1.0 - math.exp(-seconds / tau)
        if self.destroyed:
            heat = 0.0
        self.nepers += (gain * heat - self.nepers) * share
        watts = bias * (seen_plus - seen_minus) + self.bridge_a * max(0.0, plus_v - minus_v)
        rise = warmth.heatsink_k_per_w * watts
        if runaway:
            rise = max(rise, self.nepers * warmth.kelvin_per_neper)
        self.heatsink_c += (AMBIENT_C + rise - self.heatsink_c) * share
        if runaway and self.nepers > DESTROYED_NEPERS:
            self.destroyed = True

    def output_dc_v(self, plus_v: float, minus_v: float) -> float:
        """DC at the output in V, before any loudspeaker relay, nothing connected."""
        seen_plus, seen_minus = self.behind_fuses(plus_v, minus_v)
        if self.params.amplifier is Amplifier.VALVE:
            return 0.0
        sign = self.params.faults.device_sign
        near = seen_plus if sign > 0 else seen_minus
        if self.destroyed:
            return 0.6 * near
        if self._has(Fault.SHORTED_DEVICE):
            return near - sign * 0.03 * self.bridge_a
        if self._has(Fault.OPEN_RAIL_FUSE):
            return 0.25 * (seen_plus + seen_minus)
        return 0.0004 * (seen_plus - seen_minus) * sign
