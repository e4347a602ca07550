"""A reference unit: what another unit of the same model drew, kept so that it can be shared as a file."""

import msgspec


class ReferencePoint(msgspec.Struct, frozen=True):
    """Settled idle at one voltage."""

    fraction: float
    """Measured inlet volts ÷ nominal."""
    current_a: float
    upper_a: float
    """Upper edge of the band: what a unit like it may draw at this voltage."""
    power_w: float | None = None


class Reference(msgspec.Struct, frozen=True):
    """Settled idle current of one or several units of a model, by rising voltage."""

    name: str
    """Which units, e.g. the job's number; fit for a document."""
    mains_v: float
    points: tuple[ReferencePoint, ...]
    units: int = 1
    """How many units it was drawn from."""
    invented: bool = False
    """True for demonstration data."""
