"""First look, estimates, adjustments, final checks and safety measurements as lines and tables."""

from collections.abc import Sequence
from typing import TypeVar

from benchlog.model.history import Entry
from benchlog.model.limit import Limit
from benchlog.model.quantity import Quantity
from benchlog.model.step import PointVerdict
from benchlog.model.work import Adjusted, Estimated, FinalCheck, FinalChecked, FirstLook, SafetyMeasured
from benchlog.report.content import Table
from benchlog.report.corrections import Corrections, corrected, corrections_of
from benchlog.report.figures import POINT_WORDS, with_prefix, with_u
from benchlog.report.figures import plain as number
from benchlog.report.wording import told_reason

_Work = TypeVar("_Work", Adjusted, FinalChecked, SafetyMeasured)

FINAL_WORDS = {
    FinalCheck.OFFSET: "DC at the output",
    FinalCheck.RAILS: "rails",
    FinalCheck.BIAS: "bias",
    FinalCheck.RIPPLE: "ripple of the reservoirs",
    FinalCheck.OUTPUT: "output into a load",
    FinalCheck.PROTECTION: "protection circuit",
    FinalCheck.SIGNAL: "signal by ear or on a scope",
    FinalCheck.HUM: "hum",
    FinalCheck.TAP: "tapping",
    FinalCheck.HEAT: "heat after the soak",
}

SAFETY_WORDS = {
    "earth-ohms": "protective earth",
    "insulation-ohms": "insulation",
    "earth-current": "protective conductor current",
    "touch-current": "touch current",
    "leakage-volts": "touch current, as volts across the network",
}

SAFETY_NOTE = "What was measured, with whose limit; it certifies nothing."


def first_look_lines(look: FirstLook) -> str:
    """A first look as one line; empty where nothing of it was filled in."""
    fuse = f"fuse in the holder {look.fuse_fitted}" if look.fuse_fitted else ""
    marked = f"marked beside it {look.fuse_marked}" if look.fuse_marked else ""
    selector = f"voltage selector at {look.selector_v:g} V" if look.selector_v is not None else ""
    mains = f"mains {look.mains_v:g} V" if look.mains_v is not None else ""
    parts = (
        _named("seen", look.seen),
        _named("smelt", look.smelt),
        _named("cord and plug", look.cord),
        _judged(_joined(", ", fuse, marked), look.fuse_verdict, look.fuse_reason),
        _judged(_joined(", ", selector, mains), look.selector_verdict, look.selector_reason),
        _named("swollen, leaking or burnt", look.swelling),
        _named("earlier repairs", look.earlier_repairs),
    )
    text = _joined("; ", *parts)
    return f"{text[:1].upper()}{text[1:]}." if text else ""


def _named(name: str, text: str) -> str:
    return f"{name}: {text}" if text else ""


def _judged(text: str, verdict: PointVerdict, reason: str) -> str:
    if not text or verdict is PointVerdict.NONE:
        return text
    return f"{text} ({_joined(', ', POINT_WORDS[verdict], told_reason(reason))})"


def _joined(between: str, *texts: str) -> str:
    return between.join(text for text in texts if text)


def estimate_line(estimate: Estimated) -> str:
    """An estimate as it was put to the customer, in one line."""
    money = f" {estimate.currency}".rstrip()
    lines = "; ".join(f"{line.text} {line.amount}" for line in estimate.lines)
    over = f"; above the agreed cap by {estimate.over_cap}{money}" if estimate.over_cap is not None else ""
    cap = f"; cap {estimate.cap}" if estimate.cap else ""
    note = f" ({estimate.note})" if estimate.note else ""
    return f"Estimate {estimate.total}{money}: {lines or 'no lines'}{cap}{over}{note}."


def _of_kind(entries: Sequence[Entry], kind: type[_Work]) -> list[tuple[Entry, _Work]]:
    return [(entry, entry.payload) for entry in entries if isinstance(entry.payload, kind)]


def _verdict(verdict: PointVerdict, reason: str, limit: Limit | None) -> str:
    reason = told_reason(reason)
    text = POINT_WORDS[verdict] + (f": {reason}" if reason else "")
    if limit is None:
        return text
    return f"{text} (limit {with_prefix(limit.value, limit.unit)}, {limit.source})"


def _value(value: float | None, u: float | None, unit: str) -> str:
    return "–" if value is None else with_u(value, u, unit)


