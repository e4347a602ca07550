"""The limit watch: a bring-up and its soak as a state machine that is told, says, and never waits.

    watch = BringUp(setup)
    for t_us, said in watch.begin(now_us): …
    for t_us, said in watch.feed(event, now_us): …      every reading, key, answer, lost link, …
    for t_us, said in watch.advance(now_us): …          whenever time has passed

Names that others may rely on. Rules in `Judged.rule`: ``first-readings``, ``live``, ``inrush``,
``turning``, ``too-high``, ``settling``, ``short-check``, ``cannot-judge``, ``no-current``,
``above-acceptance``, ``dwell``, ``accepted``, ``rails``, ``output-dc``, ``frozen``, ``implausible``,
``storage``, ``unwatched``, ``time-jump``, ``stale:ROLE``, ``link:ROLE``; those that cut off: ``stop-limit``,
``short-time``, ``inrush-gross``, ``inrush-undecayed``, ``inrush-i2t``, ``rise-30s``, ``rise-slope``,
``output-at-rail``, ``droop``, ``stale``, ``unwatched``, ``time-jump``, ``source-link``, ``source-off``,
``no-answer``, ``technician``, ``program``. Marks in `Marked.what`: ``arrival``, ``window-closed``,
``settled``, ``warning``, ``not-visited``, ``undecided``, ``word``, ``refused``, ``rearmed``, ``near-zero``,
``source-off``, ``soak-begun``, ``soak-not-steady``, ``not-watched``, ``not-storing``, ``storing``,
``link-up``, ``link-down``.

Deadlines are handled at their own nominal instants, before any event that is told later, so what is said, and
the instants beside it, depend on the events alone and never on how often `advance` is called.
"""

from collections.abc import Sequence

from benchlog.bringup import claims, course, current, deadlines, keys, listen, wording
from benchlog.bringup.state import Run
from benchlog.limits.patterns import fault_patterns
from benchlog.model.event import (
    AttentionChanged,
    Ended,
    InrushMeasured,
    KeyPressed,
    LinkChanged,
    ReadingTaken,
    Said,
    SourceAnswered,
    StorageChanged,
    TimeJumped,
    Told,
)
from benchlog.model.pattern import FaultPattern, Seen
from benchlog.model.protocol import LimitsNow
from benchlog.model.run import RunSetup
from benchlog.model.step import StepRecord

Answer = tuple[tuple[int, Said], ...]
"""What was said, each with its instant in microseconds of the session's axis, in order."""


class BringUp:
    """One bring-up with its soak. Not thread-safe: the caller holds one lock around every call.

    After `Ended` it still listens: to the inlet voltage until it is near zero, to the technician's word, and
    to the key that arms a run again after a cut-off. The one line on the screen is the text of the last
    `Instruct` or the reason of the last `Judged`, whichever came later.
    """

    def __init__(self, setup: RunSetup, hint: wording.Hint = wording.like) -> None:
        """Nothing happens before `begin`. ``hint`` names what a cut-off current looks like.

        `UsageError` where the unit has no nameplate figure or nothing reads the source current.
        """
        self._run = Run(setup, hint)
        self._now_us = 0

    def begin(self, now_us: int) -> Answer:
        """Begin: the first readings are awaited, then the first step is gone to."""
        self._now_us = now_us
        course.begin(self._run, now_us)
        return self._drain()

    def feed(self, event: Told, now_us: int) -> Answer:
        """Tell it something; every deadline up to ``now_us`` comes first, at its own instant."""
        self._pass(now_us)
        run, now_us = self._run, self._now_us
        if isinstance(event, ReadingTaken):
            listen.reading(run, event, now_us)
        else:
            _tell(run, event, now_us)
        if run.out:
            self._pass(now_us)
            return self._drain()
        return ()

    def advance(self, now_us: int) -> Answer:
        """Let time pass up to ``now_us``."""
        self._pass(now_us)
        return self._drain()

    def next_deadline(self) -> int | None:
        """The next instant at which time alone may change something; None where silence changes nothing."""
        return self._run.timers.next()

    def limits_now(self) -> LimitsNow | None:
        """The limits at the present inlet voltage; None while it is not known."""
        run = self._run
        if run.reads_voltage and run.inlet.volts is None:
            return None
        acceptance, stop = run.bounds.acceptance(run.v), run.bounds.stop(run.v)
        return LimitsNow(run.v, acceptance.value, acceptance.source, stop.value, stop.source)

    @property
    def ended(self) -> Ended | None:
        """How the run ended; None while it goes on (and again once armed anew)."""
        return self._run.ended

    @property
    def latched(self) -> bool:
        """Whether a cut-off is in force."""
        return self._run.latched

    @property
    def power_gone(self) -> bool:
        """After the end: inlet read near zero twice, source read back off, or the technician's word."""
        return self._run.power_gone

    @property
    def records(self) -> Sequence[StepRecord]:
        """What happened at each step left, in order; begins anew when armed again."""
        return tuple(self._run.records)

    @property
    def not_judged(self) -> Sequence[str]:
        """Steps that do not rest on the program's verdict to go up, one sentence each."""
        return claims.not_judged(self._run.records, self._run.notes)

    @property
    def not_tested(self) -> Sequence[str]:
        """What this run does not test, one phrase each."""
        return claims.not_tested(self._run.setup, self._run.records)

    @property
    def no_short_claim(self) -> str | None:
        """That no short was seen, and up to which voltage; None where it may not be said."""
        run = self._run
        outcome = run.ended.outcome if run.ended else None
        return claims.no_short_claim(run.setup, run.records, outcome, run.no_current)

    @property
    def seen(self) -> Sequence[Seen]:
        """What was seen at each step, by rising voltage: what fault patterns are told by."""
        return tuple(sorted(self._run.evidence.values(), key=lambda one: one.fraction))

    @property
    def fault_patterns(self) -> Sequence[FaultPattern]:
        """Named conditions that what was seen fits, most likely first; empty where nothing is unusual."""
        return fault_patterns(self._run.limits, self.seen)

    def _pass(self, now_us: int) -> None:
        run = self._run
        self._now_us = max(self._now_us, now_us)
        while (due := run.timers.due(self._now_us)) is not None:
            deadlines.come(run, due[1], due[0])

    def _drain(self) -> Answer:
        said = tuple(self._run.out)
        self._run.out.clear()
        return said


def _tell(run: Run, event: Told, now_us: int) -> None:
    match event:
        case KeyPressed():
            keys.key(run, event, now_us)
        case SourceAnswered():
            listen.source_answered(run, event, now_us)
        case LinkChanged():
            listen.link(run, event, now_us)
        case AttentionChanged():
            listen.attention(run, event, now_us)
        case StorageChanged():
            listen.storage(run, event, now_us)
        case TimeJumped():
            listen.time_jumped(run, event, now_us)
        case InrushMeasured():
            current.inrush_measured(run, event, now_us)
