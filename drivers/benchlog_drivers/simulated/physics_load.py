"""What hangs on the rails: front end, bias against heat, valves, and the faults that live there."""

import math
from dataclasses import dataclass

from benchlog.model.unit import Amplifier
from benchlog_drivers.simulated.faults import Fault
from benchlog_drivers.simulated.lamp import Filament
from benchlog_drivers.simulated.unit_params import THERMAL_V, Diode, FrontEnd, UnitParams

AMBIENT_C = 23.0
"""Air of the workshop in °C."""
DESTROYED_NEPERS = 2.5
"""ln(bias ÷ cold bias) at which a runaway destroys the device: 12 times."""
SHORT_JUNCTION = Diode(1e-9, 2.8, 0.01)
"""In series with a rail-to-rail short: about 1.4 V at half an ampere."""
_IN_RESERVOIR = frozenset({Fault.LEAKY_RESERVOIR, Fault.REFORMING_RESERVOIR})
_RAIL_TO_RAIL = frozenset({Fault.RAIL_SHORT, Fault.SHORTED_DEVICE})
_WAKE_SOFTNESS_V = 0.8
_NUDGE_V = 0.02
_FORMING_S = 60.0
"""Time scale in s on which a neglected reservoir forms."""


@dataclass(frozen=True, slots=True)
class RailLoad:
    """What is drawn: from each rail (A, positive), and from rail to rail above a voltage."""

    plus_a: float
    minus_a: float
    bridge_siemens: float = 0.0
    bridge_v: float = 0.0

    def watts(self, plus_v: float, minus_v: float) -> float:
        """Power drawn in W at these reservoir voltages (V)."""
        across = max(0.0, plus_v - minus_v - self.bridge_v) * self.bridge_siemens
        return plus_v * (self.plus_a + across) - minus_v * (self.minus_a + across)


def bias_share(front: FrontEnd, rail_v: float) -> float:
    """Share of the bias current that flows at this rail voltage (V): 0 asleep, 1 awake."""
    above = (rail_v - front.wake_v) / _WAKE_SOFTNESS_V
    soft = above if above > 40.0 else math.log1p(math.exp(above))
    return math.tanh(soft * _WAKE_SOFTNESS_V / front.wake_width_v)


def small_stages_a(front: FrontEnd, rail_v: float) -> float:
    """Current of the small stages on one rail, in A."""
    return front.stage_a * math.tanh(rail_v / front.stage_v) + rail_v / front.stage_ohm


def short_current_a(across_v: float, ohm: float) -> float:
    """Current in A through a resistance and the short's junction with ``across_v`` over both."""
    n = SHORT_JUNCTION.emission * THERMAL_V
    current = max(1e-3, (across_v - 1.4) / ohm)
    for _ in range(6):
        excess = across_v - current * ohm - n * math.log1p(current / SHORT_JUNCTION.saturation_a)
        current = max(1e-9, current + excess / (ohm + n / (current + SHORT_JUNCTION.saturation_a)))
    return current