def adjusted_table(entries: Sequence[Entry], plain: bool = False) -> Table | None:
    """Trimmers set, before and after; None where none was. ``plain`` leaves reasons and limits out."""
    corrections = corrections_of(entries)
    rows = tuple(_adjusted_row(e, a, corrections, plain) for e, a in _of_kind(entries, Adjusted))
    if not rows:
        return None
    columns = ("Set", "Before", "After", "Warm", "Verdict")
    return Table("Adjustments", columns, rows, widths=(4, 3, 3, 4, 4 if plain else 8), keep=True)


def _adjusted_row(entry: Entry, done: Adjusted, corrections: Corrections, plain: bool) -> tuple[str, ...]:
    unit = done.quantity.unit
    word = {"bias": "bias", "offset": "DC offset"}[done.what.value]
    target = f", maker's figure {with_prefix(done.target_v, 'V')}" if done.target_v is not None else ""
    warm = _joined(
        ", ",
        f"{done.warm_min:g} min" if done.warm_min is not None else "",
        f"{done.celsius:g} °C" if done.celsius is not None else "",
        done.conditions,
    )
    limit = None if plain else done.limit
    return (
        f"{word}, {done.channel or 'unit'}{' (checked again warm)' if done.recheck else ''}{target}",
        _value(done.before, done.u, unit),
        _value(done.after, done.u, unit),
        warm or "not recorded",
        corrected(entry, _verdict(done.verdict, "" if plain else done.reason, limit), corrections),
    )


def final_table(entries: Sequence[Entry], plain: bool = False) -> Table | None:
    """The checks after the soak; None where none was made. ``plain`` leaves reasons and limits out."""
    corrections = corrections_of(entries)
    rows = tuple(_final_row(e, c, corrections, plain) for e, c in _of_kind(entries, FinalChecked))
    if not rows:
        return None
    columns = ("Check", "Reading", "How", "Verdict")
    return Table("Final checks", columns, rows, widths=(4, 5, 4, 3 if plain else 8), keep=True)


def _final_row(entry: Entry, check: FinalChecked, corrections: Corrections, plain: bool) -> tuple[str, ...]:
    unit = (check.quantity or Quantity.DC_VOLTAGE).unit
    figures = [_value(v, check.u, unit) for v in (check.value, check.second) if v is not None]
    if check.distortion is not None:
        figures.append(f"distortion {number(100.0 * check.distortion, 3)} %")
    how = _joined(
        ", ",
        f"{check.relay_side} side of the relay" if check.relay_side else "",
        f"into {check.load_ohm:g} Ω" if check.load_ohm is not None else "",
        f"{check.frequency_hz:g} Hz" if check.frequency_hz is not None else "",
        f"{number(check.power_w, 3)} W" if check.power_w is not None else "",
        check.instrument,
    )
    verdict = _verdict(check.verdict, "" if plain else check.reason, None if plain else check.limit)
    return (
        FINAL_WORDS[check.check] + (f", {check.channel}" if check.channel else ""),
        _joined("; ", " and ".join(figures), check.seen) or "–",
        how or "–",
        corrected(entry, verdict if _judged_or_read(check) else "seen or heard", corrections),
    )


def _judged_or_read(check: FinalChecked) -> bool:
    return check.value is not None or check.verdict is not PointVerdict.NONE


def safety_table(entries: Sequence[Entry], plain: bool = False) -> Table | None:
    """Figures of the electrical safety tests; None where none was taken."""
    corrections = corrections_of(entries)
    rows = tuple(_safety_row(e, s, corrections, plain) for e, s in _of_kind(entries, SafetyMeasured))
    if not rows:
        return None
    columns = ("Test", "Reading", "Tester and conditions", "Verdict")
    widths = (4, 3, 6, 4 if plain else 7)
    return Table("Electrical safety measurements", columns, rows, widths=widths, note=SAFETY_NOTE, keep=True)


def _safety_row(
    entry: Entry, measured: SafetyMeasured, corrections: Corrections, plain: bool
) -> tuple[str, ...]:
    value = _value(measured.value, measured.u, measured.unit)
    calibration = f"calibration due {measured.calibration_due}" if measured.calibration_due else ""
    who = _joined(
        ", ",
        measured.tester + (f" ({measured.licence})" if measured.licence else ""),
        measured.conditions,
        "" if plain else _joined(" ", measured.instrument, measured.instrument_serial),
        "" if plain else calibration,
    )
    limit = None if plain else measured.limit
    text = _verdict(measured.verdict, "" if plain else measured.reason, limit)
    return (
        f"{SAFETY_WORDS.get(measured.test, measured.test)} (class {measured.protection.upper()})",
        "more than the tester's range" if measured.over_range else value,
        who or "not recorded",
        corrected(entry, text, corrections),
    )
