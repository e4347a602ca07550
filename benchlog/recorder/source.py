"""The worker of a programmed source: sole owner of its port, with a slot for *off* that goes first."""

import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar

from benchlog.bench.adaptor import Meter, Openable, Reporting, Source, SourceState, StandbyOrder
from benchlog.bench.file import InstrumentConfig
from benchlog.model.clock import Clock
from benchlog.model.errors import InstrumentFault, InstrumentTimeout, ProtocolFault
from benchlog.model.event import ReadingTaken, SourceAnswered, Told
from benchlog.recorder.contract import SourceLimit
from benchlog.recorder.link import Link, guarded
from benchlog.recorder.meter import breath_s, read_all
from benchlog.recorder.realtime import real_s
from benchlog.recorder.threads import OnFailure, Thread

NO_LIMIT = "only the program and the fuses watch the current."

_T = TypeVar("_T")
FIRST = "first connection"
SECOND = "second connection"

CONFIRM_S = 0.2
"""Real seconds after which an unconfirmed off goes over a second connection, and is sent again."""
ALARM_S = 1.0
"""Real seconds after which an unconfirmed off is an alarm to the technician."""
POLL_S = 0.1
"""Real seconds between two looks at how the source stands."""
HANG_S = 0.35
"""Real seconds without an answer after which the link counts as lost."""


@dataclass(frozen=True, slots=True)
class SourceNews:
    """What the source's worker tells the recorder besides the watch's events."""

    kind: str
    """``state``, ``sent``, ``confirmed``, ``unconfirmed``, ``warning``, ``standby``."""
    t_us: int
    text: str = ""
    state: SourceState | None = None
    standby: StandbyOrder | None = None


@dataclass(slots=True)
class _Slots:
    """Orders that wait for the worker."""

    want_v: float | None = None
    off_since_s: float | None = None
    """Real seconds since which an off is ordered and not confirmed."""
    off_try_s: float | None = None
    """Real seconds of the last try."""
    off_owed: bool = False
    """The second connection switched off; the first does it too once it can: it may still carry an *on*."""
    alarmed: bool = False


