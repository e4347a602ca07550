"""Fuses: what a marking means, what a fuse carries, when it opens, what melts it, what it reads cold.

    parse_fuse(marking) -> Fuse                             T2AL250V, F 3.15 A H 250 V, UL 2A
    hold(fuse), cold_ohms(fuse) -> Limit
    open_earliest(fuse, current_a), open_latest(fuse, current_a) -> Limit      s; infinite: may never open
    melting_i2t(fuse), pulse_i2t(fuse, pulses) -> Limit     A²s

Sources: IEC 60127-2 sheets and UL 248-14 as fuse makers print them (the standards themselves were not seen).
Sheets 1 and 6 are from memory and say so.
"""

import math
import re
from dataclasses import dataclass

import numpy as np

from benchlog.model.errors import UsageError
from benchlog.model.limit import Confidence, Limit
from benchlog.model.unit import Fuse

_MARKING = re.compile(
    r"\s*(?P<ul>UL)?\s*(?P<char>FF|TT|F|M|T)?\s*(?P<amps>\d+(?:[.,]\d+)?)\s*(?P<milli>m)?A?\s*"
    r"(?P<breaking>[LEH])?\s*(?:/?\s*\d+\s*V)?\s*",
    re.IGNORECASE,
)


@dataclass(frozen=True, slots=True)
class _Sheet:
    """Pre-arcing times in s at multiples of In for one range of rated currents. 0 or inf: not stated."""

    name: str
    up_to_a: float
    hold_1_5: float
    open_2_1: float
    at_2_75: tuple[float, float]
    at_4: tuple[float, float]
    at_10: tuple[float, float]
    confidence: Confidence = Confidence.STANDARD


_HOUR, _HALF = 3600.0, 1800.0
_MEMORY = Confidence.UNVERIFIED
_SHEETS: dict[tuple[str, str], tuple[_Sheet, ...]] = {
    ("F", "H"): (
        _Sheet("sheet 1", 4.0, _HOUR, _HALF, (0.010, 2.0), (0.003, 0.3), (0.0, 0.020), _MEMORY),
        _Sheet("sheet 1", 6.3, _HOUR, _HALF, (0.010, 3.0), (0.003, 0.3), (0.0, 0.020), _MEMORY),
    ),
    ("F", "L"): (
        _Sheet("sheet 2", 0.1, _HOUR, _HALF, (0.010, 0.5), (0.003, 0.1), (0.0, 0.020)),
        _Sheet("sheet 2", 6.3, _HOUR, _HALF, (0.050, 2.0), (0.010, 0.3), (0.0, 0.020)),
        _Sheet("sheet 2", 10.0, _HALF, _HALF, (0.050, 2.0), (0.010, 0.4), (0.0, 0.040)),
    ),
    ("T", "L"): (
        _Sheet("sheet 3", 0.1, _HOUR, 120.0, (0.2, 10.0), (0.040, 3.0), (0.010, 0.3)),
        _Sheet("sheet 3", 6.3, _HOUR, 120.0, (0.6, 10.0), (0.150, 3.0), (0.020, 0.3)),
        _Sheet("sheet 3", 20.0, _HALF, 120.0, (0.6, 10.0), (0.150, 3.0), (0.020, 0.3)),
    ),
    ("T", "H"): (
        _Sheet("sheet 5", 0.8, _HOUR, _HALF, (0.25, 80.0), (0.050, 5.0), (0.005, 0.15)),
        _Sheet("sheet 5", 3.15, _HOUR, _HALF, (0.75, 80.0), (0.095, 5.0), (0.010, 0.15)),
        _Sheet("sheet 5", 6.3, _HOUR, _HALF, (0.75, 80.0), (0.150, 5.0), (0.020, 0.15)),
        _Sheet("sheet 5", 10.0, _HALF, _HALF, (0.75, 80.0), (0.150, 5.0), (0.020, 0.15)),
        _Sheet("sheet 5", 16.0, 900.0, _HALF, (0.75, 80.0), (0.150, 5.0), (0.020, 0.15)),
    ),
    ("T", "E"): (
        _Sheet("sheet 6", 6.3, _HOUR, 120.0, (0.6, 10.0), (0.150, 3.0), (0.020, 0.3), _MEMORY),
    ),
}  # fmt: skip
_DERATING = ((100.0, 0.48), (1_000.0, 0.38), (10_000.0, 0.29), (100_000.0, 0.22))


