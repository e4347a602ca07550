"""Limits of parts measured cold: electrolytics, voice coils, junctions, resistors.

    esr_spec(c_f, rated_v, family) -> Limit        greatest ESR at 120 Hz by the series' tan δ
    esr_usual(c_f, rated_v) -> Limit               what a good new part reads at 100 kHz
    esr_doubtful(...), esr_outside(...) -> Limit   used parts: from twice, from ten times that
    leakage(c_f, rated_v) -> Limit
    voice_coil_low(ohms), voice_coil_high(ohms), voice_coil_fail(ohms) -> Limit
    junction_low(device), junction_high(device) -> Limit
    emitter_resistor_low(ohms), emitter_resistor_high(ohms) -> Limit

Capacitance in F, resistance in Ω, volts in V, temperature in °C. `UsageError` for values that are not above
zero and words that are not on file.

Sources: tan δ and leakage as capacitor makers print them for a series of each family; IEC 60268-5 as
loudspeaker makers quote it; junctions by meter makers' notes; the rest common practice, no source. Each
`Limit` carries the phrase and the confidence of its own.
"""

import math

import numpy as np

from benchlog.model.errors import UsageError
from benchlog.model.limit import Confidence, Limit

_TAN_DELTA: dict[str, tuple[tuple[float, float], ...]] = {
    "general": (
        (6.3, 0.23), (10, 0.20), (16, 0.16), (25, 0.14), (35, 0.12), (50, 0.10), (63, 0.09), (100, 0.08),
        (160, 0.12), (200, 0.14), (250, 0.17), (350, 0.20), (400, 0.25), (450, 0.25),
    ),
    "low-impedance": (
        (6.3, 0.22), (10, 0.19), (16, 0.16), (25, 0.14), (35, 0.12), (50, 0.10), (63, 0.09), (100, 0.08),
        (250, 0.15), (350, 0.20), (450, 0.25),
    ),
    "chip": ((10, 0.22), (16, 0.18), (25, 0.16), (35, 0.14), (50, 0.12)),
}  # fmt: skip
"""Greatest tan δ at 120 Hz, 20 °C by rated volts, as makers print it for a series of each family."""

_USUAL_SHARE = ((10e-6, 2.0 / 18.568), (220e-6, 0.25 / 0.60286))
"""Usual new ESR ÷ ESR from tan δ at two trade values (10 µF/25 V up to 2 Ω, 220 µF/50 V 0.25 Ω)."""

ESR_FLOOR_OHM = 0.03
"""Below this leads and meter read as much as the part."""

_JUNCTIONS: dict[str, tuple[float, float, str, Confidence]] = {
    "silicon": (0.50, 0.80, "silicon diode, meter makers' notes", Confidence.COMMON_PRACTICE),
    "rectifier": (0.40, 0.60, "large silicon rectifier, meter makers' notes", Confidence.COMMON_PRACTICE),
    "schottky": (0.15, 0.45, "Schottky diode, meter makers' notes", Confidence.COMMON_PRACTICE),
    "germanium": (0.10, 0.40, "germanium diode, meter makers' notes", Confidence.COMMON_PRACTICE),
    "led": (1.6, 3.4, "light-emitting diode, by colour", Confidence.COMMON_PRACTICE),
    "bipolar": (0.45, 0.75, "bipolar transistor, B-E and B-C", Confidence.COMMON_PRACTICE),
    "darlington": (0.9, 1.4, "Darlington B-E, from memory", Confidence.UNVERIFIED),
    "mosfet": (0.35, 0.65, "MOSFET body diode, from memory", Confidence.UNVERIFIED),
}


def _above_zero(*values: float, what: str) -> None:
    if not all(0.0 < value < math.inf for value in values):
        raise UsageError(f"{what} must be above zero.")


def tan_delta(c_f: float, rated_v: float, family: str = "general") -> float:
    """Greatest tan δ at 120 Hz and 20 °C: the row at or below the rated voltage, + 0.02 a 1000 µF above 1000.

    `UsageError` for an unknown family, or a capacitance or voltage that is not above zero.
    """
    if family not in _TAN_DELTA:
        raise UsageError(f"{family!r} is no capacitor family on file. Use one of {', '.join(_TAN_DELTA)}.")
    _above_zero(c_f, rated_v, what="Capacitance and rated voltage")
    rows = _TAN_DELTA[family]
    at = next((tan for volts, tan in reversed(rows) if volts <= rated_v), rows[0][1])
    return at + 0.02 * max(math.ceil(round(c_f / 1e-3, 9)) - 1.0, 0.0)


def esr_spec(c_f: float, rated_v: float, family: str = "general", frequency_hz: float = 120.0) -> Limit:
    """Greatest ESR in Ω that a maker's series allows: tan δ/(2πfC) at 120 Hz, the loosest bound there is.

    At other frequencies the loss is taken as a resistance in series, so the same figure holds as a bound
    above 120 Hz. `UsageError` below 100 Hz.
    """
    if frequency_hz < 100.0:
        raise UsageError("No limit is on file below 100 Hz. Measure at 100 Hz, 120 Hz or above.")
    ohms = tan_delta(c_f, rated_v, family) / (2.0 * math.pi * 120.0 * c_f)
    return Limit("esr-spec", ohms, "Ω", f"tan δ/(2π·120 Hz·C), makers' {family} series", Confidence.MAKER)


