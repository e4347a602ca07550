"""Fault patterns: what was seen at each voltage, and the named conditions that it fits."""

import msgspec


class Seen(msgspec.Struct, frozen=True):
    """Settled readings at one voltage; None where nothing read it."""

    fraction: float
    """Measured inlet volts ÷ nominal."""
    current_a: float
    u_a: float
    """Expanded uncertainty of the current, in A."""
    power_w: float | None = None
    power_factor: float | None = None
    crest_factor: float | None = None
    h2_ratio: float | None = None
    """Second harmonic ÷ fundamental of the current."""
    drift_per_min: float | None = None
    """Relative change of the current a minute at this voltage: 0.1 for 10 %."""
    output_dc_v: float | None = None
    rail_plus_v: float | None = None
    rail_minus_v: float | None = None


class FaultPattern(msgspec.Struct, frozen=True):
    """A named condition; ``undetermined`` where the evidence does not separate two."""

    name: str
    evidence: str
    """What was seen that speaks for it, in words and numbers."""
    tell_apart_by: str
    """What would tell it from the next one."""
