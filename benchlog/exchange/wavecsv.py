"""Waveforms out of CSV files: oscilloscopes' exports and our own.

    read_waveform(path, columns=None) -> WaveFile
    file_figures(path, columns=None, nominal_v=None) -> WaveFigures      what the command prints

``columns`` names time, voltage and current as they stand in the header (or by number, from 1), each with a
factor where the file holds a probe's volts: ``("time", "CH1", "CH2*10")`` for a clamp of 0.1 V/A. Without
it the columns are found by name and unit (``t_s``, ``v_v``, ``i_a``; ``Time (ms)``, ``Voltage``, ``I
[mA]``), or taken in that order where there is no header. Prefixes of the units are applied.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import msgspec
import numpy as np
import numpy.typing as npt

from benchlog.exchange.table import Table, numbers, read_table
from benchlog.measure.waveform import figures
from benchlog.model.errors import UsageError
from benchlog.model.figures import WaveFigures
from benchlog.model.wave import Waveform

_PREFIX = {"n": 1e-9, "u": 1e-6, "µ": 1e-6, "μ": 1e-6, "m": 1e-3, "": 1.0, "k": 1e3}
_UNIT = re.compile(r"([nuµμmk]?)(s|v|a|sec|seconds?|volts?|amps?|amperes?)", re.IGNORECASE)
_IN_NAME = re.compile(r"[(\[]\s*([^)\]]+?)\s*[)\]]|_([a-zµμ]{1,2})$", re.IGNORECASE)
_WORDS = {
    "s": re.compile(r"t(_|\b|ime|emps)|zeit|second|x\b|x-?axis", re.IGNORECASE),
    "v": re.compile(r"[vu](_|\b|ac\b)|volt|spannung|tension", re.IGNORECASE),
    "a": re.compile(r"i(_|\b|ac\b)|current|amp|strom|courant", re.IGNORECASE),
}
_MEANING = {"s": "time", "v": "voltage", "a": "current"}
_GAP = 5.0


@dataclass(frozen=True, slots=True, eq=False)
class WaveFile:
    """A waveform with where it came from."""

    wave: Waveform
    names: tuple[str, str, str]
    """Columns taken as time, voltage and current."""
    notes: tuple[str, ...]
    """What was mended on the way."""


@dataclass(frozen=True, slots=True)
class _Column:
    index: int
    factor: float


def _unit(name: str, unit: str) -> tuple[float, str] | None:
    """Factor to SI and ``s``, ``v`` or ``a`` of a column's stated unit of measure, if it states one."""
    texts = [unit] if unit else [part for match in _IN_NAME.findall(name) for part in match if part]
    for text in texts:
        match = _UNIT.fullmatch(text.strip("()[] "))
        if match:
            return _PREFIX[match.group(1).lower()], match.group(2)[0].lower()
    return None


def _matches(table: Table, kind: str) -> list[_Column]:
    """Columns that are of a kind by their unit of measure, else by their name."""
    by_unit, by_name = [], []
    for k, (name, unit) in enumerate(zip(table.names, table.units, strict=True)):
        stated = _unit(name, unit)
        if stated is not None and stated[1] == kind:
            by_unit.append(_Column(k, stated[0]))
        elif stated is None and _WORDS[kind].match(name.strip()):
            by_name.append(_Column(k, 1.0))
    named = [c for c in by_unit if _WORDS[kind].match(table.names[c.index].strip())]
    return named or by_unit or by_name


def _found(table: Table) -> tuple[_Column, _Column, _Column]:
    """Time, voltage and current by what the header says of them."""
    if not any(table.names):
        if len(table.positions) < 3:
            raise UsageError(
                f"{table.path} has {len(table.positions)} columns; time, voltage and current are needed."
            )
        return _Column(0, 1.0), _Column(1, 1.0), _Column(2, 1.0)
    chosen: dict[str, _Column] = {}
    for kind, meaning in _MEANING.items():
        candidates = [c for c in _matches(table, kind) if c.index not in {x.index for x in chosen.values()}]
        if len(candidates) != 1 and not (kind == "s" and candidates):
            raise UsageError(
                f"{table.path}: {len(candidates)} columns could be the {meaning} among "
                f"{', '.join(table.names)}. Name them: --columns TIME,VOLTAGE,CURRENT, with a factor where "
                "needed (CH2*10)."
            )
        chosen[kind] = candidates[0]
    return chosen["s"], chosen["v"], chosen["a"]


