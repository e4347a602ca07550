"""Named conditions that the settled readings of a bring-up fit, ranked, each with its evidence.

    fault_patterns(limits, seen) -> tuple[FaultPattern, ...]       most likely first; empty: nothing unusual

Each condition asks a few questions of the readings. An answer that speaks for it adds weight and becomes its
evidence, one that speaks against it takes weight away. Where the two best stand within one point of each
other, or the current is unusual and nothing fits, ``undetermined`` comes first and says so. Nothing here
was trained: the questions are those of the trade (current against voltage, power factor, even harmonics,
course in time).
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from benchlog.limits.bringup import StepLimits
from benchlog.limits.features import Features, features
from benchlog.model.pattern import FaultPattern, Seen
from benchlog.model.printed import plain
from benchlog.model.unit import Amplifier, Core, Supply

LEAST_WEIGHT = 2.0
"""Weight from which a condition is named."""
LEAST_HINT = 1.5
"""Weight from which a condition is told as what an unusual current could be."""
CLOSE = 1.0
"""Difference in weight below which two conditions are not separated."""


@dataclass(frozen=True, slots=True)
class Clue:
    """One answer: positive weight speaks for the condition, negative against."""

    weight: float
    text: str


@dataclass(frozen=True, slots=True)
class _Condition:
    name: str
    clues: Callable[[Features], list[Clue]]
    tell_apart_by: str


def _resistive_loads(f: Features) -> bool:
    """Valve heaters and class A idle are resistive-looking loads from low volts on, and no fault."""
    return f.limits.unit.amplifier in (Amplifier.VALVE, Amplifier.CLASS_A)


def _low_current(f: Features, low: float, high: float, weight: float) -> list[Clue]:
    """Whether the current at the first steps is a given share of rated current per unit of voltage."""
    found = f.low_share()
    if found is None:
        return []
    share, s = found
    if low <= share < high:
        return [
            Clue(
                weight,
                f"{plain(s.current_a, 3)} A at {s.fraction:.0%} of mains, {share:.1f} × what rated current "
                "would be there",
            )
        ]
    return [Clue(-3.0, f"{plain(share, 2)} × rated current per volt at the first steps")]


def _straight(f: Features, low: float = 0.6, high: float = 1.6) -> list[Clue]:
    """Whether the current rises in proportion to the voltage."""
    slope = f.slope_in(0.0, 0.6)
    if slope is None:
        return []
    if low <= slope.n <= high:
        return [
            Clue(
                1.0,
                f"current follows voltage, n = {slope.n:.2f} ± {slope.u:.2f} from {slope.low_v:.0%} to "
                f"{slope.high_v:.0%}",
            )
        ]
    if slope.n - slope.u > high or slope.n + slope.u < low:
        return [Clue(-1.5, f"n = {slope.n:.2f} ± {slope.u:.2f}")]
    return []


def _power_factor(
    f: Features, low: float, high: float, weight: float = 1.0, at: tuple[float, float] = (0.0, 2.0)
) -> list[Clue]:
    found = f.power_factor(*at)
    if found is None:
        return []
    if low <= found <= high:
        return [Clue(weight, f"power factor {found:.2f}")]
    return [
        Clue(
            -weight if min(abs(found - low), abs(found - high)) > 0.08 else -0.5 * weight,
            f"power factor {found:.2f}",
        )
    ]


def _rectifier(f: Features) -> list[Clue]:
    shape = [c for c in _power_factor(f, 0.65, 0.93, 0.5) if c.weight > 0.0]
    clues = _low_current(f, 4.0, 60.0, 2.0) + _straight(f) + shape
    h2 = f.h2()
    if h2 is not None:
        text = f"second harmonic {h2:.2f} of the fundamental: one half-wave only"
        clues.append(Clue(2.0, text) if h2 >= 0.15 else Clue(-3.0, f"second harmonic {h2:.2f}"))
    return clues


def _rail_short(f: Features) -> list[Clue]:
    clues = _low_current(f, 2.0, 20.0, 2.0) + _straight(f) + _power_factor(f, 0.80, 1.0, 0.5)
    h2 = f.h2()
    if h2 is not None:
        clues.append(
            Clue(1.0, f"second harmonic only {h2:.2f}")
            if h2 < 0.08
            else Clue(-2.5, f"second harmonic {h2:.2f}")
        )
    return clues


def _turns(f: Features) -> list[Clue]:
    if _resistive_loads(f) or f.limits.unit.supply is Supply.SWITCH_MODE:
        return []
    early = [e for e in f.ratios(0.0, 0.2) if e.above and e.ratio > 2.0]
    if not early and f.power_factor(0.08, 0.6) is None:
        return []
    clues = (
        _low_current(f, 0.15, 2.0, 1.5)
        + _straight(f, 0.5, 2.0)
        + _power_factor(f, 0.80, 1.0, 1.5, (0.08, 0.6))
    )
    crest = f.crest(0.0, 0.5)
    if crest is not None:
        clues.append(
            Clue(0.5, f"crest factor {crest:.1f}: nearly a sine")
            if crest < 2.4
            else Clue(-1.0, f"crest factor {crest:.1f}")
        )
    rail = f.at_rail()
    return [*clues, Clue(-2.0, f"output at {plain(rail.output_dc_v or 0.0, 3)} V")] if rail else clues


def _device(f: Features) -> list[Clue]:
    if f.limits.unit.supply is Supply.SWITCH_MODE:
        return []
    clues: list[Clue] = []
    rail = f.at_rail()
    if rail is not None:
        clues.append(
            Clue(
                3.0,
                f"output at {plain(rail.output_dc_v or 0.0, 3)} V, near a rail, "
                f"at {rail.fraction:.0%} of mains",
            )
        )
    centred = f.output_near_zero()
    if rail is None and centred is not None and centred.fraction >= 0.15:
        clues.append(Clue(-2.5, f"output only {plain(centred.output_dc_v or 0.0, 2)} V"))
    early, late = f.ratios(0.0, 0.12), f.ratios(0.18, 0.7)
    slope = f.slope_in(0.28, 0.7)
    if slope is not None and slope.n - slope.u > 1.5:
        clues.append(
            Clue(1.0, f"current climbs steeply once the amplifier wakes, n = {slope.n:.1f} ± {slope.u:.1f}")
        )
    elif slope is not None and slope.n + slope.u < 1.0:
        clues.append(Clue(-1.5, f"n = {slope.n:.2f} above 28 %"))
    if any(e.above for e in late) and not any(e.above for e in early):
        clues.append(Clue(1.5, "usual current at the first steps, too much above them"))
    return clues + (_power_factor(f, 0.70, 0.95, 0.5, (0.25, 1.0)) if clues else [])


def _bias(f: Features) -> list[Clue]:
    if _resistive_loads(f) or f.limits.unit.supply is Supply.SWITCH_MODE:
        return []
    high = [e for e in f.ratios(0.18, 0.88) if e.above]
    if not high:
        return []
    clues = [Clue(0.5, f"{high[-1].ratio:.1f} × the expected current at {high[-1].fraction:.0%}")]
    if not any(e.above for e in f.ratios(0.0, 0.12)):
        clues.append(Clue(1.0, "usual current at the first steps, too much above them"))
    slope = f.slope_in(0.3, 0.9)
    if slope is not None:
        flat = slope.n < 0.6
        clues.append(
            Clue(1.5, f"flat once awake, n = {slope.n:.2f} ± {slope.u:.2f}")
            if flat
            else Clue(-1.5, f"n = {slope.n:.2f}")
        )
    if any(e.above and e.ratio > 2.0 for e in f.ratios(0.0, 0.12)):
        clues.append(Clue(-2.0, "too much already below 12 %, where no bias flows"))
    return clues + _power_factor(f, 0.50, 0.76, 1.0, (0.25, 1.1))


def _runaway(f: Features) -> list[Clue]:
    rising = [
        s for s in f.usable if s.drift_per_min is not None and s.drift_per_min > 0.20 and s.fraction >= 0.2
    ]
    if not rising:
        return []
    s = max(rising, key=lambda x: x.drift_per_min or 0.0)
    return [
        Clue(
            3.0,
            f"the current rises by {s.drift_per_min:.0%} a minute at {s.fraction:.0%} of mains, voltage "
            "unchanged",
        )
    ]


def _leaky(f: Features) -> list[Clue]:
    if f.limits.unit.supply is Supply.SWITCH_MODE:
        return []
    clues: list[Clue] = []
    falling = [s for s in f.usable if s.drift_per_min is not None and s.drift_per_min < -0.05]
    if falling:
        s = falling[-1]
        clues.append(
            Clue(
                1.5,
                f"the current falls by {-(s.drift_per_min or 0.0):.0%} a minute at {s.fraction:.0%}: they "
                "form",
            )
        )
    slope = f.slope_in(0.45, 0.88)
    if slope is not None and slope.n - slope.u > 0.55 and slope.n < 3.5:
        clues.append(Clue(1.0, f"still climbing above half voltage, n = {slope.n:.2f} ± {slope.u:.2f}"))
    late = [e for e in f.ratios(0.5, 0.93) if e.above]
    if late and f.basis != "plate" and late[-1].ratio < 3.0:
        clues.append(
            Clue(1.0, f"{late[-1].ratio:.1f} × the expected current at {late[-1].fraction:.0%}, less below")
        )
    return clues + (_power_factor(f, 0.50, 0.66, 0.5, (0.3, 1.1)) if clues else [])


def _saturation(f: Features) -> list[Clue]:
    slope = f.slope_in(0.85, 1.15)
    if slope is None or slope.n - slope.u < 3.0 or f.limits.unit.supply is Supply.SWITCH_MODE:
        return []
    clues = [Clue(2.0, f"the current soars above 85 %, n = {slope.n:.1f} ± {slope.u:.1f}")]
    if f.limits.unit.core is Core.FRAME and f.limits.unit.plate_va < 50.0:
        clues.append(Clue(-1.0, "usual for a small frame core"))
    return clues + _power_factor(f, 0.0, 0.45, 1.0, (0.93, 1.2))


def _rail_fuse(f: Features) -> list[Clue]:
    clues: list[Clue] = []
    rails = f.unequal_rails()
    if rails is not None and rails.rail_plus_v is not None and rails.rail_minus_v is not None:
        clues.append(Clue(3.0, f"rails {rails.rail_plus_v:+.3g} and {plain(-abs(rails.rail_minus_v), 3)} V"))
    low = [e for e in f.ratios(0.25, 1.1) if e.below]
    above = [e for e in f.excess if e.above]
    if clues and above:
        clues.append(Clue(-2.0, f"{above[-1].ratio:.1f} × the expected current"))
    if low:
        clues.append(Clue(2.0, f"only {low[-1].ratio:.0%} of the expected current at {low[-1].fraction:.0%}"))
    return clues


def _no_current(f: Features) -> list[Clue]:
    from_v = 0.90 if f.limits.unit.supply is Supply.SWITCH_MODE else 0.40
    rated = f.limits.expectation.rated_a
    dead = [s for s in f.seen if s.fraction >= from_v and s.current_a <= s.u_a and 0.04 * rated > 1.5 * s.u_a]
    if not dead or dead[-1] is not f.seen[-1]:
        return []
    return [
        Clue(
            3.0,
            f"no current beyond the meter's ± {plain(dead[-1].u_a, 2)} A at {dead[-1].fraction:.0%} of mains",
        )
    ]


def _not_starting(f: Features) -> list[Clue]:
    if f.limits.unit.supply is not Supply.SWITCH_MODE or not f.seen or f.seen[-1].fraction < 0.85:
        return []
    s = f.seen[-1]
    if s.current_a > 0.06 * f.limits.expectation.rated_a:
        return []
    return [
        Clue(2.0, f"only {plain(s.current_a, 2)} A at {s.fraction:.0%}"),
        *_power_factor(f, 0.0, 0.35, 1.0, (0.85, 1.2)),
    ]


def _mains_side(f: Features) -> list[Clue]:
    return [c for c in _low_current(f, 40.0, 1e9, 3.0) if c.weight > 0.0]


_CONDITIONS = (
    _Condition(
        "shorted rectifier diode",
        _rectifier,
        "even harmonics and a buzz; junction test of the bridge, power off",
    ),
    _Condition(
        "short across the rails (output pair)",
        _rail_short,
        "no even harmonics, rails stay near 0 V; ohms rail to rail, power off",
    ),
    _Condition(
        "shorted turns in the mains transformer",
        _turns,
        "the same current with the secondaries disconnected; hot spot, smell",
    ),
    _Condition(
        "one shorted output device",
        _device,
        "output DC at a rail; ohms from the output pin to each rail, power off",
    ),
    _Condition(
        "bias set too high or its trimmer open",
        _bias,
        "millivolts across the emitter resistors, too many from the first second on",
    ),
    _Condition(
        "bias running away",
        _runaway,
        "millivolts across the emitter resistors and the heatsink both rising, voltage unchanged",
    ),
    _Condition(
        "leaky or unformed reservoirs",
        _leaky,
        "current falls over minutes, capacitors warm; usual millivolts across the emitter resistors",
    ),
    _Condition(
        "core saturating: wrong tap, or a 60 Hz part on 50 Hz",
        _saturation,
        "power factor falls as the current rises, no more watts at the rails",
    ),
    _Condition(
        "one rail missing: rail fuse open",
        _rail_fuse,
        "volts of each rail behind its fuse",
    ),
    _Condition(
        "no current: fuse, switch or cord",
        _no_current,
        "continuity from plug to transformer, power off",
    ),
    _Condition(
        "switch-mode supply not starting",
        _not_starting,
        "start-up voltage at the controller; ticking once or more a second",
    ),
    _Condition(
        "short on the mains side: filter, varistor or primary",
        _mains_side,
        "the same with the rectifier disconnected; ohms at the plug, power off",
    ),
)


def _unusual(f: Features) -> str:
    """What is unusual in the readings, in words; empty where nothing is."""
    above = [e for e in f.excess if e.above]
    if above:
        worst = max(above, key=lambda e: e.ratio)
        return f"{worst.ratio:.1f} × the expected current at {worst.fraction:.0%} of mains"
    below = [e for e in f.excess if e.below and e.fraction >= 0.25]
    return f"only {below[-1].ratio:.0%} of the expected current at {below[-1].fraction:.0%}" if below else ""


def _ranked(f: Features) -> list[tuple[float, FaultPattern]]:
    """Every condition that something speaks for, by weight."""
    found = []
    for condition in _CONDITIONS:
        clues = condition.clues(f)
        evidence = "; ".join(c.text for c in clues if c.weight > 0.0)
        weight = sum(c.weight for c in clues)
        if evidence and weight > 0.0:
            found.append((weight, FaultPattern(condition.name, evidence, condition.tell_apart_by)))
    return sorted(found, key=lambda pair: -pair[0])


def _undetermined(unusual: str, hints: Sequence[FaultPattern]) -> FaultPattern:
    """Something is unusual and nothing has enough weight; the nearest conditions are named as hints."""
    if not hints:
        what = "watts and a waveform at this step; cold checks of the output stage and rectifier"
        return FaultPattern("undetermined", unusual, what)
    names = " or ".join(hint.name for hint in hints)
    tell = "; or ".join(hint.tell_apart_by for hint in hints)
    return FaultPattern("undetermined", f"{unusual}; could be {names}, not enough to tell", tell)


def fault_patterns(limits: StepLimits, seen: Sequence[Seen]) -> tuple[FaultPattern, ...]:
    """Conditions that fit the settled readings of a run, the likeliest first.

    Empty where no reading is unusual, which does not mean that nothing is wrong. Source of the patterns:
    common practice and circuit simulation; weights ours.
    """
    f = features(limits, seen)
    ranked = _ranked(f)
    named = tuple(pattern for weight, pattern in ranked if weight >= LEAST_WEIGHT)
    if not named:
        unusual = _unusual(f)
        hints = [pattern for weight, pattern in ranked if weight >= LEAST_HINT][:2]
        return (_undetermined(unusual, hints),) if unusual else ()
    if len(ranked) > 1 and ranked[1][0] >= LEAST_HINT and ranked[0][0] - ranked[1][0] < CLOSE:
        first, second = ranked[0][1], ranked[1][1]
        named = (first, second, *named[2:])
        both = f"the readings fit {first.name} and {second.name} about equally"
        tell = f"{first.tell_apart_by}; or {second.tell_apart_by}"
        return (FaultPattern("undetermined", both, tell), *named)
    return named
