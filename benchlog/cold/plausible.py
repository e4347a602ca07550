"""Figures off by a prefix, asked back and never guessed: volts for millivolts, milliohms for megohms.

    figure_of(text, quantity, what, usual, sure) -> float     a figure as typed, SI
    doubt_of(text, value, quantity, usual) -> str             the question; empty where there is none

What is usual of each figure: common practice, no source. It decides no verdict.
"""

import msgspec

from benchlog.bench.typed import parse_typed
from benchlog.model.errors import UsageError
from benchlog.model.known import Check
from benchlog.model.printed import with_prefix
from benchlog.model.quantity import Quantity
from benchlog.model.work import Adjustment, FinalCheck


class Usual(msgspec.Struct, frozen=True):
    """Between what a figure lies on a repair bench, SI; zero is always usual."""

    most: float
    prefix: str
    """The prefix that such a figure is typed with."""
    least: float = 0.0
    bare: bool = False
    """Whether only a number without prefix and unit of measure is asked back."""


_BIAS = Usual(0.2, "m", bare=True)
_OFFSET = Usual(1.0, "m", bare=True)
USUAL: dict[str, Usual] = {
    Adjustment.BIAS.value: _BIAS,
    Adjustment.OFFSET.value: _OFFSET,
    FinalCheck.OFFSET.value: _OFFSET,
    FinalCheck.HUM.value: Usual(1.0, "m", bare=True),
    FinalCheck.RIPPLE.value: Usual(20.0, "m", bare=True),
    "earth-ohms": Usual(10.0, "m"),
    "insulation-ohms": Usual(1e12, "M", least=1e4),
    "earth-current": Usual(0.05, "m"),
    "touch-current": Usual(0.05, "m"),
    "leakage-volts": Usual(50.0, "m"),
}
"""By adjustment, final check or safety test."""
USUAL_AT: dict[Check, Usual] = {Check.BIAS: _BIAS, Check.OFFSET: _OFFSET}
"""By what a reading at a test point is to tell."""


def doubt_of(text: str, value: float, quantity: Quantity, usual: Usual | None) -> str:
    """What is to be asked of a figure that was typed; empty where nothing is."""
    bare = not any(c.isalpha() for c in text)
    if usual is None or value == 0.0 or (usual.bare and not bare):
        return ""
    if usual.least <= abs(value) <= usual.most:
        return ""
    much = "much" if abs(value) > usual.most else "little"
    digits = "".join(c for c in text if c.isdecimal() or c in ".,-−").strip()
    told = f"{text.strip()} is {with_prefix(value, quantity.unit)}, which is unusually {much} here."
    meant = f" {usual.prefix}{quantity.unit} is typed {digits}{usual.prefix}"
    return f"{told}{meant}{f', {quantity.unit} {digits}{quantity.unit}' if usual.bare else ''}."


def figure_of(
    text: str,
    quantity: Quantity,
    what: str = "",
    usual: Usual | None = None,
    *,
    sure: bool = False,
    sure_by: str = "add --sure",
    decimal_comma: bool = False,
) -> float:
    """A figure in the trade's notation, SI. ``what`` names the option or field in the message.

    `UsageError` for none, and for a doubtful one that is not ``sure``.
    """
    typed = parse_typed(text, quantity, decimal_comma, sized=usual is None or usual.bare)
    named = f"{what} {text}:".strip()
    if typed.value is None:
        raise UsageError(f"{named} a number is needed.")
    doubts = (*typed.doubts, doubt_of(text, typed.value, quantity, usual))
    asked = " ".join(doubt for doubt in doubts if doubt)
    if asked and not sure:
        hint = f" Did you mean {typed.suggestion}?" if typed.suggestion else ""
        raise UsageError(f"{named} {asked}{hint} Type it again, or {sure_by}.")
    return typed.value
