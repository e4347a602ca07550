"""Limits of checks with power on, and what they let one work out.

offset_doubtful(topology), offset_outside(topology) -> Limit      V
bias_low(), bias_high() -> Limit                                  V across an emitter resistor
bias_current(volts, ohms) -> Limit                                A
rail_asymmetry() -> Limit                                         fraction
ripple_pp(current_a, c_f, mains_hz), capacitance(current_a, ripple_v, mains_hz) -> Limit
discharge_time(...) -> Limit                                      s
touch_gate(), ohms_gate() -> Limit                                V at the reservoirs

`UsageError` for values that are not above zero, and for an output whose topology is not known.
Sources: offsets and rails common practice, no source, but where a phrase says "from memory"; bias by makers'
service manuals; ripple, discharge and bias current by their formulas (any textbook), under the assumptions
that each states. Each `Limit` carries the phrase and the confidence of its own.
"""

import math

from benchlog.model.errors import UsageError
from benchlog.model.limit import Confidence, Limit
from benchlog.model.unit import OutputTopology

_OFFSET: dict[OutputTopology, tuple[float, float, str, Confidence]] = {
    OutputTopology.DIRECT: (0.020, 0.100, "direct-coupled output", Confidence.COMMON_PRACTICE),
    OutputTopology.SERVO: (0.010, 0.050, "output with a servo, from memory", Confidence.UNVERIFIED),
    OutputTopology.CAPACITOR: (
        0.005,
        0.020,
        "behind a coupling capacitor, from memory",
        Confidence.UNVERIFIED,
    ),
    OutputTopology.BRIDGE: (
        0.050,
        0.100,
        "between the two halves of a bridge, from memory",
        Confidence.UNVERIFIED,
    ),
}


def _offset(topology: OutputTopology) -> tuple[float, float, str, Confidence]:
    if topology not in _OFFSET:
        raise UsageError(
            "DC offset is judged by the output's topology. Say which it is; until then it is only shown."
        )
    return _OFFSET[topology]


def offset_doubtful(topology: OutputTopology) -> Limit:
    """|DC offset| in V above which an output is doubtful: 20 mV direct-coupled, ahead of the relay."""
    value, _, source, confidence = _offset(topology)
    return Limit("offset-doubtful", value, "V", source, confidence)


def offset_outside(topology: OutputTopology) -> Limit:
    """|DC offset| in V from which an output is outside its limit: 100 mV direct-coupled."""
    _, value, source, confidence = _offset(topology)
    return Limit("offset-outside", value, "V", source, confidence)


def bias_low() -> Limit:
    """Least volts across an emitter resistor that makers ask for, warm."""
    return Limit("bias-low", 0.0025, "V", "makers' service manuals, 2.5-24 mV", Confidence.MAKER)


def bias_high() -> Limit:
    """Most volts across an emitter resistor that makers ask for, warm."""
    return Limit("bias-high", 0.0225, "V", "makers' service manuals, 4.5-22.5 mV", Confidence.MAKER)


def bias_current(volts: float, ohms: float) -> Limit:
    """Quiescent current of one device in A, V_RE ÷ R_E."""
    if not ohms > 0.0:
        raise UsageError("The emitter resistor must be above zero, in ohms.")
    return Limit(
        "bias-current", volts / ohms, "A", "volts across the emitter resistor ÷ its ohms", Confidence.OURS
    )


def rail_asymmetry() -> Limit:
    """Fraction by which |V+| and |V−| may differ at idle."""
    return Limit("rail-asymmetry", 0.05, "", "trade, 2-5 %", Confidence.COMMON_PRACTICE)


def ripple_pp(current_a: float, c_f: float, mains_hz: float) -> Limit:
    """Peak-to-peak ripple of a full-wave reservoir in V, I/(2fC); r.m.s. it is that ÷ (2√3)."""
    if not c_f > 0.0 or not mains_hz > 0.0:
        raise UsageError("Capacitance and mains frequency must be above zero.")
    source = "I/(2fC), full-wave rectifier, constant load"
    return Limit("ripple-pp", current_a / (2.0 * mains_hz * c_f), "V", source, Confidence.OURS)


def capacitance(current_a: float, ripple_v: float, mains_hz: float) -> Limit:
    """Reservoir capacitance in F that a peak-to-peak ripple tells of, I/(2f·ΔV); a low one also means ESR."""
    if not ripple_v > 0.0 or not mains_hz > 0.0:
        raise UsageError("Ripple and mains frequency must be above zero.")
    source = "I/(2f·ΔV), full-wave rectifier, constant load"
    return Limit("ripple-capacitance", current_a / (2.0 * mains_hz * ripple_v), "F", source, Confidence.OURS)


def ripple_rms_to_pp(ripple_rms_v: float) -> float:
    """Peak-to-peak of a saw-tooth ripple from its r.m.s.: × 2√3."""
    return 2.0 * math.sqrt(3.0) * ripple_rms_v


def discharge_time(volts: float, c_f: float, ohms: float, to_v: float = 1.0) -> Limit:
    """Seconds until a reservoir has fallen to ``to_v`` through a resistor: R·C·ln(V0/V)."""
    if not (volts > 0.0 and c_f > 0.0 and ohms > 0.0 and to_v > 0.0):
        raise UsageError("Volts, capacitance and ohms must be above zero.")
    seconds = ohms * c_f * math.log(volts / to_v) if volts > to_v else 0.0
    return Limit("discharge-time", seconds, "s", "R·C·ln(V0/V); measure, never trust it", Confidence.OURS)


def discharge_peak_w(volts: float, ohms: float) -> Limit:
    """Watts that the discharge resistor takes at first, V²/R."""
    if not ohms > 0.0:
        raise UsageError("The discharge resistor must be above zero, in ohms.")
    return Limit("discharge-peak-w", volts * volts / ohms, "W", "V²/R at the first instant", Confidence.OURS)


def touch_gate() -> Limit:
    """Volts at each reservoir below which it may be touched; each is proved at its own terminals."""
    return Limit("reservoir-touch", 10.0, "V", "ours; 60 V DC is the usual touch limit", Confidence.OURS)


def ohms_gate() -> Limit:
    """Volts below which ohms, junction or ESR may be measured."""
    return Limit("reservoir-ohms", 1.0, "V", "ours, for the meter's and the reading's sake", Confidence.OURS)