def parse_fuse(marking: str) -> Fuse:
    """Read a marking in the order of IEC 60127-1 (characteristic, amperes, breaking, volts), or ``UL 2A``.

    ``T250mAL``, ``F 3,15 A H``, ``2A`` (neither letter) are understood. `UsageError` for anything else.
    """
    match = _MARKING.fullmatch(marking)
    amperes = float(match["amps"].replace(",", ".")) * (1e-3 if match["milli"] else 1.0) if match else 0.0
    if match is None or not amperes > 0.0:
        raise UsageError(f"{marking!r} is no fuse marking. Give it as T2AL250V, F3.15AH or UL 2A.")
    return Fuse(
        marking=marking.strip(),
        rated_a=amperes,
        characteristic=(match["char"] or "").upper(),
        breaking=(match["breaking"] or "").upper(),
        standard="ul" if match["ul"] else "iec",
    )


def _sheets(fuse: Fuse) -> list[_Sheet]:
    """Sheets that the marking allows; several where the breaking capacity is not marked."""
    found = [
        next(sheet for sheet in sheets if fuse.rated_a <= sheet.up_to_a)
        for (characteristic, breaking), sheets in _SHEETS.items()
        if characteristic == fuse.characteristic
        and fuse.breaking in ("", breaking)
        and fuse.rated_a <= sheets[-1].up_to_a
    ]
    if not found:
        raise UsageError(
            f"No sheet of IEC 60127-2 is on file for {fuse.marking}: FF, M, TT and unmarked types have no "
            "standard times. Look at the maker's curve."
        )
    known = [sheet for sheet in found if sheet.confidence is not _MEMORY]
    return known or found


def _gates(fuse: Fuse) -> tuple[list[tuple[float, float]], list[tuple[float, float]], str, Confidence]:
    """Earliest and latest opening at multiples of In, the source and its confidence."""
    if fuse.standard == "ul":
        longest = 120.0 if fuse.rated_a <= 30.0 else 240.0
        delay = 5.0 if fuse.rated_a <= 3.0 else 12.0
        earliest = [(1.0, delay), (2.0, delay)] if fuse.characteristic == "T" else []
        return earliest, [(1.35, _HOUR), (2.0, longest)], "UL 248-14", Confidence.STANDARD
    sheets = _sheets(fuse)
    rows = [
        [(1.0, s.hold_1_5), (1.5, s.hold_1_5), (2.75, s.at_2_75[0]), (4.0, s.at_4[0]), (10.0, s.at_10[0])]
        for s in sheets
    ]
    tops = [[(2.1, s.open_2_1), (2.75, s.at_2_75[1]), (4.0, s.at_4[1]), (10.0, s.at_10[1])] for s in sheets]
    earliest = [(m, min(row[k][1] for row in rows)) for k, (m, _) in enumerate(rows[0])]
    latest = [(m, max(row[k][1] for row in tops)) for k, (m, _) in enumerate(tops[0])]
    names = ", ".join(dict.fromkeys(s.name for s in sheets))
    memory = any(s.confidence is _MEMORY for s in sheets)
    source = f"IEC 60127-2, {names}" + (", from memory" if memory else ", as printed by fuse makers")
    return [g for g in earliest if g[1] > 0.0], latest, source, _MEMORY if memory else Confidence.STANDARD


def _time(gates: list[tuple[float, float]], multiple: float) -> float:
    """Straight in the logarithms between gates, constant I²t beyond the last, infinite before the first."""
    if not gates or multiple < gates[0][0] or multiple <= 1.0:
        return math.inf
    if multiple >= gates[-1][0]:
        return gates[-1][1] * (gates[-1][0] / multiple) ** 2
    logs = np.interp(math.log(multiple), [math.log(m) for m, _ in gates], [math.log(t) for _, t in gates])
    return math.exp(float(logs))


