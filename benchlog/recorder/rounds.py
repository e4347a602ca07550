"""What is looked at in every round of the ticker."""

import queue
from collections.abc import Callable

from benchlog.model.clock import Clock
from benchlog.model.event import AttentionChanged, KeyPressed, StorageChanged, TimeJumped
from benchlog.model.protocol import InstrumentsNow, LimitsNow, PowerState, StorageState
from benchlog.recorder.attention import Attention
from benchlog.recorder.crew import Crew
from benchlog.recorder.dispatch import Dispatch
from benchlog.recorder.jump import JumpDetector
from benchlog.recorder.realtime import real_s
from benchlog.recorder.standby_link import StandbyLink
from benchlog.recorder.technician import Technician
from benchlog.recorder.watch import Watch
from benchlog.recorder.window import WindowLink
from benchlog.recorder.writer import LATE_S, Writer


class Rounds:
    """Attention, storage, clocks, heartbeats and states; what changed is told to the watch and the window."""

    def __init__(
        self,
        clock: Clock,
        watch: Watch,
        writer: Writer,
        crew: Crew,
        dispatch: Dispatch,
        standby: StandbyLink,
        attention: Attention,
        window: WindowLink | None,
        technician: Technician | None,
        press: Callable[[KeyPressed], None],
        source_text: Callable[[], str],
    ) -> None:
        """``press`` handles a key that came by a signal; ``source_text``: what the source complains of."""
        self._source_text = source_text
        self._clock = clock
        self._watch = watch
        self._writer = writer
        self._crew = crew
        self._dispatch = dispatch
        self._standby = standby
        self._attention = attention
        self._window = window
        self._technician = technician
        self._press = press
        self._jumps = JumpDetector(clock)
        self._watched: bool | None = None
        self._storing = True
        self._limits: LimitsNow | None = None
        self._power: PowerState | None = None
        self._instruments = InstrumentsNow(())
        self.signals: queue.SimpleQueue[KeyPressed] = queue.SimpleQueue()
        """Keys pressed from a signal handler, which may take no lock."""

    def each(self) -> None:
        """Every tick: time, then the heartbeats, so that a watch that hangs falls silent to the standby."""
        while not self.signals.empty():
            self._press(self.signals.get())
        self._watch.tick()
        self._standby.beat()
        self._crew.look()
        if self._window is not None:
            self._window.beat()

    def slow(self) -> None:
        """Ten times a second."""
        self._look_at_clocks()
        self._look_at_storage()
        if self._dispatch.begun:
            self._look_at_attention()
        if self._technician is not None:
            self._technician.look(self._clock.now())
        self._show_states()

    def _look_at_clocks(self) -> None:
        jump_s = self._jumps.look()
        if jump_s is not None:
            self._watch.tell(TimeJumped(round(jump_s, 3)))

    def _look_at_attention(self) -> None:
        watched = self._attention.watched(real_s(self._clock))
        if watched != self._watched:
            self._watched = watched
            self._watch.tell(AttentionChanged(watched))

    def _look_at_storage(self) -> None:
        waits_s = self._writer.unsaved_s()
        trouble = self._writer.trouble
        storing = not trouble and waits_s < LATE_S
        if storing == self._storing:
            return
        self._storing = storing
        detail = "" if storing else trouble or f"The disk has not answered for {waits_s:.0f} s."
        self._watch.tell(StorageChanged(storing, detail))
        if self._window is not None:
            self._window.outbox.add(StorageState(storing, detail))

    def _show_states(self) -> None:
        if self._window is None:
            return
        limits = self._watch.read(lambda engine: engine.limits_now())
        if limits is not None and limits != self._limits:
            self._limits = limits
            self._window.outbox.add(limits)
        instruments = InstrumentsNow(self._crew.now())
        if instruments != self._instruments:
            self._instruments = instruments
            self._window.outbox.add(instruments)
        power = self._power_now()
        if power != self._power:
            self._power = power
            self._window.outbox.add(power)

    def _power_now(self) -> PowerState:
        latched = self._watch.engine.latched
        source = self._crew.source
        if source is not None:
            confirmed = not source.output_on and not source.off_pending
            return PowerState(not confirmed, latched, confirmed, self._source_text())
        off = not self._dispatch.begun or self._watch.engine.power_gone
        return PowerState(not off, latched, off)