class AmplifierLoad:
    """The amplifier behind the supply, with its slow states."""

    def __init__(self, params: UnitParams, fault: Fault) -> None:
        """Cold; ``fault`` acts from the moment ``fault_on`` is set."""
        self.params = params
        self.fault = fault
        self.fault_on = False
        self.destroyed = False
        self.nepers = 0.0
        """ln(bias ÷ cold bias) by heat."""
        self.hottest = 0.0
        """The largest `nepers` so far."""
        self.heatsink_c = AMBIENT_C
        self.formed_v = params.faults.reform_v
        self.heaters = Filament(params.valves.heaters) if params.valves else None
        self.cathode = params.valves.heaters.cold_temperature if params.valves else 1.0
        """Cathode temperature, of rated."""

    # --- on the rails ---------------------------------------------------------------------------------------
    def draw(self, plus_v: float, minus_v: float) -> RailLoad:
        """What is drawn with the reservoirs at these voltages (V)."""
        fault = self.fault if self.fault_on else Fault.NONE
        seen_plus, seen_minus = plus_v, minus_v
        if fault is Fault.OPEN_RAIL_FUSE:
            seen_plus, seen_minus = self.behind_fuses(plus_v, minus_v)
        bias = self.bias_a(seen_plus, seen_minus)
        bleeder, front = self.params.rails.bleeder_ohm, self.params.front_end
        plus_a, minus_a = plus_v / bleeder, -minus_v / bleeder
        if seen_plus > 0.0:
            plus_a += bias + small_stages_a(front, seen_plus)
        if seen_minus < 0.0:
            minus_a += bias + small_stages_a(front, -seen_minus)
        if fault in _IN_RESERVOIR:
            plus_a += self._reservoir_fault_a(plus_v)
        current = self._bridge_a(plus_v, minus_v) if self.destroyed or fault in _RAIL_TO_RAIL else 0.0
        if current <= 0.0:
            return RailLoad(plus_a, minus_a)
        # The tangent, as the path may steepen within a fraction of a volt.
        siemens = (self._bridge_a(plus_v + _NUDGE_V, minus_v - _NUDGE_V) - current) / (2.0 * _NUDGE_V)
        siemens = max(siemens, 1e-9)
        return RailLoad(plus_a, minus_a, siemens, plus_v - minus_v - current / siemens)

    def _bridge_a(self, plus_v: float, minus_v: float) -> float:
        """Current of the path from rail to rail in A; 0 where there is none."""
        ohm = self._bridge_ohm(plus_v, -minus_v)
        return short_current_a(plus_v - minus_v, ohm) if ohm > 0.0 else 0.0

    def has(self, fault: Fault) -> bool:
        """Whether this fault acts now."""
        return self.fault_on and self.fault is fault

    def behind_fuses(self, plus_v: float, minus_v: float) -> tuple[float, float]:
        """The rails behind the rail fuses in V: what a probe in the amplifier reads."""
        if self.has(Fault.OPEN_RAIL_FUSE):
            return (0.0, minus_v) if self.params.faults.open_rail > 0 else (plus_v, 0.0)
        return plus_v, minus_v

    def bias_a(self, plus_v: float, minus_v: float) -> float:
        """Bias current in A with these rails behind their fuses (V); it needs both."""
        rail = min(plus_v, -minus_v)
        if rail <= 0.0:
            return 0.0
        if self.params.valves is not None:
            # Fixed bias falls with the mains too: plate current follows the three-halves power of the HT.
            share = math.pow(rail / self.params.rails.nominal_v, 1.5) * self.emission()
        else:
            share = bias_share(self.params.front_end, rail)
        return self.params.front_end.bias_a * share * self.bias_ratio()

    def bias_ratio(self) -> float:
        """Bias by fault and heat, of the cold bias this unit should have."""
        factor = self.params.faults.bias_factor if self.has(Fault.HIGH_BIAS) else 1.0
        return factor * math.exp(self.nepers)

    def emission(self) -> float:
        """Share of full cathode emission at the present cathode temperature."""
        valves = self.params.valves
        return 1.0 / (1.0 + math.exp((valves.onset - self.cathode) / 0.02)) if valves else 1.0

    def _reservoir_fault_a(self, plus_v: float) -> float:
        """Current into a leaky or a forming plus reservoir, in A."""
        faults = self.params.faults
        if self.has(Fault.LEAKY_RESERVOIR):
            steep = faults.leak_a * math.expm1(min(max(plus_v, -5.0) / faults.leak_v, 8.0))
            return plus_v / faults.leak_ohm + steep
        if self.has(Fault.REFORMING_RESERVOIR) and plus_v > 0.0:
            over = (plus_v - self.formed_v) / self._forming_v()
            return faults.reform_a * math.exp(min(over, 2.5))
        return 0.0

    def _forming_v(self) -> float:
        return 0.06 * self.params.rails.nominal_v

    def _bridge_ohm(self, plus_v: float, below_v: float) -> float:
        """Resistance of the path from rail to rail in Ω; 0 where there is none."""
        faults = self.params.faults
        if self.destroyed or self.has(Fault.RAIL_SHORT):
            return faults.rail_short_ohm + SHORT_JUNCTION.series_ohm
        if not self.has(Fault.SHORTED_DEVICE):
            return 0.0
        awake = (min(plus_v, below_v) - faults.device_wake_v) / 0.25
        if awake < -4.0:
            return 0.0
        return max(faults.device_ohm * (1.0 + math.exp(-awake)), (plus_v + below_v) / faults.device_limit_a)

    # --- slow -----------------------------------------------------------------------------------------------
    def advance(self, seconds: float, plus_v: float, minus_v: float, inlet_v: float) -> None:
        """Move heat, cathodes and forming on by ``seconds`` at these mean voltages (V; inlet r.m.s.)."""
        self._warm(seconds, plus_v, minus_v)
        if self.heaters is not None and self.params.valves is not None:
            self.heaters.advance_on_volts(seconds, inlet_v)
            share = 1.0 - math.exp(-seconds / self.params.valves.cathode_lag_s)
            self.cathode += (self.heaters.temperature - self.cathode) * share
        if self.has(Fault.REFORMING_RESERVOIR):
            # Charge that leaks through the oxide thickens it: the formed voltage rises with the leakage.
            gain = self._forming_v() / (_FORMING_S * self.params.faults.reform_a)
            self.formed_v += seconds * gain * self._reservoir_fault_a(plus_v)

    def _warm(self, seconds: float, plus_v: float, minus_v: float) -> None:
        """Bias heats the devices, heat moves the bias: dx/dt = (gain·P/P₀ − x)/τ, bias ∝ e^x."""
        params, warmth = self.params, self.params.warmth
        seen_plus, seen_minus = self.behind_fuses(plus_v, minus_v)
        bias = self.bias_a(seen_plus, seen_minus)
        watts = bias * (seen_plus - seen_minus)
        runaway = self.has(Fault.BIAS_RUNAWAY)
        gain = params.faults.runaway_gain if runaway else warmth.loop_gain
        tau = params.faults.runaway_tau_s if runaway else warmth.tau_s
        nominal = params.front_end.bias_a * 2.0 * params.rails.nominal_v
        share = 1.0 - math.exp(-seconds / tau)
        target = 0.0 if self.destroyed else gain * watts / nominal
        self.nepers += (target - self.nepers) * share
        self.hottest = max(self.hottest, self.nepers)
        rise = warmth.heatsink_k_per_w * (watts + self._bridge_w(plus_v, minus_v))
        self.heatsink_c += (AMBIENT_C + rise - self.heatsink_c) * share
        if runaway and self.nepers > DESTROYED_NEPERS:
            self.destroyed = True

    def _bridge_w(self, plus_v: float, minus_v: float) -> float:
        """Heat of a short from rail to rail, in W."""
        return (plus_v - minus_v) * self._bridge_a(plus_v, minus_v)

    def output_dc_v(self, plus_v: float, minus_v: float) -> float:
        """DC at the output in V, ahead of any loudspeaker relay, nothing connected."""
        if self.params.amplifier is Amplifier.VALVE:
            return 0.0
        seen_plus, seen_minus = self.behind_fuses(plus_v, minus_v)
        sign = self.params.faults.device_sign
        near = seen_plus if sign > 0 else seen_minus
        if self.has(Fault.SHORTED_DEVICE):
            return 0.98 * near
        if self.destroyed:
            return 0.6 * near
        if self.has(Fault.OPEN_RAIL_FUSE):
            return 0.25 * (seen_plus + seen_minus)
        return 0.0004 * (seen_plus - seen_minus) * sign
