"""Plausible switch-mode supplies, drawn by the plate (ours; start and stop voltages are common practice)."""

import math

import numpy as np

from benchlog_drivers.simulated.unit_params import Rails, SwitchMode

_WATTS = 150.0
"""Plate of the supply from which the others are scaled."""


def draw_switch_mode(
    dice: np.random.Generator, plate_w: float, output_w: float, idle_w: float, rails: Rails, mains_v: float
) -> SwitchMode:
    """Universal input starting at 75-90 V AC, or at 230 V half of them for that range alone (150-180 V).

    Bulk about 3 µF per plate watt at 120 V; thermistor 5 Ω at 150 W; X-capacitors of the usual sizes.
    """
    is_low = mains_v < 180.0
    is_universal = is_low or bool(dice.random() < 0.5)
    start_ac = dice.uniform(75.0, 90.0) * (1.0 if is_universal else 2.0)
    stop_ac = start_ac * dice.uniform(0.76, 0.86)
    per_watt = 3.1e-6 * dice.uniform(0.7, 1.4) * (1.0 if is_universal else 0.4)
    size = plate_w / _WATTS
    return SwitchMode(
        x_farad=float(dice.choice([0.1e-6, 0.22e-6, 0.47e-6])),
        x_bleeder_ohm=470e3,
        filter_h=300e-6,
        filter_ohm=0.35 / size**0.5,
        thermistor_ohm=5.0 / size**0.5 * dice.uniform(0.8, 1.4) * (1.0 if is_low else 2.0),
        thermistor_b_k=3000.0,
        thermistor_k_per_w=60.0 / size**0.3,
        thermistor_j_per_k=0.5 * size**0.5,
        bulk_farad=max(47e-6, per_watt * plate_w),
        bulk_esr_ohm=0.15 / size**0.5,
        start_up_ohm=220e3,
        start_v=start_ac * math.sqrt(2.0),
        stop_v=stop_ac * math.sqrt(2.0),
        rail_v=rails.nominal_v,
        rail_farad=0.2 * rails.farad,
        standby_w=0.2 * idle_w,
        efficiency=0.88,
        limit_w=1.5 * output_w + idle_w,
    )
