"""From bench file, unit and options to the set-up of a run."""

import argparse

from benchlog.bench.file import Bench, InstrumentConfig
from benchlog.bringup.plan import Plan, set_up
from benchlog.cli.reference import load_references
from benchlog.model.errors import PlanRefused
from benchlog.model.instrument import MeterSheet
from benchlog.model.quantity import Quantity
from benchlog.model.role import Role
from benchlog.model.run import RunSetup
from benchlog.model.unit import Unit

QUANTITY_OF = {
    Role.SOURCE_CURRENT: Quantity.AC_CURRENT,
    Role.INLET_VOLTAGE: Quantity.AC_VOLTAGE,
    Role.SOURCE_POWER: Quantity.ACTIVE_POWER,
    Role.OUTPUT_DC: Quantity.DC_VOLTAGE,
    Role.RAIL_PLUS: Quantity.DC_VOLTAGE,
    Role.RAIL_MINUS: Quantity.DC_VOLTAGE,
    Role.HEATSINK: Quantity.TEMPERATURE,
    Role.BIAS: Quantity.DC_VOLTAGE,
}
"""Roles that are read during a bring-up, and what each reads."""

HAND_SET = "hand-set"
_USUAL_PER_SECOND = 2.5


def periods(bench: Bench) -> dict[Role, float]:
    """Session seconds between readings of each channel that is read, from the meter sheets."""
    found: dict[Role, float] = {}
    for role, quantity in QUANTITY_OF.items():
        config = bench.playing(role)
        if config is not None:
            stated = config.sheet.find(quantity)
            found[role] = 1.0 / (stated.per_second if stated and stated.per_second else _USUAL_PER_SECOND)
    return found


def sheets(bench: Bench) -> dict[Role, MeterSheet]:
    """The sheet of the instrument that plays each role."""
    return {role: config.sheet for config in bench.instrument for role in config.roles}


def source_of(bench: Bench) -> InstrumentConfig:
    """The source of a bench. `PlanRefused` where it names none."""
    source = bench.playing(Role.SOURCE)
    if source is None:
        raise PlanRefused(
            "The bench file names no source. Give one instrument the role 'source'; a variable transformer "
            "turned by hand has the adaptor 'hand-set'."
        )
    return source


def run_setup(bench: Bench, unit: Unit, plan: Plan, args: argparse.Namespace) -> RunSetup:
    """Everything that the limit watch of a run is set up with. `PlanRefused` where it must not be run."""
    return set_up(
        plan,
        unit,
        sheets(bench),
        periods(bench),
        hand_set=source_of(bench).adaptor == HAND_SET,
        contactor=bench.playing(Role.CUT_OFF) is not None,
        lamp_w=args.lamp or bench.lamp_w,
        soak_s=soak_seconds(args),
        ask=args.ask,
        time_scale=bench.simulated.time_scale if bench.simulated else 1.0,
        reference=load_references(args.reference),
    )


def soak_seconds(args: argparse.Namespace) -> float:
    """Length of the soak in session seconds."""
    return 60.0 * args.soak if args.soak else 0.0
