"""What is found in a record on the way to its figures; positions are in samples from the first."""

from dataclasses import dataclass

from benchlog.measure.crossings import Floats
from benchlog.measure.switching import SwitchOn


@dataclass(frozen=True, slots=True, eq=False)
class Frame:
    """Where things are in a record, in samples."""

    rate_hz: float
    count: int
    scale_v: float
    frequency_hz: float | None
    switch_on: SwitchOn | None
    at: Floats
    """Zero crossings from the one that begins the half-cycle of the switch-on."""
    rising_first: bool


@dataclass(frozen=True, slots=True)
class Settled:
    """Figures of the settled window, which runs from ``start`` to ``end`` (samples)."""

    start: float
    end: float
    cycles: int
    rms_a: float
    rms_v: float
    power_w: float
    peak_a: float
    mean_a: float
    h2: float | None
    h3: float | None


@dataclass(frozen=True, slots=True, eq=False)
class Inrush:
    """Figures counted from the switch-on."""

    half_cycles: Floats
    peak_a: float | None
    peak_at: int
    early_peak_a: float | None
    """Largest current within a second of the switch-on."""
    i2t: tuple[float | None, float | None, float | None]
    i2t_settled: float | None
    decay_s: float | None
    earlier_rms_a: float | None
    """R.m.s. of the window just before the settled one; None where there is none since switch-on."""
