"""What a maker marks on the back: rated input and fuse."""

import math

import numpy as np

from benchlog.model.unit import Fuse, Plate, PlateKind
from benchlog_drivers.simulated.transformer import TransformerValues
from benchlog_drivers.simulated.unit_params import MainsFuse, SwitchMode

_IEC_SIZES = (0.2, 0.25, 0.315, 0.4, 0.5, 0.63, 0.8, 1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0, 10.0)
"""Rated currents of 5×20 links in A (R10 series, IEC 60127-2)."""
_UL_SIZES = (0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.25, 8.0, 10.0, 12.0, 15.0, 20.0)
"""Usual rated currents of UL 248-14 links in A (common practice)."""


def draw_plate(dice: np.random.Generator, plate_w: float, factor: float, mains_v: float) -> Plate:
    """Half the plates in W (to 5 W), half in A (two figures), at the rated condition's power ``factor``."""
    if dice.random() < 0.5:
        return Plate(PlateKind.WATTS, float(max(5, 5 * round(plate_w / 5))))
    amperes = plate_w / (mains_v * factor)
    return Plate(PlateKind.AMPERES, round(amperes, 1) if amperes >= 1.0 else round(amperes, 2))


def fixed_plate(dice: np.random.Generator, plate_va: float, mains_v: float) -> Plate:
    """A plate of just ``plate_va`` (VA): half in W (at power factor 0.7), half in A."""
    if dice.random() < 0.5:
        return Plate(PlateKind.WATTS, round(0.7 * plate_va, 1))
    return Plate(PlateKind.AMPERES, round(plate_va / mains_v, 3))


def inrush_a2s(transformer: TransformerValues, mains_v: float, mains_hz: float) -> float:
    """Worst switch-on I²t over 100 ms on stiff mains in A²s: a fit to waveforms of a 300 VA toroid (ours)."""
    ohm = transformer.primary_ohm + 0.1 * (mains_v / 120.0) ** 2
    air_ohm = 2.0 * math.pi * mains_hz * (transformer.magnetising.air_h + transformer.primary_leak_h)
    peak_a = math.sqrt(2.0) * mains_v / (1.44 * math.hypot(ohm, air_ohm))
    return 0.31 / mains_hz * peak_a**2


def bulk_inrush_a2s(supply: SwitchMode, mains_v: float) -> float:
    """Switch-on I²t of a switch-mode supply in A²s: a capacitor charged through R takes ½CV²/R."""
    ohm = supply.thermistor_ohm + supply.filter_ohm + supply.bulk_esr_ohm
    return 0.5 * supply.bulk_farad * 2.0 * mains_v**2 / ohm


def choose_fuse(
    dice: np.random.Generator, rated_a: float, mains_v: float, inrush: float
) -> tuple[Fuse, MainsFuse]:
    """A time-lag link above 1.3 times the plate current that outlives 2.5 times the inrush I²t (A²s).

    At 120 V half of them are to UL 248-14.
    Melting I²t 1.5·In^2.65 A²s (fit to makers' figures of time-lag 5×20 links); in the long run an IEC link
    melts at about 1.6·In (holds 1.5·In for an hour), a UL link at 1.25·In (opens at 1.35·In within an hour).
    """
    is_ul = mains_v < 180.0 and bool(dice.random() < 0.5)
    sizes = _UL_SIZES if is_ul else _IEC_SIZES
    rated = next(
        (size for size in sizes if size >= 1.3 * rated_a and _melting_a2s(size) >= 2.5 * inrush), sizes[-1]
    )
    if is_ul:
        fuse = Fuse(f"UL {rated:g}A", rated, "T", "", "ul")
    else:
        text = f"T{rated:g}AL250V" if rated >= 1.0 else f"T{rated * 1000:g}mAL250V"
        fuse = Fuse(text, rated, "T", "L", "iec")
    return fuse, wire_of(fuse)


def wire_of(fuse: Fuse) -> MainsFuse:
    """The wire of a time-lag link as `choose_fuse` has them; of a quick one a tenth of the I²t (ours)."""
    slow = fuse.characteristic in ("T", "TT", "")
    melting = _melting_a2s(fuse.rated_a) * (1.0 if slow else 0.1)
    return MainsFuse(fuse.rated_a, melting, 1.25 if fuse.standard == "ul" else 1.6)


def _melting_a2s(rated_a: float) -> float:
    return float(1.5 * rated_a**2.65)
