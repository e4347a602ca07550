"""What a plan is reckoned with, and whose word each of it is, as lines before the plan."""

import argparse

from benchlog.model.unit import PlateKind, Unit

_MARK = {PlateKind.AMPERES: "A", PlateKind.WATTS: "W", PlateKind.VOLT_AMPERES: "VA"}
_PLATE = ("plate_a", "plate_w", "plate_va")
_IDLE = ("idle_w", "idle_a")


def assumed(unit: Unit, args: argparse.Namespace, whose: str) -> list[str]:
    """Plate, mains, fuse, core, kind and the maker's idle figure: as given, by whose word, or not given.

    ``whose`` stands before what no option gives, e.g. ``of the job``; empty where nobody's does.
    """
    told = (
        (_PLATE, "plate", _plate(unit)),
        (("mains",), "mains", f"{unit.mains_v:g} V"),
        (("fuse",), "fuse", unit.fuse.marking if unit.fuse is not None else ""),
        (("core",), "core", unit.core.value if unit.core is not None else ""),
        (("amplifier",), "amplifier", unit.amplifier.value),
        (("supply",), "supply", unit.supply.value),
        (_IDLE, "maker's idle figure", _idle(unit)),
        (("reference",), "reference", _references(args)),
    )
    heads = ("as given", whose or "not given, so assumed")
    groups: dict[str, list[str]] = {head: [] for head in heads}
    for options, name, value in told:
        given = any(getattr(args, option, None) is not None for option in options)
        if value:
            groups[heads[not given]].append(f"{name} {value}")
    lines = [f"Reckoned with, {head}: {', '.join(found)}." for head, found in groups.items() if found]
    lacking = [name + _MEANS.get(name, "") for _, name, value in told if not value]
    return [*lines, f"Not given: {', '.join(lacking)}."] if lacking else lines


_MEANS = {"fuse": " (so it bounds nothing)", "core": " (so the wider limits of a frame are used)"}


def _plate(unit: Unit) -> str:
    if unit.plate is None:
        return ""
    return f"{unit.plate.value:g} {_MARK[unit.plate.kind]} ({unit.rated_a:.3g} A)"


def _idle(unit: Unit) -> str:
    if unit.idle_w is not None:
        return f"{unit.idle_w:g} W"
    return "" if unit.idle_a is None else f"{unit.idle_a:g} A"


def _references(args: argparse.Namespace) -> str:
    return ", ".join(str(one) for one in getattr(args, "reference", None) or ())


def describes_unit(args: argparse.Namespace) -> bool:
    """Whether the options give a nameplate: the unit is then meant, whatever a file says."""
    return any(getattr(args, name) is not None for name in _PLATE)
