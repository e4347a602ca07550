"""Troubles of instruments, on demand: what a link or a meter can do to a program, for practice and for tests.

A trouble begins and ends in seconds of the simulated bench; a delay is in real seconds, as timeouts are.
"""

import re
from enum import StrEnum

import msgspec

from benchlog.model.errors import UsageError


class Trouble(StrEnum):
    """What can be wrong with an instrument or its link."""

    SILENT = "silent"
    """Takes every byte and answers nothing."""
    SLOW = "slow"
    """Each answer comes late, but within the time allowed."""
    DRIBBLING = "dribbling"
    """One byte at a time."""
    LATE = "late"
    """The answer comes after the time allowed, and everything behind it waits."""
    HALF_A_REPLY = "half-a-reply"
    """Half of the answer, no terminator."""
    GARBAGE = "garbage"
    """Random bytes instead of the answer."""
    WRONG_INSTRUMENT = "wrong-instrument"
    """Connections made from now on reach an instrument with another serial number."""
    CLOSED = "closed"
    """The link is closed and can't be opened again until the trouble ends."""
    RESET = "reset"
    """The link is broken off once; it can be opened again at once."""
    FROZEN = "frozen"
    """The value stands still."""
    OVERLOAD = "overload"
    DRIFTING = "drifting"
    """The value creeps upward, by default by 10 % a minute."""
    AUTORANGE_BLANKING = "autorange-blanking"
    """The display is blank, as while a range changes."""
    SWITCHED_OFF = "switched-off"
    """The meter has switched itself off."""


_DELAY_S = {Trouble.SLOW: 0.15, Trouble.LATE: 2.5, Trouble.DRIBBLING: 0.04}
_SPEC = re.compile(
    r"(?P<instrument>[\w-]+):(?P<kind>[a-z-]+)(@(?P<start>[\d.]+))?(\+(?P<length>[\d.]+))?(\*(?P<share>[\d.]+))?"
)


class Ordered(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One trouble as it was ordered."""

    instrument: str
    """Name in the bench file."""
    kind: Trouble
    start_s: float = 0.0
    """Bench seconds."""
    length_s: float | None = None
    """Bench seconds; None until it is cleared."""
    share: float = 1.0
    """Share of the answers that it strikes, 0 to 1."""
    delay_s: float | None = None
    """Real seconds, for those that delay; None for the usual one."""
    per_minute: float = 0.10
    """Fraction of the value gained per minute, for a drift."""

    @property
    def end_s(self) -> float:
        """Bench seconds at which it ends; infinite where it stays."""
        return float("inf") if self.length_s is None else self.start_s + self.length_s

    @property
    def wait_s(self) -> float:
        """Real seconds that it delays an answer (or, dribbling, each byte)."""
        return self.delay_s if self.delay_s is not None else _DELAY_S.get(self.kind, 0.0)


def parse_trouble(text: str) -> Ordered:
    """Read ``INSTRUMENT:KIND[@START][+LENGTH][*SHARE]``, times in bench seconds.

    `UsageError` lists the kinds there are.
    """
    match = _SPEC.fullmatch(text.strip())
    kinds = [kind.value for kind in Trouble]
    if match is None or match["kind"] not in kinds:
        raise UsageError(
            f"'{text}' is no instrument trouble. Write INSTRUMENT:KIND[@START][+LENGTH][*SHARE] with one of: "
            f"{', '.join(kinds)}."
        )
    numbers = {key: match[key] for key in ("start", "length", "share")}
    try:
        start, length, share = (None if text is None else float(text) for text in numbers.values())
    except ValueError as error:
        raise UsageError(f"'{text}' holds a number that can't be read: {error}.") from error
    return Ordered(
        instrument=match["instrument"],
        kind=Trouble(match["kind"]),
        start_s=start or 0.0,
        length_s=length,
        share=1.0 if share is None else share,
    )


class TroubleBox:
    """The troubles of one instrument. Written by the control line's thread, read by every other.

    The tuple is replaced, never changed, so that a reader needs no lock.
    """

    def __init__(self, ordered: tuple[Ordered, ...] = ()) -> None:
        """Begin with the troubles that were ordered at the start."""
        self._ordered = ordered

    def order(self, trouble: Ordered) -> None:
        """Add one; a former one of the same kind is replaced."""
        self._ordered = (*(o for o in self._ordered if o.kind is not trouble.kind), trouble)

    def clear(self, kind: Trouble | None = None) -> None:
        """End all, or those of one kind."""
        self._ordered = tuple(o for o in self._ordered if kind is not None and o.kind is not kind)

    def find(self, kind: Trouble, now_s: float) -> Ordered | None:
        """The trouble of that kind if it acts at ``now_s`` (bench seconds)."""
        if not self._ordered:
            return None
        return next((o for o in self._ordered if o.kind is kind and o.start_s <= now_s < o.end_s), None)

    def acting(self, now_s: float) -> tuple[Ordered, ...]:
        """All that act at ``now_s`` (bench seconds)."""
        if not self._ordered:
            return ()
        return tuple(o for o in self._ordered if o.start_s <= now_s < o.end_s)
