"""The usual idle curve of a kind of unit: what forecasts rest on where no reference unit is on file.

    typical_curve(unit) -> TypicalCurve | None

Source: ours; fitted to simulated units, straight in the logarithm of the rating, with split-conformal bands
(see `benchlog.measure.forecast`) on units set aside. ``typical.json`` states seeds and numbers; no real unit
was measured. It serves forecasts only: no limit and no verdict rests on it.
"""

import math
from collections.abc import Sequence
from functools import lru_cache
from importlib import resources

import msgspec

from benchlog.model.typical import Bands, TypicalCurve
from benchlog.model.unit import Amplifier, Core, Supply, Unit

REFERENCE_VA = 300.0
"""Rating at which the tables' middles stand."""
_SIZES = (30.0, 1000.0)
"""Ratings between which the units lay; beyond them the nearest is taken."""


class KindTable(msgspec.Struct, frozen=True):
    """One kind of unit: logarithms of shares at `REFERENCE_VA`, and their slope on ln(VA ÷ that)."""

    fractions: tuple[float, ...]
    ln_current: tuple[float, ...]
    slope_current: tuple[float, ...]
    ln_power: tuple[float, ...]
    slope_power: tuple[float, ...]
    power_factor: float
    current: Bands
    power: Bands
    models: int
    """How many models it was worked out from."""


class Table(msgspec.Struct, frozen=True):
    """All kinds, by the name that `kind_name` gives."""

    origin: str
    kinds: dict[str, KindTable]


def kind_name(unit: Unit) -> str:
    """The kind of unit that a table is kept for; a core that is not known counts as a frame."""
    if unit.amplifier is not Amplifier.CLASS_AB:
        return unit.amplifier.value
    return f"{unit.amplifier.value}, {'toroidal' if unit.core is Core.TOROIDAL else 'frame'}"


@lru_cache(maxsize=1)
def load_table() -> Table:
    """The table that comes with the program."""
    text = resources.files("benchlog.limits").joinpath("typical.json").read_bytes()
    return msgspec.json.decode(text, type=Table)


def typical_curve(unit: Unit) -> TypicalCurve | None:
    """The usual curve of a unit of this kind and rating; None for a switch-mode supply, which has no curve.

    `UsageError` where the unit has no nameplate figure.
    """
    table = load_table().kinds.get(kind_name(unit))
    if unit.supply is not Supply.LINEAR or table is None:
        return None
    return curve_of(table, unit.plate_va, load_table().origin)


def curve_of(table: KindTable, plate_va: float, origin: str) -> TypicalCurve:
    """The curve of a kind at a rating in VA; no share lies above that of a higher voltage."""
    x = math.log(min(max(plate_va, _SIZES[0]), _SIZES[1]) / REFERENCE_VA)
    return TypicalCurve(
        table.fractions,
        _rising(table.ln_current, table.slope_current, x),
        _rising(table.ln_power, table.slope_power, x),
        table.power_factor,
        table.current,
        table.power,
        origin,
    )


def _rising(middles: Sequence[float], slopes: Sequence[float], x: float) -> tuple[float, ...]:
    found = [a + b * x for a, b in zip(middles, slopes, strict=True)]
    for k in range(len(found) - 2, -1, -1):
        found[k] = min(found[k], found[k + 1])
    return tuple(found)