def open_earliest(fuse: Fuse, current_a: float) -> Limit:
    """Time in s before which it may not have opened at this current; infinite where it may never open.

    A UL type without delay states no earliest time above its rating: 0 there.
    """
    earliest, _, source, confidence = _gates(fuse)
    multiple = current_a / fuse.rated_a
    if fuse.standard == "ul" and not earliest:
        return Limit("fuse-open-earliest", 0.0 if multiple > 1.0 else math.inf, "s", source, confidence)
    return Limit("fuse-open-earliest", _time(earliest, multiple), "s", source, confidence)


def open_latest(fuse: Fuse, current_a: float) -> Limit:
    """Time in s by which it must have opened at this current; infinite where it may carry it for good."""
    _, latest, source, confidence = _gates(fuse)
    return Limit("fuse-open-latest", _time(latest, current_a / fuse.rated_a), "s", source, confidence)


def hold(fuse: Fuse) -> Limit:
    """Current that no dwell may exceed: 1.0·In, UL types too (for a lasting load makers advise 75 %)."""
    source = "rated current as marked"
    if fuse.standard == "ul":
        source += "; makers advise 75 % of it for a lasting load (UL 248-14)"
    return Limit("fuse-hold", fuse.rated_a, "A", source, Confidence.STANDARD)


def melting_i2t(fuse: Fuse) -> Limit:
    """Least melting I²t to count with, in A²s.

    Lower edge of makers' typical figures: time-lag ceramic (H) 1.05·In^2.58, time-lag glass (L)
    9.0·In^2.2. Fast types 1/20 of the ceramic time-lag, from memory. `UsageError` for other characteristics.
    """
    amperes = fuse.rated_a
    if fuse.characteristic == "T":
        ceramic = 1.05 * amperes**2.58
        if fuse.breaking == "L":
            source = "time-lag glass type, lower edge of one maker's figures"
            return Limit("fuse-melting-i2t", 9.0 * amperes**2.2, "A²s", source, Confidence.MAKER)
        source = "time-lag ceramic type, lower edge of three makers' figures"
        return Limit("fuse-melting-i2t", ceramic, "A²s", source, Confidence.MAKER)
    if fuse.characteristic == "F":
        source = "fast type: a twentieth of the time-lag one, from memory"
        return Limit("fuse-melting-i2t", 1.05 * amperes**2.58 / 20.0, "A²s", source, Confidence.UNVERIFIED)
    raise UsageError(f"No melting I²t is on file for {fuse.marking}. Look at the maker's sheet.")


def pulse_i2t(fuse: Fuse, pulses: float = 100_000.0) -> Limit:
    """Largest I²t of one pulse for a number of pulses, in A²s: 48, 38, 29, 22 % of melting for 10²…10⁵.

    Pulses at least 10 s apart. Source: a fuse maker's pulse chart.
    """
    melting = melting_i2t(fuse)
    at, share = zip(*_DERATING, strict=True)
    factor = float(np.interp(math.log10(max(pulses, 1.0)), [math.log10(x) for x in at], share))
    source = f"{melting.source}; {factor:.0%} of it for {pulses:g} pulses, a fuse maker's chart"
    return Limit("fuse-pulse-i2t", factor * melting.value, "A²s", source, melting.confidence)


def cold_ohms(fuse: Fuse) -> Limit:
    """Usual cold resistance in Ω, 0.20·In^−1.45: above twice that doubtful, from ten times bad.

    Fitted to one maker's time-lag ceramic figures; fast and low-rated links read higher. Leads taken off.
    """
    source = "fit to one maker's time-lag ceramic types; fast and low-rated links read higher"
    return Limit("fuse-cold-ohms", 0.20 * fuse.rated_a**-1.45, "Ω", source, Confidence.MAKER)
