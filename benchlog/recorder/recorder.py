"""The recorder: composes watch, workers, writer, standby and window for one session; ends them in order."""

import gc
import signal
import sys
import threading
from collections.abc import Callable
from contextlib import ExitStack
from types import FrameType

from benchlog.bench.adaptor import Opener
from benchlog.bench.file import Bench
from benchlog.model.clock import Clock
from benchlog.model.errors import EnvironmentFault, PlanRefused, SessionFault
from benchlog.model.event import Ended, Instruct, Key, KeyPressed, Said, Told
from benchlog.model.figures import WaveFigures
from benchlog.model.history import BenchSet, RunBegun
from benchlog.model.job import Job
from benchlog.model.protocol import Answered, Hello, SaidNow
from benchlog.model.role import Role
from benchlog.model.run import RunSetup
from benchlog.model.step import Outcome
from benchlog.model.wave import Waveform
from benchlog.recorder.attention import Attention
from benchlog.recorder.awake import Awake
from benchlog.recorder.claims import Claims, claims_folder
from benchlog.recorder.contract import Engine, Options, RunResult, SourceLimit, Store
from benchlog.recorder.control import Control
from benchlog.recorder.crew import Crew, Ears
from benchlog.recorder.dispatch import Dispatch, ended_entry, is_alarm
from benchlog.recorder.herald import Herald
from benchlog.recorder.idle import Idle
from benchlog.recorder.limit import source_limit
from benchlog.recorder.outbox import Outbox
from benchlog.recorder.realtime import real_s
from benchlog.recorder.rounds import Rounds
from benchlog.recorder.switchboard import Switchboard
from benchlog.recorder.technician import Technician
from benchlog.recorder.terminal import Terminal
from benchlog.recorder.ticker import Ticker
from benchlog.recorder.watch import Watch
from benchlog.recorder.window import WindowLink
from benchlog.recorder.writer import Writer
from benchlog.session.place import check_space, space_needed

SWITCH_INTERVAL_S = 0.0005
"""Longest that a spinning thread holds up the watch (at the default 5 ms: 37 ms at worst, now 5)."""
RUN_COMMIT_S = 0.25
QUIET_COMMIT_S = 1.0
OFF_S = 20.0
"""Real seconds that the end of a run waits for the source to confirm off."""
HAND_S = 60.0
"""Real seconds that the end of a run goes on recording until a hand has taken the source away."""


