"""Estimates and the answers to them: lines with amounts, the total, the cap that was agreed before.

Amounts are decimal numbers, never binary ones; the currency stands beside them and is not reckoned with.
"""

import re
from collections.abc import Iterable
from decimal import Decimal, InvalidOperation

from benchlog.cold.corrections import in_force
from benchlog.model.errors import UsageError
from benchlog.model.history import Approved, Entry
from benchlog.model.work import Estimated, EstimateLine

MOST = Decimal(1_000_000)
_NUMBER = re.compile(r"\d+(?:[.,]\d{1,2})?")


def amount_of(text: str) -> Decimal:
    """An amount of money as typed: ``140``, ``140.00``, ``140,00``. `UsageError` for anything else."""
    try:
        amount = Decimal(text.strip().replace(",", "."))
    except InvalidOperation:
        raise UsageError(f"'{text}' is no amount. Write it like 140.00.") from None
    if not amount.is_finite() or not -MOST < amount < MOST or amount != round(amount, 2):
        raise UsageError(f"'{text}' is no amount of money. Write it like 140.00.")
    return amount


def line_of(text: str) -> EstimateLine:
    """A line written ``WORDS=AMOUNT``. `UsageError` says how."""
    words, equals, amount = text.rpartition("=")
    if not equals or not words.strip():
        raise UsageError(f"'{text}' is no line of an estimate. Write 'two output devices=58.00'.")
    return EstimateLine(words.strip(), amount_of(amount))


def amount_in(text: str) -> Decimal | None:
    """The one number in words such as ``EUR 150``; None where there is none, or more than one."""
    found = _NUMBER.findall(text)
    return amount_of(found[0]) if len(found) == 1 else None


def estimate(
    lines: Iterable[EstimateLine], currency: str, cap: str, note: str = "", by: str = ""
) -> Estimated:
    """The estimate with its total, and by how much it is above the cap. `UsageError` without a line."""
    kept = tuple(lines)
    if not kept:
        raise UsageError("An estimate needs at least one line, 'WORDS=AMOUNT'.")
    total = sum((line.amount for line in kept), Decimal(0))
    return Estimated(kept, total, currency, cap, over_cap(total, cap), note, by)


def over_cap(total: Decimal, cap: str) -> Decimal | None:
    """By how much an amount is above the cap; None where it is not, or where the cap is no single number."""
    most = amount_in(cap)
    return total - most if most is not None and total > most else None


def latest_estimate(entries: Iterable[Entry]) -> tuple[int, Estimated] | None:
    """The estimate as it stands, with the number of its entry."""
    found = [(e.seq, e.payload) for e in in_force(entries) if isinstance(e.payload, Estimated)]
    return found[-1] if found else None


def latest_answer(entries: Iterable[Entry]) -> tuple[int, Approved] | None:
    """The customer's answer as it stands, with the number of its entry."""
    found = [(e.seq, e.payload) for e in in_force(entries) if isinstance(e.payload, Approved)]
    return found[-1] if found else None


def not_answered(entries: Iterable[Entry]) -> bool:
    """Whether the estimate as it stands was put after the last answer."""
    kept = tuple(entries)
    put, answer = latest_estimate(kept), latest_answer(kept)
    return put is not None and (answer is None or answer[0] < put[0])


def money(amount: Decimal, currency: str = "") -> str:
    """An amount as printed, with two places."""
    return f"{amount:.2f} {currency}".strip()