def esr_usual(c_f: float, rated_v: float, family: str = "general", celsius: float = 23.0) -> Limit:
    """Upper edge of what a good new part reads at 100 kHz, in Ω; at least the floor of leads and meter.

    A share of `esr_spec` that passes through two trade values, 220 µF/50 V about 0.25 Ω and 10 µF/25 V 1-2 Ω
    (common practice, no source), straight in the logarithms of capacitance between and held beyond.
    Corrected by −1 % a kelvin from 23 °C, between 15 and 35 °C.
    """
    (c0, share0), (c1, share1) = _USUAL_SHARE
    at = math.log(min(max(c_f, c0), c1))
    share = math.exp(float(np.interp(at, [math.log(c0), math.log(c1)], [math.log(share0), math.log(share1)])))
    warm = 1.0 - 0.01 * (min(max(celsius, 15.0), 35.0) - 23.0)
    ohms = max(share * esr_spec(c_f, rated_v, family).value * warm, ESR_FLOOR_OHM)
    return Limit(
        "esr-usual", ohms, "Ω", "usual new part at 100 kHz, common practice", Confidence.COMMON_PRACTICE
    )


def esr_doubtful(c_f: float, rated_v: float, family: str = "general", celsius: float = 23.0) -> Limit:
    """ESR above which a used part is doubtful: twice the usual. In circuit it never passes a part."""
    usual = esr_usual(c_f, rated_v, family, celsius)
    return Limit(
        "esr-doubtful", 2.0 * usual.value, "Ω", "twice the usual new part", Confidence.COMMON_PRACTICE
    )


def esr_outside(c_f: float, rated_v: float, family: str = "general", celsius: float = 23.0) -> Limit:
    """ESR from which a used part is outside its limit: ten times the usual."""
    usual = esr_usual(c_f, rated_v, family, celsius)
    source = "ten times the usual new part"
    return Limit("esr-outside", 10.0 * usual.value, "Ω", source, Confidence.COMMON_PRACTICE)


def leakage(c_f: float, rated_v: float) -> Limit:
    """Greatest leakage in A after 2 minutes: 0.01·C·V or 3 µA; above 100 V (5 minutes) 0.03·C·V + 15 µA."""
    _above_zero(c_f, rated_v, what="Capacitance and rated voltage")
    microamps = c_f * 1e6 * rated_v
    value = max(0.01 * microamps, 3.0) if rated_v <= 100.0 else 0.03 * microamps + 15.0
    return Limit("leakage", value * 1e-6, "A", "a maker's general-purpose series", Confidence.MAKER)


def _coil(name: str, ohms: float, share: float, what: str) -> Limit:
    _above_zero(ohms, what="The rated impedance, in ohms,")
    source = f"{share:.2f} × rated impedance: {what}"
    return Limit(name, share * ohms, "Ω", source, Confidence.COMMON_PRACTICE)


def voice_coil_low(ohms: float) -> Limit:
    """DC resistance below which a voice coil is doubtful: 0.65 × rated impedance. Leads taken off."""
    return _coil("voice-coil-low", ohms, 0.65, "doubtful below")


def voice_coil_high(ohms: float) -> Limit:
    """DC resistance above which a voice coil is doubtful: its rated impedance."""
    return _coil("voice-coil-high", ohms, 1.0, "doubtful above; open from 1.2 ×")


def voice_coil_fail(ohms: float) -> Limit:
    """DC resistance below which a voice coil is outside: half its rated impedance."""
    return _coil("voice-coil-fail", ohms, 0.5, "outside below")


def rated_impedance_least(ohms: float) -> Limit:
    """Least modulus of impedance in Ω that the rated impedance allows: 80 % (IEC 60268-5, 16.1)."""
    _above_zero(ohms, what="The rated impedance")
    source = "80 % of rated impedance, IEC 60268-5 as loudspeaker makers quote it"
    return Limit("impedance-least", 0.8 * ohms, "Ω", source, Confidence.STANDARD)


def _junction(device: str) -> tuple[float, float, str, Confidence]:
    if device not in _JUNCTIONS:
        raise UsageError(f"{device!r} is no device on file. Use one of {', '.join(_JUNCTIONS)}.")
    return _JUNCTIONS[device]


def junction_low(device: str) -> Limit:
    """Least volts of a sound junction on a meter's diode test. Breakdown is not tested by it."""
    low, _, source, confidence = _junction(device)
    return Limit("junction-low", low, "V", source, confidence)


def junction_high(device: str) -> Limit:
    """Most volts of a sound junction on a meter's diode test."""
    _, high, source, confidence = _junction(device)
    return Limit("junction-high", high, "V", source, confidence)


def junction_short() -> Limit:
    """Volts below which a junction is shorted, either way."""
    return Limit("junction-short", 0.1, "V", "meter makers' notes", Confidence.COMMON_PRACTICE)


def output_short() -> Limit:
    """Ohms between an output pin and a rail below which a device is shorted."""
    source = "output pin to a rail, nothing connected"
    return Limit("output-short", 5.0, "Ω", source, Confidence.COMMON_PRACTICE)


def rail_short() -> Limit:
    """Steady ohms rail to common or rail to rail below which there is a short."""
    source = "rail to common or rail to rail, steady"
    return Limit("rail-short", 20.0, "Ω", source, Confidence.COMMON_PRACTICE)


def emitter_resistor_low(ohms: float) -> Limit:
    """Least reading of an emitter resistor in Ω, leads taken off: 90 % of its marking."""
    _above_zero(ohms, what="The emitter resistor's marking")
    return Limit("emitter-resistor-low", 0.9 * ohms, "Ω", "−10 % of the marking", Confidence.COMMON_PRACTICE)


def emitter_resistor_high(ohms: float) -> Limit:
    """Most ohms of an emitter resistor, leads taken off: 110 % of its marking; open: a blown channel."""
    _above_zero(ohms, what="The emitter resistor's marking")
    return Limit("emitter-resistor-high", 1.1 * ohms, "Ω", "+10 % of the marking", Confidence.COMMON_PRACTICE)
