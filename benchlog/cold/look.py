"""First look: the fuse that was fitted against the one that is marked, the selector against the mains.

Sources: same type, characteristic, rating and breaking capacity (makers' panels and manuals, trade); marking
in the order of IEC 60127-1.
"""

import msgspec

from benchlog.limits.fuse import parse_fuse
from benchlog.model.errors import UsageError
from benchlog.model.step import PointVerdict
from benchlog.model.unit import Fuse
from benchlog.model.work import FirstLook

BRIDGED = frozenset({"bridged", "wire", "foil", "nail", "bolt"})
"""Words for what is no fuse at all."""
_BREAKS = {"": 0, "L": 1, "E": 2, "H": 3}
"""Breaking capacity by its letter, low to high (IEC 60127-1)."""


def judge_look(look: FirstLook) -> FirstLook:
    """The first look with what is said of its fuse and selector. `UsageError` for what is no marking."""
    fuse, why = judge_fitted(look.fuse_fitted, look.fuse_marked)
    selector, told = judge_selector(look.selector_v, look.mains_v)
    return msgspec.structs.replace(
        look, fuse_verdict=fuse, fuse_reason=why, selector_verdict=selector, selector_reason=told
    )


def judge_fitted(fitted: str, marked: str) -> tuple[PointVerdict, str]:
    """Verdict and reason on the fuse that was in the holder."""
    if fitted.strip().casefold() in BRIDGED:
        return PointVerdict.OUTSIDE, "the holder was bridged: there was no fuse"
    if not fitted.strip() or not marked.strip():
        return PointVerdict.NONE, ""
    return _compared(_fuse(fitted), parse_fuse(marked))


def _fuse(fitted: str) -> Fuse:
    try:
        return parse_fuse(fitted)
    except UsageError as error:
        raise UsageError(f"{error} For a bridged holder write 'bridged'.") from error


def _compared(fitted: Fuse, marked: Fuse) -> tuple[PointVerdict, str]:
    wrong = []
    if abs(fitted.rated_a - marked.rated_a) > 1e-9:
        wrong.append(f"{fitted.rated_a:g} A in place of {marked.rated_a:g} A")
    if fitted.standard != marked.standard:
        wrong.append("IEC and UL types carry and open at different currents")
    both = bool(fitted.characteristic and marked.characteristic)
    if both and fitted.characteristic != marked.characteristic:
        wrong.append(f"{fitted.characteristic} in place of {marked.characteristic}")
    if fitted.breaking and _BREAKS[fitted.breaking] < _BREAKS[marked.breaking]:
        wrong.append(f"breaking capacity {fitted.breaking} in place of {marked.breaking}")
    if wrong:
        return PointVerdict.OUTSIDE, f"not the fuse that is marked: {'; '.join(wrong)}"
    unsaid = [
        words
        for words, mine, theirs in (
            ("characteristic", fitted.characteristic, marked.characteristic),
            ("breaking capacity", fitted.breaking, marked.breaking),
        )
        if theirs and not mine
    ]
    if unsaid:
        return PointVerdict.DOUBTFUL, f"its {' and '.join(unsaid)} can't be read off it"
    return PointVerdict.WITHIN, "the fuse that is marked"


def judge_selector(selector_v: float | None, mains_v: float | None) -> tuple[PointVerdict, str]:
    """Verdict and reason on where the voltage selector stands, against the mains where the unit is used.

    Within 10 %: 110-120 V and 220-240 V are each one supply (IEC 60038, ±10 %).
    """
    if selector_v is None or mains_v is None:
        return PointVerdict.NONE, ""
    if not (selector_v > 0.0 and mains_v > 0.0):
        raise UsageError("Volts of the selector and of the mains are above zero.")
    if abs(selector_v / mains_v - 1.0) <= 0.1:
        return PointVerdict.WITHIN, ""
    return (
        PointVerdict.OUTSIDE,
        f"the selector stands at {selector_v:g} V and the mains are {mains_v:g} V (±10 %, IEC 60038)",
    )
