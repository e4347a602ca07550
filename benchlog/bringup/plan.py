"""The steps of a bring-up, what the meters can judge of them, and what must not be done.

    make_plan(unit, sheets, reads, …) -> Plan          the default plan of the kind, or a plan file's
    demand(plan) -> Plan                               the same, or `PlanRefused`
    set_up(plan, unit, …) -> RunSetup                  everything for `BringUp`

Steps: common practice (service manuals give no step sizes; 10-20 % is usual), the figures ours.
"""

from collections.abc import Collection, Mapping

import msgspec

from benchlog.bringup import wording
from benchlog.bringup.bounds import meter_of
from benchlog.bringup.planfile import PlanFile, PlanStep
from benchlog.limits import bringup as rules
from benchlog.limits.bringup import StepLimits, step_limits
from benchlog.limits.typical import typical_curve
from benchlog.model.errors import PlanRefused
from benchlog.model.instrument import MeterSheet
from benchlog.model.limit import Confidence, Limit
from benchlog.model.reference import Reference
from benchlog.model.role import Role
from benchlog.model.run import RunSetup
from benchlog.model.step import Step
from benchlog.model.unit import Amplifier, Core, OutputTopology, Supply, Unit

LINEAR = (0.05, 0.10, 0.15, 0.20, 0.30, 0.40, 0.50, 0.65, 0.80, 0.90, 1.00)
VALVE = (0.05, 0.10, 0.20, 0.35, 0.50, 0.65, 0.80, 0.90, 1.00)
SWITCH_MODE = (0.10, 0.90, 1.00)
SHORT_LOOK_S = 2.0
"""Stay of a switch-mode unit at its first step, after the inrush window."""
RUNAWAY_DWELL_S = 60.0
"""Least stay where a bias runaway is slow enough to catch: 0.40 to 0.50 of nominal."""
RUNAWAY_ZONE = (0.39, 0.51)
LONGEST_S = 120.0
LONGEST_VALVE_S = 300.0
NO_DWELL = (0.2, 0.9)
"""Between these fractions a switch-mode supply starts, stops and starts again: no stay there."""
DIAL_SHARE = 0.05
"""A dial stands within this share of its full scale of where it should."""
SAG = 0.05
"""How far the inlet may lie below the dial (ours)."""
MAY_MISS = "May not be judged with this meter, where the dial stands beside the step:"
FIRST_MOST = 0.20
"""Highest first step of a linear supply: the core does not saturate at any switching angle."""
SAME_MAINS = 0.05
"""Fraction by which the nominal voltages of a unit and its reference may differ (100 and 120 V may not)."""


_MAKERS = 'name the maker\'s own procedure (procedure = "maker", with its reason).'


class Plan(msgspec.Struct, frozen=True):
    """A plan with what has to be said before power."""

    steps: tuple[Step, ...]
    warnings: tuple[str, ...] = ()
    refused: str = ""
    """Why it must not be run, in one sentence with the remedy; empty where it may."""
    procedure: str = ""
    procedure_reason: str = ""
    asked: tuple[str, ...] = ()
    """Those of the warnings that have to be answered before power."""
    unwatched: tuple[float, ...] = ()
    """Fractions of the steps at which this meter can't watch this unit."""


def make_plan(
    unit: Unit,
    sheets: Mapping[Role, MeterSheet],
    reads: Collection[Role],
    *,
    hand_set: bool = False,
    lamp_w: float | None = None,
    reference: Reference | None = None,
    file: PlanFile | None = None,
) -> Plan:
    """The steps for a unit with their limits at each, what can't be judged, and whether it may be run.

    ``sheets`` and ``reads``: the instruments' sheets and the roles that are read. `UsageError` where the unit
    has no nameplate figure or nothing reads the source current.
    """
    setup = RunSetup(
        unit,
        (),
        dict.fromkeys(reads, 0.0),
        dict(sheets),
        hand_set=hand_set,
        lamp_w=lamp_w,
        reference=reference,
    )
    limits = step_limits(unit, meter_of(setup), setup.source.rated_current_a, reference)
    written = file.step if file is not None else _default(unit)
    steps = tuple(_step(unit, limits, step, file is not None) for step in written)
    unwatched = tuple(s.fraction for s in steps if rules.cannot_watch(limits, s.fraction))
    asked = tuple(rules.remedy(limits, fraction) for fraction in unwatched[:1])
    return Plan(
        steps,
        warnings=(*asked, *_warnings(setup, limits, steps, file)),
        refused=_refusal(setup, steps, file),
        procedure=file.procedure if file else "",
        procedure_reason=file.reason if file else "",
        asked=asked,
        unwatched=unwatched,
    )


