"""Entries of the work round the cold checks in one line each, for lists of the history."""

from benchlog.cold.final import bias_current_a
from benchlog.job.estimate import money
from benchlog.model.history import JobEnded, Payload
from benchlog.model.printed import with_prefix
from benchlog.model.quantity import Quantity
from benchlog.model.step import PointVerdict
from benchlog.model.work import (
    Adjusted,
    Estimated,
    FinalChecked,
    FirstLook,
    Photographed,
    SafetyMeasured,
)


def verdict_text(verdict: PointVerdict) -> str:
    """The verdict's words."""
    return verdict.value.replace("-", " ")


def ending_words(ended: JobEnded) -> str:
    """How the job ended, with its note, and with what stood against it and the reason."""
    words = ended.ending.value.replace("-", " ") + (f" ({ended.note})" if ended.note else "")
    return words + (f", in spite of: {'; '.join(ended.asked)}. {ended.reason}" if ended.asked else "")


def words_of(payload: Payload) -> tuple[str, str]:
    """Kind and line of an entry of this work; both empty for any other."""
    match payload:
        case FirstLook():
            return "first look", _look(payload)
        case Photographed():
            about = " ".join(x for x in (payload.group, payload.point, payload.part) if x)
            text = f"{payload.caption or payload.name}{f' ({about})' if about else ''}"
            return "photograph", f"{text}, {payload.width} × {payload.height}"
        case Estimated():
            above = f", {money(payload.over_cap)} above the cap" if payload.over_cap is not None else ""
            return "estimate", f"{money(payload.total, payload.currency)}{above}"
        case Adjusted():
            return "adjustment", _adjusted(payload)
        case FinalChecked():
            return "final check", _checked(payload)
        case SafetyMeasured():
            over = "> " if payload.over_range else ""
            value = (
                "no reading" if payload.value is None else f"{over}{with_prefix(payload.value, payload.unit)}"
            )
            text = f"{payload.test.replace('-', ' ')}: {value}, {verdict_text(payload.verdict)}"
            return "safety", f"{text} ({payload.scheme}, measured by {payload.tester})"
        case _:
            return "", ""


def _look(look: FirstLook) -> str:
    parts = [
        look.seen,
        look.smelt,
        f"cord: {look.cord}" if look.cord else "",
        f"fuse fitted {look.fuse_fitted}, marked {look.fuse_marked or 'not known'}: "
        f"{verdict_text(look.fuse_verdict)}"
        if look.fuse_fitted
        else "",
        f"selector at {look.selector_v:g} V: {verdict_text(look.selector_verdict)}"
        if look.selector_v is not None
        else "",
        f"swollen or burnt: {look.swelling}" if look.swelling else "",
        f"earlier repairs: {look.earlier_repairs}" if look.earlier_repairs else "",
    ]
    return "; ".join(part for part in parts if part)


def _adjusted(adjusted: Adjusted) -> str:
    before, after = (
        "-" if volts is None else with_prefix(volts, "V") for volts in (adjusted.before, adjusted.after)
    )
    course = f"warm check {after}" if adjusted.recheck else f"{before} → {after}"
    current = bias_current_a(adjusted)
    course += f" ({with_prefix(current, 'A', 3)})" if current is not None else ""
    warm = f" after {adjusted.warm_min:g} min" if adjusted.warm_min is not None else ""
    return f"{adjusted.what.value}, {adjusted.channel}: {course}{warm}, {verdict_text(adjusted.verdict)}"


def _checked(checked: FinalChecked) -> str:
    name = checked.check.value.replace("-", " ") + (f", {checked.channel}" if checked.channel else "")
    if checked.value is None:
        return f"{name}: {checked.seen}"
    unit = (checked.quantity or Quantity.POWER_FACTOR).unit
    value = with_prefix(checked.value, unit)
    value += f" and {with_prefix(checked.second, unit)}" if checked.second is not None else ""
    load = f" into {checked.load_ohm:g} Ω" if checked.load_ohm is not None else ""
    power = f", {with_prefix(checked.power_w, 'W', 3)}" if checked.power_w is not None else ""
    distortion = f", distortion {100.0 * checked.distortion:.3g} %" if checked.distortion is not None else ""
    seen = f" ({checked.seen})" if checked.seen else ""
    return f"{name}: {value}{load}{power}{distortion}{seen}, {verdict_text(checked.verdict)}"
