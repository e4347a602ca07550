"""The hidden component values of a simulated unit and of the source in front of it."""

from dataclasses import dataclass

from benchlog.model.unit import Amplifier, Core, Supply
from benchlog_drivers.simulated.lamp import FilamentValues
from benchlog_drivers.simulated.transformer import TransformerValues

THERMAL_V = 0.025852
"""kT/q at 300 K in V."""


@dataclass(frozen=True, slots=True)
class SourceImpedance:
    """What lies between an ideal sine and the unit's inlet: series resistance (Ω) and inductance (H)."""

    ohm: float
    henry: float

    def behind_isolating_transformer(self, va: float, mains_v: float, regulation: float) -> "SourceImpedance":
        """The same with an isolating transformer: regulation·V²/VA more resistance, 0.3 of that leakage."""
        more = regulation * mains_v**2 / va
        return SourceImpedance(self.ohm + more, self.henry + 0.3 * more / 377.0)


def variable_transformer(mains_v: float) -> SourceImpedance:
    """A usual bench variable transformer on its outlet: 0.5 % / 0.3 % of 120 V·A⁻¹ class parts (ours)."""
    return SourceImpedance(0.6, 0.0004) if mains_v < 180.0 else SourceImpedance(1.8, 0.0012)


@dataclass(frozen=True, slots=True)
class Diode:
    """A junction: saturation current (A), emission coefficient, series resistance (Ω)."""

    saturation_a: float = 5e-9
    emission: float = 1.7
    series_ohm: float = 0.015


@dataclass(frozen=True, slots=True)
class Rails:
    """Reservoirs of a split supply, each: capacitance (F), series resistance (Ω), bleeder (Ω)."""

    farad: float
    esr_ohm: float
    bleeder_ohm: float
    nominal_v: float
    """Each rail at nominal mains and idle, in V."""


@dataclass(frozen=True, slots=True)
class FrontEnd:
    """What the rails feed when nothing plays.

    Bias current ``bias_a`` wakes at ``wake_v`` of rail over ``wake_width_v``; small stages draw ``stage_a``
    (full at ``stage_v``) and a resistive part ``stage_ohm``.
    """

    bias_a: float
    wake_v: float
    wake_width_v: float
    stage_a: float
    stage_v: float
    stage_ohm: float


@dataclass(frozen=True, slots=True)
class Warmth:
    """Bias against heat: loop gain at nominal rails (dimensionless), time constant (s), kelvin per neper."""

    loop_gain: float
    tau_s: float
    kelvin_per_neper: float = 40.0
    heatsink_k_per_w: float = 0.8


@dataclass(frozen=True, slots=True)
class ValveSet:
    """Heaters and cathodes; the HT is the sum of the two rails of the equivalent split supply."""

    heaters: FilamentValues
    cathode_lag_s: float
    onset: float
    """Cathode temperature (of rated) at half emission."""
    rectifier_ohm: float
    """Of a hot valve rectifier, in each leg; zero for silicon."""

    def leg_ohm(self, emission: float) -> float:
        """Resistance in each leg of the rectifier in Ω at this share of cathode emission."""
        return min(1e6, self.rectifier_ohm / max(emission, 1e-6)) if self.rectifier_ohm > 0.0 else 0.0


@dataclass(frozen=True, slots=True)
class SwitchMode:
    """A switch-mode supply without power-factor correction."""

    x_farad: float
    x_bleeder_ohm: float
    filter_h: float
    filter_ohm: float
    thermistor_ohm: float
    """Cold, at 298 K."""
    thermistor_b_k: float
    thermistor_k_per_w: float
    thermistor_j_per_k: float
    bulk_farad: float
    bulk_esr_ohm: float
    start_up_ohm: float
    start_v: float
    """Bulk voltage at which it starts."""
    stop_v: float
    rail_v: float
    """Each of the converter's rails, regulated, in V."""
    rail_farad: float
    standby_w: float
    """The converter's own needs while it runs."""
    efficiency: float
    limit_w: float
    """Rail power at which it shuts down."""
    diode: Diode = Diode(2e-9, 1.8, 0.03)


@dataclass(frozen=True, slots=True)
class MainsFuse:
    """The unit's own fuse: rated current (A), melting integral (A²s), least melting current ÷ rated."""

    rated_a: float
    melting_a2s: float
    least_ratio: float = 1.6


@dataclass(frozen=True, slots=True)
class FaultValues:
    """How severe each fault of this unit would be."""

    rail_short_ohm: float
    device_ohm: float
    device_wake_v: float
    """Rail voltage (V) from which the other half fights the shorted device."""
    device_limit_a: float
    """Current limiter of the amplifier in A; infinite where it has none."""
    device_sign: int
    """Which rail the shorted device pulls the output to."""
    bias_factor: float
    leak_ohm: float
    leak_a: float
    leak_v: float
    reform_a: float
    reform_v: float
    turns_ohm: float
    """Shorted turns referred to the primary."""
    open_rail: int
    soft_start_ohm: float
    tap_share: float
    runaway_gain: float
    runaway_tau_s: float


@dataclass(frozen=True, slots=True)
class UnitParams:
    """All hidden values of one unit."""

    amplifier: Amplifier
    supply: Supply
    core: Core
    mains_v: float
    mains_hz: float
    seed: int
    transformer: TransformerValues
    diode: Diode
    rails: Rails
    front_end: FrontEnd
    warmth: Warmth
    faults: FaultValues
    fuse: MainsFuse
    valves: ValveSet | None = None
    switch_mode: SwitchMode | None = None
    start_flux: float = 0.5
    """Remanent flux before first power, of the design flux."""
    soft_start_ohm: float = 0.0
    """Series resistor until its relay pulls in; zero where the unit has none."""