def demand(plan: Plan) -> Plan:
    """The plan itself; `PlanRefused` where it must not be run."""
    if plan.refused:
        raise PlanRefused(plan.refused)
    return plan


def set_up(
    plan: Plan,
    unit: Unit,
    sheets: Mapping[Role, MeterSheet],
    periods_s: Mapping[Role, float],
    *,
    hand_set: bool = False,
    contactor: bool = False,
    lamp_w: float | None = None,
    soak_s: float = 0.0,
    ask: bool = False,
    time_scale: float = 1.0,
    reference: Reference | None = None,
) -> RunSetup:
    """Everything `BringUp` needs; `PlanRefused` where the plan must not be run."""
    return RunSetup(
        unit=unit, steps=demand(plan).steps, periods_s=dict(periods_s), sheets=dict(sheets),
        hand_set=hand_set, contactor=contactor, lamp_w=lamp_w, soak_s=soak_s, ask=ask,
        time_scale=time_scale, reference=reference, typical=typical_curve(unit),
        procedure=plan.procedure, procedure_reason=plan.procedure_reason,
    )  # fmt: skip


def _default(unit: Unit) -> tuple[PlanStep, ...]:
    if unit.supply is Supply.SWITCH_MODE:
        return tuple(PlanStep(f, dwell_s=SHORT_LOOK_S if f == SWITCH_MODE[0] else None) for f in SWITCH_MODE)
    if unit.amplifier is Amplifier.VALVE:
        return tuple(PlanStep(f, longest_s=LONGEST_S if 0.3 <= f <= 0.7 else LONGEST_VALVE_S) for f in VALVE)
    return tuple(PlanStep(f) for f in LINEAR)


def _step(unit: Unit, limits: StepLimits, written: PlanStep, own_file: bool) -> Step:
    fraction = written.fraction if written.fraction is not None else (written.volts or 0.0) / unit.mains_v
    longest_s = LONGEST_VALVE_S if unit.amplifier is Amplifier.VALVE else LONGEST_S
    dwell_s = _dwell_s(unit, fraction, written)
    acceptance, stop = _limits_at(limits, fraction, written)
    return Step(
        fraction=fraction,
        set_v=round(fraction * unit.mains_v, 3) if written.volts is None else written.volts,
        acceptance=acceptance,
        stop=stop,
        judgeable=rules.u_a(limits, acceptance.value) <= acceptance.value / 2.0,
        remedy=rules.remedy(limits, fraction),
        dwell_min_s=dwell_s,
        dwell_max_s=max(written.longest_s or longest_s, dwell_s),
        short_check=_is_short(unit, fraction, dwell_s),
        own_limits=written.own_limits,
    )


def _is_short(unit: Unit, fraction: float, dwell_s: float) -> bool:
    """A short look at a switch-mode unit before it starts: too short to wait for a settled current."""
    return unit.supply is Supply.SWITCH_MODE and fraction <= NO_DWELL[0] and 0.0 < dwell_s < 10.0


def _dwell_s(unit: Unit, fraction: float, written: PlanStep) -> float:
    if written.dwell_s is not None:
        return written.dwell_s
    runaway = unit.supply is Supply.LINEAR and unit.amplifier is not Amplifier.VALVE
    return RUNAWAY_DWELL_S if runaway and RUNAWAY_ZONE[0] <= fraction <= RUNAWAY_ZONE[1] else 0.0


def _limits_at(limits: StepLimits, fraction: float, written: PlanStep) -> tuple[Limit, Limit]:
    acceptance, stop = rules.acceptance(limits, fraction), rules.stop(limits, fraction)
    source = f"plan file: {written.reason.strip()}"
    if written.acceptance_a is not None:
        acceptance = Limit(acceptance.name, written.acceptance_a, "A", source, Confidence.COMMON_PRACTICE)
        least_a = written.acceptance_a + 2.0 * rules.u_a(limits, written.acceptance_a)
        bounded_a = min(max(1.5 * written.acceptance_a, least_a), rules.hard_bound_a(limits))
        stop = Limit(stop.name, max(bounded_a, least_a), "A", source, Confidence.COMMON_PRACTICE)
    if written.stop_a is not None:
        most_a = max(stop.value, rules.hard_bound_a(limits))
        stop = Limit(stop.name, min(written.stop_a, most_a), "A", source, Confidence.COMMON_PRACTICE)
    return acceptance, stop


