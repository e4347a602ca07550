"""Faults of a simulated unit, and which kinds of unit can have them."""

from enum import StrEnum

from benchlog.model.errors import UsageError
from benchlog.model.unit import Amplifier, Supply


class Fault(StrEnum):
    """What is wrong with the unit; the value is the word of the command line."""

    NONE = "none"
    RAIL_SHORT = "rail-short"
    SHORTED_DEVICE = "shorted-device"
    SHORTED_RECTIFIER = "shorted-rectifier"
    LEAKY_RESERVOIR = "leaky-reservoir"
    HIGH_BIAS = "high-bias"
    BIAS_RUNAWAY = "bias-runaway"
    SHORTED_TURNS = "shorted-turns"
    OPEN_RAIL_FUSE = "open-rail-fuse"
    OPEN_MAINS_FUSE = "open-mains-fuse"
    SOFT_START_STUCK = "soft-start-stuck"
    REFORMING_RESERVOIR = "reforming-reservoir"
    WRONG_VOLTAGE_TAP = "wrong-voltage-tap"


_NO_BIAS = frozenset({Fault.HIGH_BIAS, Fault.BIAS_RUNAWAY})
_NO_MAINS_TRANSFORMER = frozenset({Fault.SHORTED_TURNS, Fault.WRONG_VOLTAGE_TAP})
_NO_OUTPUT_DEVICES = frozenset({Fault.SHORTED_DEVICE, Fault.SOFT_START_STUCK})

_MISSING: dict[tuple[Amplifier, Supply], frozenset[Fault]] = {
    (Amplifier.CLASS_AB, Supply.LINEAR): frozenset(),
    (Amplifier.CLASS_A, Supply.LINEAR): frozenset(),
    (Amplifier.CLASS_D, Supply.LINEAR): _NO_BIAS,
    (Amplifier.VALVE, Supply.LINEAR): _NO_OUTPUT_DEVICES,
    (Amplifier.CLASS_AB, Supply.SWITCH_MODE): _NO_MAINS_TRANSFORMER,
    (Amplifier.CLASS_D, Supply.SWITCH_MODE): _NO_MAINS_TRANSFORMER | _NO_BIAS,
}


def allowed_faults(amplifier: Amplifier, supply: Supply) -> tuple[Fault, ...]:
    """Faults that make sense for this kind of unit; ``UsageError`` where the kind itself makes none."""
    missing = _MISSING.get((amplifier, supply))
    if missing is None:
        there_are = ", ".join(f"{kind} with {supplied}" for kind, supplied in _MISSING)
        raise UsageError(
            f"There is no simulated {amplifier} amplifier on a {supply} supply. There are: {there_are}."
        )
    return tuple(fault for fault in Fault if fault not in missing)


def check_fault(amplifier: Amplifier, supply: Supply, fault: Fault) -> None:
    """Refuse a fault that a kind of unit can't have, with the list of those it can (``UsageError``)."""
    faults = allowed_faults(amplifier, supply)
    if fault not in faults:
        raise UsageError(
            f"A {amplifier} amplifier on a {supply} supply can't have the fault {fault}. "
            f"It can have: {', '.join(faults)}."
        )