class Recorder:
    """One sitting at one bench, recorded into one session: a bring-up, or readings and entries only."""

    def __init__(
        self,
        store: Store,
        bench: Bench,
        opener: Opener,
        clock: Clock,
        engine: Engine | None = None,
        begun: RunBegun | None = None,
        job: Job | None = None,
        options: Options | None = None,
    ) -> None:
        """Make every part; nothing is opened or started yet.

        ``store`` is closed at the end of `run`, however it ends, and when making fails. ``engine`` and
        ``begun`` belong together; without them readings and entries are recorded and nothing is judged.
        `UsageError` for an instrument that plays no part, `PlanRefused` for a time scale with real
        instruments.
        """
        self._store = store
        self._bench = bench
        self._clock = clock
        self._begun = begun
        self._job = job or Job()
        self._options = options or Options()
        self._awake = Awake()
        self._claims: Claims | None = None
        self._engine: Engine = engine or Idle()
        self._ended_s: float | None = None
        self._broken_off: Ended | None = None
        self._interrupted = False
        self._leave_soon = False
        try:
            self._refuse_scale()
            self._compose(opener)
        except BaseException:
            store.close()
            raise

    def _refuse_scale(self) -> None:
        if self._clock.scale != 1.0 and self._bench.simulated is None:
            raise PlanRefused(
                "Real instruments can't run at a time scale. Take the scale out of the bench file."
            )

    # ---- composition -------------------------------------------------------------------------------

    def _compose(self, opener: Opener) -> None:
        options, clock = self._options, self._clock
        terminal = options.terminal is not None and options.terminal.isatty()
        attention = Attention(terminal, options.answer_not_judged is not None)
        board = self._board = Switchboard(clock, attention)
        board.desk = options.desk
        self._technician = self._make_technician()
        listeners = [
            listener
            for listener in (options.listener, self._technician.hear if self._technician else None)
            if listener is not None
        ]
        self._herald = Herald(listeners, options.show, board.failure)
        board.writer = self._writer = Writer(self._store, clock, self._commit_interval_s, board.failure)
        board.watch = self._watch = Watch(self._engine, clock, self._take, board.broken)
        board.crew = self._crew = Crew(
            self._bench, opener, clock, self._limit(), self._begun is not None, self._ears()
        )
        board.window = self._window = self._make_window()
        board.dispatch = self._dispatch = Dispatch(
            self._engine, clock, self._writer, self._herald, self._crew, self._outbox
        )
        self._control = Control(self._store.path, board.enter, board.press_from_outside, board.failure)
        self._rounds = Rounds(
            clock, self._watch, self._writer, self._crew, self._dispatch, board.standby, attention,
            self._window, self._technician, board.press, lambda: board.source_text,
        )  # fmt: skip
        self._ticker = Ticker(clock, self._rounds.each, self._rounds.slow, board.failure)
        self._terminal = self._make_terminal()

    def _limit(self) -> SourceLimit | None:
        return source_limit(self._begun.setup) if self._begun is not None else None

    def _ears(self) -> Ears:
        board = self._board
        return Ears(
            tell=self._watch.tell,
            source_news=board.source_news,
            instructed=self._instructed,
            fresh=self._fresh,
            trouble=board.trouble,
            failure=board.failure,
            wave=self._keep_wave,
            work_out=self._work_out,
        )

    def _keep_wave(self, wave: Waveform) -> None:
        self._writer.add_wave(wave, "switch-on, by the digitiser")

    def _work_out(self, wave: Waveform) -> WaveFigures:
        """In another process; the module is imported only where there is a digitiser."""
        from benchlog.recorder.figuring import figures_apart

        return figures_apart(wave, self._begun.setup.unit.mains_v if self._begun else None)

    def _make_technician(self) -> Technician | None:
        answer = self._options.answer_not_judged
        if answer is None or self._begun is None:
            return None
        return Technician(answer, self._begun.setup.ask, self._board.press)

    def _make_window(self) -> WindowLink | None:
        board = self._board
        if self._options.desk is not None:
            link = self._options.desk.link
            link.attach(self._hello, board.hear, board.failure)
            return link
        if self._options.window is None:
            return None
        return WindowLink(self._options.window, self._clock, self._hello, board.hear, board.failure)

    def _make_terminal(self) -> Terminal | None:
        lines = self._options.terminal
        return None if lines is None else Terminal(lines, self._board.press, self._herald.announce)

    def _outbox(self) -> Outbox | None:
        window = self._window
        return window.outbox if window is not None and window.open else None

    def _hello(self) -> tuple[Hello, tuple[SaidNow, ...]]:
        setup = self._begun.setup if self._begun is not None else None
        desk = self._options.desk
        hello = Hello(
            session_path=str(self._store.path),
            job=self._job,
            steps=setup.steps if setup else (),
            mains_v=setup.unit.mains_v if setup else self._bench.mains_v,
            programmed=self._crew.source is not None,
            simulated=self._bench.simulated is not None,
            time_scale=self._clock.scale,
            now_us=self._clock.now(),
            contactor=self._crew.contactor is not None,
            takes_requests=desk is not None,
            bench_path=desk.bench_path if desk is not None else "",
            benches=desk.benches if desk is not None else (),
        )
        return hello, tuple(self._dispatch.lines.values())

    def _take(self, now_us: int, event: Told | RunBegun | None, said: tuple[tuple[int, Said], ...]) -> None:
        self._dispatch.take(now_us, event, said)

    # ---- facts that parts ask for ------------------------------------------------------------------

    def _commit_interval_s(self) -> float:
        running = self._dispatch.begun and self._engine.ended is None
        return RUN_COMMIT_S if running and not self._dispatch.soaking else QUIET_COMMIT_S

    def _instructed(self, t_us: int, line: Instruct) -> None:
        if is_alarm(line):
            self._dispatch.sent(t_us)

    def _fresh(self) -> bool:
        """Whether time is fed and every watched role was read within max(0.5 s, 3 periods)."""
        now_s = real_s(self._clock)
        if not self._dispatch.begun or self._engine.latched or now_s - self._ticker.last_s > 0.3:
            return False
        assert self._begun is not None
        periods_s = self._begun.setup.periods_s
        return all(
            now_s - self._dispatch.fresh_s.get(role, -1e9) <= max(0.5, 3.0 * periods_s[role])
            for role in (Role.SOURCE_CURRENT, Role.INLET_VOLTAGE)
            if role in periods_s
        )

    # ---- life --------------------------------------------------------------------------------------

    def run(self) -> RunResult:
        """Record until the run has ended, the window is closed and the session is closed. Blocks.

        Raises `InstrumentFault` when an instrument can't be opened (nothing was switched on), `SessionFault`
        when the session could not be closed, and whatever bug made it end.
        """
        interval_s = sys.getswitchinterval()
        handlers = self._take_signals()
        sys.setswitchinterval(SWITCH_INTERVAL_S)
        closed: Exception | None = None
        try:
            self._start()
            self._wait()
        finally:
            try:
                self._end()
            except EnvironmentFault as fault:
                closed = fault
            gc.unfreeze()
            sys.setswitchinterval(interval_s)
            for number, handler in handlers:
                signal.signal(number, handler)
        fatal = self._board.fatal or closed
        if fatal is not None:
            raise fatal
        return self._result()

    def _start(self) -> None:
        self._writer.start()
        self._herald.start()
        if self._bench.instrument:
            self._record_bench()
        if self._window is not None:
            self._window.start()
        if self._options.desk is not None and self._options.desk.said:
            self._board.say(Answered(self._options.desk.said, refused=True))
        self._claim()
        self._crew.open()
        self._listen()
        self._ticker.start()
        if self._window is not None and not self._window.wait_painted():
            self._board.warn(self._window.no_display)
        gc.collect()
        gc.freeze()  # what was made until here is never looked through again while power is on
        self._ticker.count_from_now()
        if self._begun is not None:
            self._begin(self._begun)

    def _claim(self) -> None:
        self._claims = Claims(self._bench.instrument, self._store.path, claims_folder())
        if self._claims.trouble:
            self._board.warn(self._claims.trouble)

    def _record_bench(self) -> None:
        records = tuple(i.record(self._bench.simulated is not None) for i in self._bench.instrument)
        bench = BenchSet(records, self._bench.simulated is not None, self._clock.scale)
        self._writer.add_entry(bench, self._clock.now())

    def _listen(self) -> None:
        try:
            self._control.start()
        except SessionFault as fault:
            self._board.warn(str(fault))
        if self._terminal is not None:
            self._terminal.start()

    def _begin(self, begun: RunBegun) -> None:
        check_space(self._store.path, space_for(begun.setup))
        trouble = self._awake.hold()
        if trouble:
            self._board.warn(trouble)
        self._crew.arm()
        self._watch.begin(begun)
        if self._board.early is not None:
            self._watch.tell(self._board.early)

    def _wait(self) -> None:
        while not self._finished():
            self._board.changed.wait(0.05)
            self._board.changed.clear()

    def _finished(self) -> bool:
        board = self._board
        if board.fatal is not None or board.leaving:
            return True
        if self._leave_soon:
            return not self._dispatch.begun or (self._engine.ended is not None and self._off_or_late())
        if self._window is not None and self._window.open:
            return False
        if self._begun is None:
            return self._window is not None
        return self._engine.ended is not None and self._off_or_late()

    def _off_or_late(self) -> bool:
        """Whether the source is known to be away, or has had its time to be."""
        now_s = real_s(self._clock)
        if self._ended_s is None:
            self._ended_s = now_s
        by_hand = self._crew.source is None
        if self._engine.power_gone or not (by_hand or self._crew.power_on):
            return True
        late = now_s - self._ended_s > (HAND_S if by_hand else OFF_S)
        if late and by_hand:
            self._board.warn(
                "The inlet voltage did not fall to near zero. Dial to zero, bench switch off, unplug."
            )
        return late

    # ---- the end, whatever happened ----------------------------------------------------------------

    def _end(self) -> None:
        """Each of these is done, in the reverse of this order, whatever the others raise."""
        with ExitStack() as steps:
            steps.callback(self._awake.release)
            steps.callback(self._close_session)
            steps.callback(self._close_history)
            steps.callback(self._stop_standby)
            steps.callback(self._ticker.stop)
            steps.callback(self._let_go)
            steps.callback(self._stop_crew)
            steps.callback(self._control.stop)
            if self._terminal is not None:
                steps.callback(self._terminal.stop)
            steps.callback(self._make_off)

    def _let_go(self) -> None:
        if self._claims is not None:
            self._claims.release()

    def _stop_crew(self) -> None:
        for name in self._crew.stop():
            self._board.warn(f"{name} does not let go of its port.")

    def _stop_standby(self) -> None:
        self._board.standby.stop(done=not self._crew.power_on or self._begun is None)

    def _make_off(self) -> None:
        """However the run ended: the source is not left on."""
        if not self._dispatch.begun or (self._engine.ended is not None and not self._crew.power_on):
            return
        self._crew.switch_off(False)
        since_s = real_s(self._clock)
        while self._crew.power_on and real_s(self._clock) - since_s < OFF_S:
            self._board.changed.wait(0.02)
            self._board.changed.clear()

    def _close_history(self) -> None:
        """A run that was broken off gets its end too."""
        if self._begun is None or not self._dispatch.begun or self._engine.ended is not None:
            return
        fault = self._board.fatal
        outcome = Outcome.ALARMED if self._begun.setup.hand_set else Outcome.CUT_OFF
        reason = f"The recorder failed: {fault}." if fault else "The recording was broken off."
        ended = self._broken_off = Ended(outcome if fault else Outcome.UNDECIDED, reason)
        self._writer.add_entry(ended_entry(self._engine, ended), self._clock.now())

    def _close_session(self) -> None:
        """The window closes its reader, then the session is closed, then the window goes."""
        goes_on = self._options.desk is not None and self._window is not None and self._window.open
        if self._window is not None and not (self._window.pause() if goes_on else self._window.leave()):
            self._board.warn("The window did not close its reader of the session in time.")
        try:
            self._writer.close()
            if self._writer.left_open:
                path = self._store.path
                self._board.warn(
                    f"Another program has {path.name} open. Keep {path.name}-wal beside it: it holds the "
                    "last readings until the session is next opened for writing."
                )
        finally:
            self._herald.stop()
            if self._window is not None and not goes_on:
                self._window.stop()

    def _result(self) -> RunResult:
        make = self._options.make_document
        window = self._window
        return RunResult(
            ended=self._engine.ended or self._broken_off,
            session=self._store.path,
            times=tuple(self._dispatch.times),
            warnings=tuple(self._board.warnings),
            window="none" if window is None else window.no_display or "shown",
            document=make(self._store.path) if make is not None else None,
            longest_tick_s=self._ticker.longest_s,
        )

    # ---- signals -----------------------------------------------------------------------------------

    def _take_signals(self) -> list[tuple[int, Callable[[int, FrameType | None], object] | int | None]]:
        """An interrupt cuts off, a second one ends the recording; being told to end cuts off and ends."""
        if not self._options.take_signals or threading.current_thread() is not threading.main_thread():
            return []
        taken = [(signal.SIGINT, self._interrupt), (signal.SIGTERM, self._terminate)]
        if hasattr(signal, "SIGHUP"):
            taken.append((signal.SIGHUP, self._terminate))
        return [(number, signal.signal(number, handler)) for number, handler in taken]

    def _interrupt(self, number: int, frame: FrameType | None) -> None:
        running = self._dispatch.begun and self._engine.ended is None and not self._interrupted
        self._interrupted = True
        if running:
            self._rounds.signals.put(KeyPressed(Key.CUT_OFF, "Interrupted at the keyboard.", "terminal"))
        else:
            self._board.leaving = True

    def _terminate(self, number: int, frame: FrameType | None) -> None:
        if self._dispatch.begun and self._engine.ended is None:
            self._rounds.signals.put(KeyPressed(Key.CUT_OFF, "The program was told to end.", "system"))
        self._leave_soon = True


def space_for(setup: RunSetup) -> int:
    """Bytes that a run may take on the disk: every step as long as it may be, then the soak."""
    rate = sum(1.0 / period_s for period_s in setup.periods_s.values() if period_s > 0.0)
    return space_needed(rate, sum(step.dwell_max_s for step in setup.steps) + setup.soak_s)