def _refusal(setup: RunSetup, steps: tuple[Step, ...], file: PlanFile | None) -> str:
    highest_v = steps[-1].set_v
    rated_v = setup.dial_v if setup.hand_set else setup.source.rated_voltage_v
    if rated_v is not None and highest_v > rated_v:
        return (
            f"The plan goes to {wording.volts(highest_v)}, above the source's range of "
            f"{wording.volts(rated_v)}. Use another source or range, or end the plan below it."
        )
    other = _other_mains(setup)
    if other or file is None or file.overrides:
        return other
    if setup.unit.supply is Supply.SWITCH_MODE:
        slow = [s for s in steps if NO_DWELL[0] < s.fraction < NO_DWELL[1]]
        if slow:
            return (
                f"The plan stays at {wording.volts(slow[0].set_v)}, where a switch-mode supply starts and "
                f"stops over and over. Go from 20 % straight to 90 %, or {_MAKERS}"
            )
    elif steps[0].fraction > FIRST_MOST + 1e-9:
        return (
            f"The plan begins at {wording.volts(steps[0].set_v)}; a transformer may saturate when switched "
            f"on above {100 * FIRST_MOST:.0f} % of nominal. Begin lower, or {_MAKERS}"
        )
    return ""


def _other_mains(setup: RunSetup) -> str:
    """Why a reference can't serve: its unit was for another mains voltage, and draws another current."""
    reference, mains_v = setup.reference, setup.unit.mains_v
    if reference is None or abs(reference.mains_v - mains_v) <= SAME_MAINS * mains_v:
        return ""
    return (
        f"The reference {reference.name} is of a unit for {wording.volts(reference.mains_v)}, and this one "
        f"is for {wording.volts(mains_v)}. Take a reference of the same mains voltage, or none."
    )


def _warnings(
    setup: RunSetup, limits: StepLimits, steps: tuple[Step, ...], file: PlanFile | None
) -> list[str]:
    found = _of_meters(setup, limits, steps) + _of_kind(setup)
    if file is not None and file.overrides:
        found.append(f"Maker's own procedure: {file.reason.strip()}")
    return found


def _of_meters(setup: RunSetup, limits: StepLimits, steps: tuple[Step, ...]) -> list[str]:
    found = []
    blind = [s for s in steps if not s.judgeable]
    if blind:
        where = ", ".join(wording.volts(s.set_v) for s in blind)
        remedy = blind[0].remedy.partition(": ")[2] or "use a finer meter, or the series lamp first."
        found.append(f"Can't be judged with this meter: {where}. What would help: {remedy}")
    apart = [s for s in steps if s.judgeable and _may_miss(setup, limits, s.fraction)]
    if apart:
        where = ", ".join(wording.volts(s.set_v) for s in apart)
        found.append(f"{MAY_MISS} {where}.")
    if not setup.reads(Role.INLET_VOLTAGE):
        found.append("The inlet voltage is not read: each limit is taken at the voltage that was asked for.")
    return found


def _may_miss(setup: RunSetup, limits: StepLimits, fraction: float) -> bool:
    """Whether a dial may stand, on its way to this step, where the meter can't judge."""
    if not setup.hand_set:
        return False
    apart = DIAL_SHARE * setup.dial_v / setup.unit.mains_v
    low, high = max((1.0 - SAG) * fraction - apart, 0.0), fraction + apart
    return any(rules.cannot_judge(limits, low + (high - low) * k / 12.0) for k in range(13))


def _of_kind(setup: RunSetup) -> list[str]:
    unit, found = setup.unit, []
    if unit.supply is Supply.SWITCH_MODE and setup.lamp_w is None:
        found.append("Switch-mode: a first power-up behind a series lamp is advised; no lamp is declared.")
    if unit.amplifier is not Amplifier.VALVE:
        found.append("No loudspeaker or customer's load before the DC at the output has been judged.")
    else:
        found.append(
            "Valve: have a load connected; check the transformer first, output valves out, at low volts."
        )
    if unit.supply is Supply.LINEAR and unit.core is None:
        found.append("Look at the core (toroidal or frame): the wider limits of a frame are used until then.")
    if setup.reads(Role.OUTPUT_DC) and unit.topology is OutputTopology.UNKNOWN:
        found.append("The kind of output is not known: its DC is shown, not judged.")
    if unit.core is Core.FRAME and unit.plate_va < 50.0:
        found.append("Small frame core: 20 to 50 % of the rated current as magnetising current is normal.")
    return found