class SourceWorker:
    """Owns the source's port. Orders from any thread go into slots and never wait."""

    def __init__(
        self,
        source: Source,
        config: InstrumentConfig,
        clock: Clock,
        limit: SourceLimit | None,
        for_run: bool,
        tell: Callable[[Told], int],
        news: Callable[[SourceNews], None],
        on_failure: OnFailure,
    ) -> None:
        """Nothing is opened yet. ``limit`` is set and read back before any output-on.

        ``for_run``: it gets a standby, and one that is found on is switched off before anything else.
        """
        self.config = config
        self.latched = False
        """While true no voltage is set, whoever asks."""
        self._source = source
        self._clock = clock
        self._limit = limit
        self._for_run = for_run
        self._looked = False
        self._tell = tell
        self._news = news
        self.link = Link(_openable(source, config), config, tell)
        self._cv = threading.Condition()
        self._slots = _Slots()
        self._output_on = False
        self._quiet_since_s: float | None = None
        self._hung = False
        self._next_poll_s = 0.0
        self._second: Source | None = None
        self._opened = threading.Event()
        self._fault: InstrumentFault | None = None
        self._thread = Thread(config.name, self._work, on_failure)
        self._rescue = Thread("second-connection", self._work_second, on_failure)

    # ---- orders, from any thread -------------------------------------------------------------------

    def want_voltage(self, volts: float) -> None:
        """Go to this voltage, output on; ignored while an off is in force."""
        with self._cv:
            if not self.latched and self._slots.off_since_s is None:
                self._slots.want_v = volts
                self._cv.notify_all()

    def want_off(self, latched: bool) -> None:
        """Take the source away before anything else; with ``latched`` it stays away until `rearm`."""
        with self._cv:
            self.latched = self.latched or latched
            self._slots.want_v = None
            if self._slots.off_since_s is None:
                self._slots.off_since_s = real_s(self._clock)
                self._slots.off_try_s = None
                self._slots.alarmed = False
            self._cv.notify_all()

    def rearm(self) -> None:
        """Let voltages be set again."""
        with self._cv:
            self.latched = False

    @property
    def off_pending(self) -> bool:
        """Whether an off was ordered that the source has not confirmed."""
        with self._cv:
            return self._slots.off_since_s is not None

    @property
    def output_on(self) -> bool:
        """Whether the output was on when the source last said so."""
        return self._output_on

    def look(self) -> None:
        """Called by the ticker: a transaction that hangs is a lost link, an unconfirmed off an alarm."""
        now_s = real_s(self._clock)
        with self._cv:
            quiet = self._quiet_since_s
            hangs = quiet is not None and now_s - quiet > HANG_S and not self._hung
            self._hung = self._hung or hangs
            late = (
                self._slots.off_since_s is not None
                and now_s - self._slots.off_since_s > ALARM_S
                and not self._slots.alarmed
            )
            self._slots.alarmed = self._slots.alarmed or late
        if hangs and self.link.up:
            self.link.say(False, f"{self.config.name} has not answered for {HANG_S:g} s.")
        if late:
            self._tell_news(
                "unconfirmed",
                f"{self.config.name} does not confirm off. Bench switch off. Dial to zero. Unplug.",
            )

    # ---- life --------------------------------------------------------------------------------------

    def start(self) -> None:
        """Begin to open."""
        self._thread.start()
        self._rescue.start()

    def wait_open(self, timeout_s: float) -> None:
        """Wait until it is open and its limit is read back; raises its `InstrumentFault`."""
        if not self._opened.wait(timeout_s):
            raise InstrumentTimeout(
                f"{self.config.name} did not answer within {timeout_s:g} s. Check its mains and its lead."
            )
        if self._fault is not None:
            raise self._fault

    def stop(self) -> bool:
        """End and close the port; False when the port does not let go."""
        self._thread.stopping.set()
        self._rescue.stopping.set()
        with self._cv:
            self._cv.notify_all()
        return all([self._thread.stop(), self._rescue.stop()])

    def _work(self, stopping: threading.Event) -> None:
        try:
            self.link.open()
            self._prepare()
        except InstrumentFault as fault:
            self._fault = fault
            self.link.adaptor.close()
            if not self._for_run:
                self._tell_news("warning", str(fault))
            return
        finally:
            self._opened.set()
        while not stopping.is_set():
            if self.link.up:
                self._serve()
            else:
                self._find_again()
        self.link.adaptor.close()

    def _prepare(self) -> None:
        """After every opening: off where it is wanted, then the limit, the second way and the standby."""
        if self.off_pending or self._slots.off_owed or self._found_on():
            self._switch_off()
        if self._limit is not None:
            self._set_limit(self._limit)
        self._second = guarded(self.config, self._source.second)
        if self._for_run:
            order = guarded(self.config, self._source.standby)
            self._news(SourceNews("standby", self._clock.now(), standby=order))

    def _found_on(self) -> bool:
        """Whether the source was on when a run had not begun with it yet."""
        if not self._for_run or self._looked or not isinstance(self._source, Reporting):
            return False
        self._looked = True
        if not self._timed(self._source.state).output_on:
            return False
        self._tell_news("warning", f"{self.config.name} was on when it was found; it was switched off first.")
        return True

    def _find_again(self) -> None:
        if not self.link.find_again(self._nap):
            return
        try:
            self._prepare()
        except InstrumentFault as fault:
            self.link.lost(fault)
            return
        self.link.say(
            True, f"{self.config.name} answers again; its output was not switched on by the program."
        )

    def _nap(self, wait_s: float) -> None:
        with self._cv:
            if not self._thread.stopping.is_set():
                self._cv.wait(wait_s)

    # ---- one transaction at a time -----------------------------------------------------------------

    def _serve(self) -> None:
        before_s = real_s(self._clock)
        got_some = False
        try:
            if self._off_due(before_s):
                self._switch_off()
            elif (volts := self._take_voltage()) is not None:
                self._apply(volts)
            elif before_s >= self._next_poll_s:
                self._poll()
            else:
                got_some = self._read()
        except InstrumentFault as fault:
            self._failed(fault)
        self._pause(before_s, got_some)

    def _pause(self, before_s: float, got_some: bool) -> None:
        meter = isinstance(self._source, Meter) and bool(self._source.channels)
        breath = breath_s(self._source, got_some) if isinstance(self._source, Meter) and meter else POLL_S / 5
        with self._cv:
            if self._slots.want_v is None and not self._off_due_locked(real_s(self._clock)):
                spare = breath - (real_s(self._clock) - before_s)
                if spare > 0.0 and not self._thread.stopping.is_set():
                    self._cv.wait(spare)

    def _off_due(self, now_s: float) -> bool:
        with self._cv:
            return self._off_due_locked(now_s)

    def _off_due_locked(self, now_s: float) -> bool:
        tried = self._slots.off_try_s
        wanted = self._slots.off_since_s is not None or self._slots.off_owed
        return wanted and (tried is None or now_s - tried >= CONFIRM_S)

    def _take_voltage(self) -> float | None:
        with self._cv:
            volts, self._slots.want_v = self._slots.want_v, None
            return volts

    def _switch_off(self) -> None:
        with self._cv:
            self._slots.off_try_s = real_s(self._clock)
            self._slots.off_owed = False
        self._news(SourceNews("sent", self._clock.now()))
        self._confirm(self._timed(self._source.off), FIRST)

    def _apply(self, volts: float) -> None:
        state = self._timed(lambda: self._source.set_voltage(volts))
        if not state.output_on:
            with self._cv:
                if self._slots.off_since_s is not None or self.latched:
                    return
            state = self._timed(lambda: self._source.output(True))
        self._know(state)
        self._tell(SourceAnswered(state.set_v, state.output_on))

    def _poll(self) -> None:
        self._next_poll_s = real_s(self._clock) + POLL_S
        if isinstance(self._source, Reporting):
            was_on = self._output_on
            state = self._timed(self._source.state)
            self._know(state)
            if state.output_on and self.latched:
                self.want_off(True)
            elif was_on and not state.output_on and not self.off_pending:
                why = "its own limit tripped" if state.tripped else "nobody here told it to"
                self._tell_news("warning", f"{self.config.name} switched its output off by itself: {why}.")
                self._tell(SourceAnswered(state.set_v, False))

    def _read(self) -> bool:
        """Take readings, where the source measures; one that only waits for its turn proves nothing."""
        if not isinstance(self._source, Meter) or not self._source.channels:
            return False
        with self._cv:
            before = self._quiet_since_s
            self._quiet_since_s = real_s(self._clock) if before is None else before
        fault, readings = read_all(self._source, self.config, self._clock)
        for reading in readings:
            self._tell(ReadingTaken(reading))
        if fault is not None:
            raise fault
        if readings:
            self._answered()
        else:
            with self._cv:
                self._quiet_since_s = before
        return bool(readings)

    def _timed(self, act: Callable[[], _T]) -> _T:
        with self._cv:
            if self._quiet_since_s is None:
                self._quiet_since_s = real_s(self._clock)
        result = guarded(self.config, act)
        self._answered()
        return result

    def _answered(self) -> None:
        with self._cv:
            self._quiet_since_s = None
            hung, self._hung = self._hung, False
        if hung and self.link.up:
            self.link.say(True, f"{self.config.name} answers again.")

    def _failed(self, fault: InstrumentFault) -> None:
        if isinstance(fault, InstrumentTimeout | ProtocolFault):
            self._tell_news("warning", str(fault))
            return
        with self._cv:
            self._quiet_since_s = None
            told, self._hung = self._hung, False
        self.link.lost(fault, told)

    # ---- off and its confirmation -------------------------------------------------------------------

    def _know(self, state: SourceState) -> None:
        self._output_on = state.output_on
        self._news(SourceNews("state", self._clock.now(), state=state))

    def _confirm(self, state: SourceState, way: str) -> None:
        self._know(state)
        if state.output_on:
            return
        with self._cv:
            first = self._slots.off_since_s is not None
            self._slots.off_since_s = None
            self._slots.off_owed = way != FIRST
            self._slots.off_try_s = None
        if first:
            self._news(SourceNews("confirmed", self._clock.now(), way, state))
            self._tell(SourceAnswered(state.set_v, False))

    def _work_second(self, stopping: threading.Event) -> None:
        """Waits beside the worker; sends off over a second connection when the first does not confirm it."""
        while not stopping.is_set():
            with self._cv:
                since = self._slots.off_since_s
                if since is None:
                    self._cv.wait()
                    continue
                left = since + CONFIRM_S - real_s(self._clock)
                if left > 0.0:
                    self._cv.wait(left)
                    continue
            self._off_by_second()
            stopping.wait(CONFIRM_S)

    def _off_by_second(self) -> None:
        second = self._second
        if second is None or not isinstance(second, Openable):
            return
        try:
            guarded(self.config, second.open)
            self._news(SourceNews("sent", self._clock.now()))
            self._confirm(guarded(self.config, second.off), SECOND)
        except InstrumentFault as fault:
            self._tell_news("warning", f"Off over the second connection: {fault}")
        finally:
            second.close()

    # ---- the source's own limit --------------------------------------------------------------------

    def _set_limit(self, limit: SourceLimit) -> None:
        try:
            state = self._timed(lambda: self._source.set_limit(limit.limit_a, limit.trip_delay_s))
        except ProtocolFault as fault:
            limit, state = self._set_short_time(limit, fault)
        if state.limit_a is None:
            self._tell_news("warning", f"{self.config.name} has no current limit of its own: {NO_LIMIT}")
        else:
            check_limit(self.config.name, limit, state)
        self._know(state)

    def _set_short_time(self, limit: SourceLimit, fault: ProtocolFault) -> tuple[SourceLimit, SourceState]:
        """The limit with its delay was not taken: the short-time rating, or the limit that the source has."""
        if limit.short_time_a is not None:
            short = SourceLimit(limit.short_time_a, 0.0)
            try:
                return short, self._timed(lambda: self._source.set_limit(short.limit_a, short.trip_delay_s))
            except ProtocolFault:
                limit = short
        if not isinstance(self._source, Reporting):
            self._tell_news("warning", f"{fault} {NO_LIMIT}")
            return limit, SourceState(0.0, False)
        return limit, self._timed(self._source.state)

    def _tell_news(self, kind: str, text: str) -> None:
        self._news(SourceNews(kind, self._clock.now(), text))


def check_limit(name: str, wanted: SourceLimit, state: SourceState) -> None:
    """Compare the limit that a source reads back with the wanted one; `ProtocolFault` when it allows more."""
    if state.limit_a is not None and state.limit_a > wanted.limit_a * 1.02 + 0.01:
        raise ProtocolFault(
            f"{name} was given a current limit of {wanted.limit_a:g} A and reads back {state.limit_a:g} A. "
            "Nothing was switched on. Set its limit by hand or use another source."
        )


def _openable(source: Source, config: InstrumentConfig) -> Openable:
    if isinstance(source, Openable):
        return source
    raise ProtocolFault(
        f"The adaptor '{config.adaptor}' of {config.name} can't be opened; it is not complete."
    )
