"""Limits that come from the nameplate, the source and the mains transformer.

plate_a(unit) -> Limit              rated current
plate_w(unit) -> Limit              rated watts
idle_ceiling_w(unit), hard_bound_a(unit) -> Limit
source_fraction(...) -> Limit       how far a source reaches
first_step(core) -> Limit           largest first step, as a fraction, that does not saturate the core
worst_inrush_a(...) -> Limit        largest peak that the resistances allow
winding_ohms(va, volts) -> Limit    usual primary resistance

Volts and amperes are r.m.s. but for peaks. `UsageError` for values that are not above zero.
Sources: IEC 60038 (voltages), IEC 60065 and IEC 62368-1 (what a marking means; second-hand), the transformer
equation (any textbook); constants of cores and windings from memory, and the phrases say so.
"""

import math
from itertools import pairwise

from benchlog.model.errors import UsageError
from benchlog.model.limit import Confidence, Limit
from benchlog.model.unit import Core, PlateKind, Unit

NOMINAL_V = (100.0, 120.0, 230.0, 240.0)
"""Single-phase voltages that units are marked for; 120, 230 and 240 V after IEC 60038, 100 V from memory."""
IEC_60038 = (
    (50.0, "3-phase 4-wire", 230.0, 400.0),
    (50.0, "3-phase 4-wire", 400.0, 690.0),
    (60.0, "3-phase 4-wire", 120.0, 208.0),
    (60.0, "3-phase 3-wire", None, 240.0),
    (60.0, "3-phase 4-wire", 230.0, 400.0),
    (60.0, "3-phase 4-wire", 277.0, 480.0),
    (60.0, "3-phase 4-wire", 347.0, 600.0),
    (60.0, "1-phase 3-wire", 120.0, 240.0),
)
"""Frequency, system, line-to-neutral and line-to-line volts (IEC 60038); tolerance ±10 %."""

_K_SATURATION = {Core.TOROIDAL: 1.15, Core.FRAME: 1.15}
_K_REMANENCE = {Core.TOROIDAL: 0.80, Core.FRAME: 0.40}
_REGULATION = ((50.0, 0.15), (100.0, 0.10), (250.0, 0.08), (500.0, 0.06), (1000.0, 0.04))


def mains_band(nominal_v: float) -> tuple[float, float]:
    """Lowest and highest volts of a supply of this nominal voltage: ±10 % (IEC 60038)."""
    return 0.9 * nominal_v, 1.1 * nominal_v


def plate_a(unit: Unit) -> Limit:
    """Rated current Ir in A, and what the marking means.

    Amperes as marked; VA ÷ V; watts ÷ (V·0.7). An audio marking is usually the consumption at one eighth
    of the rated output (IEC 60065, 4.2.6), neither the greatest nor the idle one.
    """
    kind = unit.plate.kind if unit.plate else None
    how = {
        PlateKind.AMPERES: "nameplate, amperes as marked",
        PlateKind.VOLT_AMPERES: "nameplate, VA ÷ V",
        PlateKind.WATTS: "nameplate, W ÷ (V·0.7)",
    }
    amperes = unit.rated_a
    source = f"{how[kind] if kind else 'nameplate'}; usually consumption at 1/8 of rated output"
    return Limit("plate-a", amperes, "A", source, Confidence.OURS)


def plate_w(unit: Unit) -> Limit:
    """Rated watts: as marked, else VA × 0.7."""
    if unit.plate is not None and unit.plate.kind is PlateKind.WATTS:
        return Limit("plate-w", unit.plate.value, "W", "nameplate, watts as marked", Confidence.MAKER)
    return Limit("plate-w", 0.7 * unit.plate_va, "W", "nameplate, VA × 0.7", Confidence.OURS)


def idle_ceiling_w(unit: Unit) -> Limit:
    """Watts that a class AB unit on a linear supply should not draw at idle: half the plate's."""
    return Limit(
        "idle-ceiling-w", 0.5 * plate_w(unit).value, "W", "half the nameplate's watts", Confidence.OURS
    )


def hard_bound_a(unit: Unit) -> Limit:
    """110 % of rated current, the most a sound unit draws at its rating."""
    source = "110 % of the rated current, after the input test of IEC 62368-1 (clause from memory)"
    return Limit("plate-hard-bound-a", 1.1 * unit.rated_a, "A", source, Confidence.UNVERIFIED)


def expected_plate_w(output_w: float) -> Limit:
    """Plate watts to expect of a rated output (all channels): output ÷ 8 ÷ 0.22."""
    if not 0.0 < output_w < math.inf:
        raise UsageError("The rated output must be above zero, in watts.")
    source = "1/8 of rated output at 22 % efficiency, after the test condition of IEC 60065"
    return Limit("plate-expected-w", output_w / 8.0 / 0.22, "W", source, Confidence.COMMON_PRACTICE)


def source_fraction(rated_voltage_v: float, nominal_v: float) -> Limit:
    """Highest fraction of nominal that a source reaches."""
    if not rated_voltage_v > 0.0 or not nominal_v > 0.0:
        raise UsageError("The source's greatest voltage and the nominal voltage must be above zero.")
    return Limit("source-fraction", rated_voltage_v / nominal_v, "", "the source's sheet", Confidence.MAKER)


def first_step(core: Core | None = None) -> Limit:
    """Largest first step, as a fraction of nominal, that saturates no core at any switching angle.

    v ≤ (k_sat − k_r)/2, from the full-offset flux 2·v·Φ + Φr; k_sat 1.15, remanence k_r 0.8 toroidal, 0.4
    frame (constants from memory). An unknown core counts as toroidal.
    """
    kind = core or Core.TOROIDAL
    fraction = (_K_SATURATION[kind] - _K_REMANENCE[kind]) / 2.0
    source = f"(k_sat − k_r)/2 for a {kind.value} core; constants from memory"
    return Limit("first-step", fraction, "", source, Confidence.UNVERIFIED)


def worst_inrush_a(volts: float, ohms: float) -> Limit:
    """Largest peak of a saturated core or empty reservoirs: √2·V ÷ (source + wiring + winding resistance)."""
    if not ohms > 0.0:
        raise UsageError("The resistance of source, wiring and winding must be above zero.")
    source = "√2·V ÷ series resistance"
    return Limit("worst-inrush-a", math.sqrt(2.0) * volts / ohms, "A", source, Confidence.OURS)


def _regulation(va: float) -> float:
    points = _REGULATION
    if va <= points[0][0]:
        return points[0][1]
    for (x0, y0), (x1, y1) in pairwise(points):
        if va <= x1:
            return y0 + (y1 - y0) * (math.log(va / x0) / math.log(x1 / x0))
    return points[-1][1]


def winding_ohms(va: float, volts: float) -> Limit:
    """Usual primary resistance in Ω: ½·regulation·V²/VA; an order of size only.

    Regulation 15 % at 50 VA falling to 4 % at 1 kVA, from memory; frame cores read higher, toroidal lower.
    """
    if not va > 0.0:
        raise UsageError("The transformer's VA must be above zero.")
    ohms = 0.5 * _regulation(va) * volts * volts / va
    source = "½·regulation·V²/VA, regulation by size from memory"
    return Limit("winding-ohms", ohms, "Ω", source, Confidence.UNVERIFIED)
