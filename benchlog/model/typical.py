"""The usual idle curve of a kind of unit, and how far forecasts by it have been off."""

import msgspec


class Bands(msgspec.Struct, frozen=True):
    """Factors up and down about the middle of a forecast, beside the meter's U, at the curve's fractions."""

    own: tuple[float, ...]
    """From the unit's own last step."""
    maker: tuple[float, ...]
    """From the maker's idle figure alone."""
    one_reference: tuple[float, ...]
    """From one reference unit, or two."""
    references: tuple[float, ...]
    """From three reference units or more."""


class TypicalCurve(msgspec.Struct, frozen=True):
    """What a unit of this kind and size usually draws at each fraction of its mains, of what it draws at 1.

    Recorded with a run, so that its record judged again forecasts the same.
    """

    fractions: tuple[float, ...]
    """Of nominal mains, rising; the last is 1."""
    ln_current: tuple[float, ...]
    """Logarithm of the current's share."""
    ln_power: tuple[float, ...]
    """Logarithm of the watts' share."""
    power_factor: float
    """Usual at full mains, idle."""
    current: Bands
    power: Bands
    origin: str
    """What it was worked out from."""
