"""What the watch hears and says, carried to where it belongs: source, file, window, listeners.

Called under the watch's lock, so everything here only hands over. *Off* goes first.
"""

from collections.abc import Callable
from dataclasses import replace

from benchlog.model.clock import Clock
from benchlog.model.event import (
    Ended,
    Instruct,
    Judged,
    Key,
    KeyPressed,
    Marked,
    ReadingTaken,
    Said,
    SetSource,
    SwitchOff,
    Told,
)
from benchlog.model.history import Noted, RunBegun, RunEnded, RunSaid, RunTold
from benchlog.model.protocol import Point, Probe, RunClosed, SaidNow
from benchlog.model.reading import Measured, Reading
from benchlog.model.role import Role
from benchlog.recorder.contract import CutOffTimes, Engine
from benchlog.recorder.crew import Crew
from benchlog.recorder.herald import Herald
from benchlog.recorder.outbox import Outbox
from benchlog.recorder.realtime import real_s
from benchlog.recorder.writer import Writer


class Dispatch:
    """The watch's sink, and the few facts that everybody asks about."""

    def __init__(
        self,
        engine: Engine,
        clock: Clock,
        writer: Writer,
        herald: Herald,
        crew: Crew,
        outbox: Callable[[], Outbox | None],
    ) -> None:
        """``outbox`` gives the window's, where there is a window."""
        self._engine = engine
        self._clock = clock
        self._writer = writer
        self._herald = herald
        self._crew = crew
        self._outbox = outbox
        self.begun = False
        self._run: RunBegun | None = None
        self.soaking = False
        self.times: list[CutOffTimes] = []
        self.lines: dict[type[Said], SaidNow] = {}
        """The last instruction and the last verdict: what a window that was started again must know."""
        self.fresh_s: dict[Role, float] = {}
        """Real seconds of the last valid reading of each role."""

    def take(self, now_us: int, event: Told | RunBegun | None, said: tuple[tuple[int, Said], ...]) -> None:
        """The watch's sink."""
        for _, word in said:
            if isinstance(word, SwitchOff):
                self._crew.switch_off(word.latched)
        self._clock_cut_off(now_us, event, said)
        if isinstance(event, ReadingTaken):
            self._take_reading(event.reading, now_us)
        elif event is not None:
            self._take_event(event, now_us)
        for t_us, word in said:
            self._take_word(t_us, word)

    def sent(self, t_us: int) -> None:
        """Off, or the instruction of a cut-off, left for the instrument."""
        self._mark(sent_us=t_us)

    def confirmed(self, t_us: int, way: str) -> None:
        """The source read back off."""
        self._mark(confirmed_us=t_us, by=way)

    def note(self, text: str) -> None:
        """A sentence of the recorder's own: into the history and to the technician."""
        self._writer.add_entry(Noted(text, by="recorder", stage="bring-up"), self._clock.now())
        self._herald.announce(text)

    def _clock_cut_off(
        self, now_us: int, event: Told | RunBegun | None, said: tuple[tuple[int, Said], ...]
    ) -> None:
        at_us = next((t_us for t_us, word in said if _takes_away(word)), None)
        if at_us is None:
            return
        end_us = None
        if isinstance(event, ReadingTaken) and at_us == now_us:
            end_us = event.reading.end_us
        self.times.append(CutOffTimes(end_us, now_us, self._clock.now()))

    def _mark(self, sent_us: int | None = None, confirmed_us: int | None = None, by: str = "") -> None:
        for i, times in enumerate(self.times):
            if sent_us is not None and times.sent_us is None:
                self.times[i] = times = replace(times, sent_us=sent_us)
            if confirmed_us is not None and times.confirmed_us is None:
                self.times[i] = replace(times, confirmed_us=confirmed_us, by=by)

    def _take_reading(self, reading: Reading, now_us: int) -> None:
        self._writer.add_reading(reading, now_us)
        value = reading.value if isinstance(reading, Measured) else None
        role = reading.channel.role
        if value is not None:
            self.fresh_s[role] = real_s(self._clock)
        outbox = self._outbox()
        if outbox is not None:
            status = None if isinstance(reading, Measured) else reading.status
            middle_us = (reading.start_us + reading.end_us) // 2
            probe = _probe(reading) if role is Role.PROBE else None
            outbox.add_point(Point(reading.channel.name, middle_us, value, status, probe), now_us)

    def _take_event(self, event: Told | RunBegun, now_us: int) -> None:
        if isinstance(event, RunBegun):
            self.begun, self._run = True, event
            self._writer.add_entry(event, now_us)
            return
        if self.begun:
            self._writer.add_entry(RunTold(event), now_us)
        if isinstance(event, KeyPressed) and event.key is Key.REARM and not self._engine.latched:
            self._crew.rearm()
            if self._run is not None:
                self._writer.add_entry(self._run, now_us)

    def _take_word(self, t_us: int, word: Said) -> None:
        self._writer.add_entry(RunSaid(word), t_us)
        outbox = self._outbox()
        if outbox is not None:
            outbox.add(SaidNow(t_us, word))
        if isinstance(word, SetSource):
            self._crew.set_voltage(word.set_v)
        elif isinstance(word, Instruct):
            self._crew.instruct(word)
        if isinstance(word, Instruct | Judged):
            self.lines[type(word)] = SaidNow(t_us, word)
        if isinstance(word, Marked) and word.what.startswith("soak"):
            self.soaking = True
        if isinstance(word, Ended):
            self._end(t_us, word, outbox)
        self._herald.pass_on(t_us, word)

    def _end(self, t_us: int, ended: Ended, outbox: Outbox | None) -> None:
        self._writer.add_entry(ended_entry(self._engine, ended), t_us)
        if outbox is not None:
            outbox.add(RunClosed(ended.outcome, ended.reason))


def _takes_away(word: Said) -> bool:
    """An order to the source, or to the hand that turns it."""
    return isinstance(word, SwitchOff) or is_alarm(word)


def is_alarm(word: Said) -> bool:
    """The line that tells a hand to take the source away."""
    return isinstance(word, Instruct) and word.urgent and word.target_v == 0.0


def ended_entry(engine: Engine, ended: Ended) -> RunEnded:
    """The history's line for the end of a run."""
    return RunEnded(
        outcome=ended.outcome,
        reason=ended.reason,
        steps=tuple(engine.records),
        not_judged=tuple(engine.not_judged),
        not_tested=tuple(engine.not_tested),
        fault_patterns=tuple(engine.fault_patterns),
        claims=(engine.no_short_claim,) if engine.no_short_claim else (),
        cut_off_at_fraction=ended.cut_off_at_fraction,
        cut_off_step_fraction=ended.cut_off_step_fraction,
    )


def _probe(reading: Reading) -> Probe:
    """How the meter in the technician's hand read."""
    channel, setting = reading.channel, reading.setting
    return Probe(
        channel.instrument,
        channel.quantity,
        reading.start_us,
        reading.end_us,
        setting.range,
        setting.resolution,
    )
