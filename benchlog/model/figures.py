"""What is worked out from a recorded waveform or a slow meter's readings; keys as in the JSON."""

import msgspec


class WaveFigures(msgspec.Struct, frozen=True):
    """Figures of one sampled switch-on. None where the record does not show it; then a warning says why."""

    offset_a: float | None
    """Zero of the current sensor before switch-on; removed from every figure."""
    frequency_hz: float | None
    switch_on_s: float | None
    """From the first sample."""
    switch_on_phase_deg: float | None
    """Of the voltage, from its rising zero crossing, 0 to 360."""
    inrush_peak_a: float | None
    """Largest instantaneous current since switch-on, with its sign."""
    half_cycle_rms_a: tuple[float, ...]
    """One value for each half-cycle of the voltage, from the one that holds the switch-on."""
    max_half_cycle_rms_a: float | None
    i2t_10ms_a2s: float | None
    i2t_100ms_a2s: float | None
    i2t_1s_a2s: float | None
    i2t_settled_a2s: float | None
    """From switch-on to the end of the decay."""
    decay_s: float | None
    """From switch-on to the end of the first whole cycle within 10 % above the settled r.m.s."""
    settled_rms_a: float | None
    settled_rms_v: float | None
    active_power_w: float | None
    apparent_power_va: float | None
    power_factor: float | None
    crest_factor: float | None
    dc_a: float | None
    h2_ratio: float | None
    """Second harmonic ÷ fundamental of the settled current."""
    h3_ratio: float | None
    warnings: tuple[str, ...] = ()


class SlowFigures(msgspec.Struct, frozen=True):
    """Figures of one voltage step from contiguous or scattered true-r.m.s. readings of a meter."""

    readings: int
    per_second: float | None
    largest_a: float | None
    largest_at_s: float | None
    peak_at_least_a: float | None
    """Lower bound on the true peak: the largest reading itself, as no r.m.s. exceeds the peak."""
    peak_low_a: float | None
    peak_high_a: float | None
    """Range of the true peak by the meter's rate, 5-95 % of simulated linear supplies; not a bound."""
    i2t_a2s: float | None
    """Above idle, only where the readings follow one another without gaps."""
    i2t_at_least_a2s: float | None
    settled: bool
    settled_after_s: float | None
    idle_a: float | None
    idle_u_a: float | None
    warnings: tuple[str, ...] = ()
