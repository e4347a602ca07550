"""What the recorder is given, and what it gives back."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Literal, Protocol, TextIO

from benchlog.model.clock import Anchor
from benchlog.model.event import Ended, Said, Told
from benchlog.model.history import Entry, Payload
from benchlog.model.pattern import FaultPattern
from benchlog.model.protocol import Answered, Inquiry, LimitsNow, Request
from benchlog.model.reading import Reading
from benchlog.model.step import StepRecord

if TYPE_CHECKING:
    from benchlog.model.wave import Waveform
    from benchlog.recorder.window import WindowLink


class Engine(Protocol):
    """The limit watch: a state machine that is told and says, and never waits."""

    @property
    def ended(self) -> Ended | None:
        """How the run ended; None while it goes on."""
        ...

    @property
    def latched(self) -> bool:
        """Whether a cut-off is in force."""
        ...

    @property
    def power_gone(self) -> bool:
        """After the end: whether the source is known to be away."""
        ...

    @property
    def records(self) -> Sequence[StepRecord]:
        """What happened at each step so far."""
        ...

    @property
    def not_judged(self) -> Sequence[str]:
        """What rests on the technician's word."""
        ...

    @property
    def not_tested(self) -> Sequence[str]:
        """What the run leaves open."""
        ...

    @property
    def fault_patterns(self) -> Sequence[FaultPattern]:
        """Named conditions that the settled readings fit, most likely first."""
        ...

    @property
    def no_short_claim(self) -> str | None:
        """That no short was seen, and up to which voltage; None where it may not be said."""
        ...

    def begin(self, now_us: int) -> tuple[tuple[int, Said], ...]:
        """Begin the run."""
        ...

    def feed(self, event: Told, now_us: int) -> tuple[tuple[int, Said], ...]:
        """Tell it something; deadlines up to ``now_us`` come first, each at its own instant."""
        ...

    def advance(self, now_us: int) -> tuple[tuple[int, Said], ...]:
        """Let time pass up to ``now_us``."""
        ...

    def limits_now(self) -> LimitsNow | None:
        """The limits at the present inlet voltage; None while it is not known."""
        ...


class Store(Protocol):
    """The session being written. What a failed commit did not take is kept and goes with the next one."""

    path: Path
    dropped: int
    """Readings that were given up because the disk took none for too long."""

    def add_readings(self, readings: Iterable[tuple[Reading, int]]) -> object:
        """Readings, each with the instant at which the watch was told."""
        ...

    def add_entry(self, payload: Payload, t_us: int | None, wall: datetime) -> Entry:
        """A line of the history; what comes back has its number."""
        ...

    def add_wave(self, wave: "Waveform", note: str = "") -> object:
        """A sampled waveform."""
        ...

    def add_anchor(self, anchor: Anchor) -> object:
        """Tie an instant to the wall clock."""
        ...

    def commit(self) -> object:
        """Make all that was added last. Raises `SessionFault` when the disk does not take it."""
        ...

    def close(self) -> object:
        """Last commit, checkpoint, and the file closed; false when somebody else still has it open."""
        ...


Listener = Callable[[int, Said], None]
"""Hears everything the watch says, in order, on a thread of its own; may be slow."""

NotJudged = Literal["go-on", "end"]
"""What a simulated technician does at a step that the program leaves to him."""


def _ignore(text: str) -> None:
    """Nobody listens."""


@dataclass(frozen=True, slots=True)
class Desk:
    """What lets the window ask for more than this sitting. The window outlives it."""

    link: "WindowLink"
    ask: Callable[[Request | Inquiry], Answered | None]
    """Given what the window asks for; returns why it is refused, or nothing where it will be done."""
    bench_path: str = ""
    benches: tuple[str, ...] = ()
    said: str = ""
    """What came of the last request, told to the window first."""


@dataclass(frozen=True, slots=True)
class Options:
    """Who else takes part in a recording."""

    window: Sequence[str] | None = None
    """Command that starts the window; None for text only."""
    desk: Desk | None = None
    """In place of ``window``: one that is there already, or will be there for other sittings too."""
    listener: Listener | None = None
    """Hears everything that the watch says."""
    show: Callable[[str], object] = _ignore
    """Shows the recorder's own sentences to the technician."""
    terminal: TextIO | None = None
    """Where the technician types keys; a terminal counts as somebody watching."""
    answer_not_judged: NotJudged | None = None
    """A simulated technician answers at steps that are left to him; counts as somebody watching."""
    make_document: Callable[[Path], Path | None] | None = None
    """Makes the document once the session is closed; returns its path."""
    take_signals: bool = True
    """An interrupt from the keyboard cuts off; only where `run` is called on the main thread."""


@dataclass(frozen=True, slots=True)
class SourceLimit:
    """The programmed source's own limit: hardware that protects when no software does."""

    limit_a: float
    trip_delay_s: float
    short_time_a: float | None = None
    """Its short-time rating, which serves where the first can't be set."""


@dataclass(frozen=True, slots=True)
class CutOffTimes:
    """Instants of one taking away of the source, session microseconds; None where there was none."""

    reading_end_us: int | None
    """End of the reading that decided; None where silence or a key did."""
    told_us: int
    """When the watch was told, or time was fed."""
    said_us: int
    """When the order left the watch."""
    sent_us: int | None = None
    """When the off command was handed to the adaptor (programmed) or the instruction (hand-set)."""
    confirmed_us: int | None = None
    """When the source read back off."""
    by: str = ""
    """Over which way it was confirmed: ``first connection``, ``second connection``."""


@dataclass(frozen=True, slots=True)
class RunResult:
    """How a recorded run or sitting ended."""

    ended: Ended | None
    """None for a sitting without a run."""
    session: Path
    times: tuple[CutOffTimes, ...] = ()
    warnings: tuple[str, ...] = ()
    """What the recorder could not do for the technician: no standby, no sleep inhibition, no display."""
    window: str = "none"
    """``shown``, ``none``, or why there is no display."""
    document: Path | None = None
    longest_tick_s: float = 0.0
    """Longest real time for which no time was fed to the watch: how far the machine was behind."""
