"""Parts and what was agreed, in lines: each entry for the file, gathered in plain words for the customer."""

from collections.abc import Sequence

import msgspec

from benchlog.model.history import Approved, Entry, PartChanged
from benchlog.report.corrections import Corrections, corrected, corrections_of
from benchlog.report.heading import cut

MOST_IN_NOTE = 300
"""Characters of one text in the customer's document; it stands in full in the document for the file."""

_WORDS = {"out": "Taken out", "in": "Fitted", "ordered": "Ordered", "returned": "Returned"}


def part_line(part: PartChanged) -> str:
    """A change of parts in full."""
    lot = f", {part.lot if part.lot.lower().startswith('lot') else f'lot {part.lot}'}" if part.lot else ""
    count = f"{part.quantity} × " if part.quantity != 1 else ""
    note = f" ({part.note})" if part.note else ""
    note += f" (read before it was fitted: entry {part.checked_by})" if part.checked_by else ""
    return f"{_word(part)} at {part.position}: {count}{_details(part)}{lot}{note}."


def _word(part: PartChanged) -> str:
    return _WORDS.get(part.direction, part.direction)


def _details(part: PartChanged) -> str:
    details = " ".join(x for x in (part.value, part.rating, part.kind) if x)
    return details + (f", {part.polarity}" if part.polarity else "")


def gathered_parts(entries: Sequence[Entry]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Changes of parts with like ones in one line, and the same lines without the notes in them.

    What was only ordered is left out where the same part was fitted.
    """
    corrections = corrections_of(entries)
    changes = [(e, _limited(e.payload)) for e in entries if isinstance(e.payload, PartChanged)]
    fitted = {(part.position, part.value) for _, part in changes if part.direction == "in"}
    groups: dict[tuple[str, ...], list[tuple[Entry, PartChanged]]] = {}
    for entry, part in changes:
        if part.direction == "ordered" and (part.position, part.value) in fitted:
            continue
        checked = ", measured before it was fitted" if part.checked_by else ""
        key = (_word(part), _details(part) + checked, part.note, corrections.get(entry.seq, ""))
        groups.setdefault(key, []).append((entry, part))
    whole = tuple(_gathered(key, some, corrections) for key, some in groups.items())
    bare: dict[tuple[str, ...], list[tuple[Entry, PartChanged]]] = {}
    for (word, details, _, said), some in groups.items():
        bare.setdefault((word, details, "", said), []).extend(some)
    return whole, tuple(_gathered(key, some, corrections) for key, some in bare.items())


def _limited(part: PartChanged) -> PartChanged:
    """The part with each of its texts in one line of a length that a document can hold."""
    return msgspec.structs.replace(
        part,
        position=cut(part.position, 60),
        value=cut(part.value, 80),
        rating=cut(part.rating, 40),
        kind=cut(part.kind, 60),
        polarity=cut(part.polarity, 40),
        note=cut(part.note, MOST_IN_NOTE),
    )


def _gathered(
    key: tuple[str, ...], some: Sequence[tuple[Entry, PartChanged]], corrections: Corrections
) -> str:
    word, details, note, _ = key
    count = sum(part.quantity for _, part in some)
    where = ", ".join(dict.fromkeys(part.position for _, part in some))
    text = f"{word} at {where}: {f'{count} × ' if count != 1 else ''}{details}{f' ({note})' if note else ''}."
    return corrected(some[0][0], text, corrections)


def limited_answer(answer: Approved) -> Approved:
    """The answer with each of its texts in one line of a length that a document can hold."""
    return msgspec.structs.replace(
        answer,
        who=cut(answer.who, 80),
        how=cut(answer.how, 60),
        amount=cut(answer.amount, 40),
        cap=cut(answer.cap, 40),
        lines=tuple(cut(line, 100) for line in answer.lines),
        note=cut(answer.note, MOST_IN_NOTE),
    )


def approval_line(answer: Approved, plain: bool = False) -> str:
    """The customer's answer to an estimate; ``plain`` leaves the number of the entry out that it replaces."""
    word = "Approved" if answer.approved else "Declined"
    when = f", {answer.when:%Y-%m-%d %H:%M}" if answer.when else ""
    cap = f", not above {answer.cap}" if answer.cap else ""
    what = f"; {'; '.join(answer.lines)}" if answer.lines else ""
    note = f" ({answer.note})" if answer.note else ""
    if answer.changes:
        which = "the earlier answer" if plain else f"the answer in entry {answer.changes}"
        note += f" (takes the place of {which})"
    return f"{word} by {answer.who} ({answer.how}{when}): {answer.amount}{cap}{what}{note}."