def _named(table: Table, text: str) -> _Column:
    """A column by its name or number, with an optional factor behind a star."""
    name, _, factor_text = text.partition("*")
    name = name.strip()
    lowered = [n.lower() for n in table.names]
    if name.lower() in lowered:
        index = lowered.index(name.lower())
    elif name.isdigit() and 1 <= int(name) <= len(table.positions):
        index = int(name) - 1
    else:
        have = ", ".join(n or str(k + 1) for k, n in enumerate(table.names))
        raise UsageError(f"{table.path} has no column {name!r}. It has {have}.")
    try:
        factor = float(factor_text) if factor_text else None
    except ValueError as error:
        raise UsageError(f"{text!r}: the factor behind the star must be a number, like CH2*10.") from error
    stated = _unit(table.names[index], table.units[index])
    return _Column(index, (1.0 if factor is None else factor) * (stated[0] if stated else 1.0))


def even_rate(t_s: npt.NDArray[np.float64]) -> tuple[float, bool]:
    """Samples a second of a time column, and whether it is even.

    Even means that no sample is further from the even grid than its own spacing, or the rounding of the
    printed times. `UsageError` where time stands still or goes back, or has a gap.
    """
    if len(t_s) < 2:
        raise UsageError(
            f"The record has {len(t_s)} samples. At least four are needed, and a cycle to be useful."
        )
    if not np.isfinite(t_s).all():
        raise UsageError(
            "The time column holds values that are no numbers. Cut those lines out and try again."
        )
    steps = np.diff(t_s)
    if float(steps.min()) < 0.0 or not t_s[-1] > t_s[0]:
        k = int(np.argmin(steps))
        raise UsageError(
            f"Time goes back or stands still, first after {t_s[k]:.6g} s (sample {k}). Check which column "
            "is the time, and that the file holds one record only."
        )
    rate_hz = (len(t_s) - 1) / float(t_s[-1] - t_s[0])
    off = np.abs(t_s - t_s[0] - np.arange(len(t_s)) / rate_hz)
    rounding = float(steps[steps > 0.0].min())
    if float(off.max()) <= max(0.5 / rate_hz, 1.01 * rounding if float(steps.min()) == 0.0 else 0.0):
        return rate_hz, True
    if float(steps.min()) == 0.0 or float(steps.max()) > _GAP * float(np.median(steps)):
        k = int(np.argmax(steps))
        raise UsageError(
            f"Time jumps from {t_s[k]:.6g} s to {t_s[k + 1]:.6g} s. A record with a gap can't be judged; "
            "cut it there and try again."
        )
    return 1.0 / float(np.median(steps)), False


def read_waveform(path: Path, columns: Sequence[str] | None = None) -> WaveFile:
    """Read a waveform; `UsageError` says what is wrong and where."""
    table = read_table(path)
    if columns is not None and len(columns) != 3:
        raise UsageError("Three columns are needed: --columns TIME,VOLTAGE,CURRENT.")
    chosen = tuple(_named(table, text) for text in columns) if columns else _found(table)
    rows = numbers(table, [c.index for c in chosen])
    t_s, v_v, i_a = (np.ascontiguousarray(rows[:, k]) * c.factor for k, c in enumerate(chosen))
    rate_hz, even = even_rate(t_s)
    notes: tuple[str, ...] = ()
    if not even:
        grid = np.arange(t_s[0], t_s[-1], 1.0 / rate_hz)
        v_v, i_a = np.interp(grid, t_s, v_v), np.interp(grid, t_s, i_a)
        notes = (
            f"The time column is uneven; the record was put on an even {rate_hz:.5g} samples a second by "
            "straight lines between samples.",
        )
    names = tuple(table.names[c.index] or str(c.index + 1) for c in chosen)
    return WaveFile(Waveform(v_v, i_a, rate_hz), (names[0], names[1], names[2]), notes)


def file_figures(
    path: Path, columns: Sequence[str] | None = None, nominal_v: float | None = None
) -> WaveFigures:
    """Figures of a waveform file, with what was mended on reading among the warnings."""
    read = read_waveform(path, columns)
    found = figures(read.wave, nominal_v)
    return msgspec.structs.replace(found, warnings=read.notes + found.warnings)
