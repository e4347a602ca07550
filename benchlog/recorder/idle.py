"""A sitting without a run: readings and entries are recorded, nothing is judged."""

from collections.abc import Sequence

from benchlog.model.event import Ended, Said, Told
from benchlog.model.pattern import FaultPattern
from benchlog.model.protocol import LimitsNow
from benchlog.model.step import StepRecord


class Idle:
    """Stands where the limit watch stands, and says nothing."""

    ended: Ended | None = None
    latched = False
    power_gone = True
    records: Sequence[StepRecord] = ()
    not_judged: Sequence[str] = ()
    not_tested: Sequence[str] = ()
    no_short_claim: str | None = None
    fault_patterns: Sequence[FaultPattern] = ()

    def begin(self, now_us: int) -> tuple[tuple[int, Said], ...]:
        """Nothing is said."""
        return ()

    def feed(self, event: Told, now_us: int) -> tuple[tuple[int, Said], ...]:
        """Nothing is said."""
        return ()

    def advance(self, now_us: int) -> tuple[tuple[int, Said], ...]:
        """Nothing is said."""
        return ()

    def limits_now(self) -> LimitsNow | None:
        """There are no limits."""
        return None
