"""What the recorder asks of an adaptor, and what it hands to one.

An adaptor is used by one worker thread only, which owns its port. Everything here blocks, but never
longer than the adaptor's own finite timeout. Every fault is one of `InstrumentFault`.
"""

from collections.abc import Callable, Sequence
from typing import Protocol, runtime_checkable

import msgspec

from benchlog.bench.file import InstrumentConfig
from benchlog.model.audio import AudioSetup, SampleBlock, SampleGap
from benchlog.model.clock import Clock
from benchlog.model.reading import Channel, Reading
from benchlog.model.wave import Waveform


class Identity(msgspec.Struct, frozen=True):
    """Who answers at the other end; compared after every reconnect."""

    description: str
    serial_number: str = ""
    firmware: str = ""


class SourceState(msgspec.Struct, frozen=True):
    """What a programmed source reads back."""

    set_v: float
    output_on: bool
    limit_a: float | None = None
    trip_delay_s: float | None = None
    tripped: bool = False
    limiting: bool = False
    """Its current limit acts just now; false where it does not tell."""


class StandbyOrder(msgspec.Struct, frozen=True):
    """All that the standby process needs to take a source away without the adaptor.

    Either a TCP address, or a serial port whose descriptor the standby inherits (``fileno``).
    """

    off: bytes
    """Bytes that switch the output off and set zero volts."""
    host: str = ""
    port: int = 0
    fileno: int = -1


@runtime_checkable
class Meter(Protocol):
    """Anything that gives readings."""

    channels: tuple[Channel, ...]
    period_s: float
    """Expected seconds between readings of one channel (real seconds at the clock's scale)."""

    def open(self) -> Identity:
        """Open the port, configure, and say who answers."""
        ...

    def read(self) -> Sequence[Reading]:
        """The next readings of its channels, stamped with the clock; waits at most the adaptor's timeout.

        A streaming meter returns what arrived; an empty sequence means nothing yet. Never repeats the
        last value. Raises `InstrumentTimeout` when silent, `LinkLost` when the port is gone.
        """
        ...

    def close(self) -> None:
        """Close the port; never raises."""
        ...


@runtime_checkable
class Openable(Protocol):
    """Anything with a port of its own: a source, a contactor, the line to a simulated hand."""

    def open(self) -> Identity:
        """Open the port and say who answers."""
        ...

    def close(self) -> None:
        """Close the port; never raises."""
        ...


@runtime_checkable
class Reporting(Protocol):
    """A source that can be asked how it stands; the recorder asks ten times a second while it is in use."""

    def state(self) -> SourceState:
        """Read back setpoint, output and trip; one short transaction that changes nothing."""
        ...


@runtime_checkable
class Source(Protocol):
    """A programmed source. It may be a `Meter` as well; then both are served by its one worker."""

    def set_limit(self, limit_a: float, trip_delay_s: float) -> SourceState:
        """Set the source's own current limit and trip, and read them back. `ProtocolFault` where it can't."""
        ...

    def set_voltage(self, volts: float) -> SourceState:
        """Set the output voltage and read it back."""
        ...

    def output(self, on: bool) -> SourceState:
        """Switch the output and read the state back."""
        ...

    def off(self) -> SourceState:
        """Output off, setpoint zero, read back; one short transaction. Goes before anything else."""
        ...

    def standby(self) -> StandbyOrder | None:
        """What the standby needs; None where neither a second connection nor the port can be shared."""
        ...

    def second(self) -> "Source | None":
        """The same source over a second connection (not yet opened); None where it takes only one."""
        ...


@runtime_checkable
class Dial(Protocol):
    """A hand-set source: a person turns it. The program can only say what to do."""

    def instruct(self, text: str, target_v: float | None, urgent: bool) -> None:
        """Show or send the line; a simulated hand reads it here. Returns at once, never raises."""
        ...


@runtime_checkable
class Contactor(Protocol):
    """A cut-off contactor held in by a heartbeat."""

    def beat(self) -> None:
        """Toggle the line or re-trigger the relay once."""
        ...

    def drop(self) -> None:
        """Let it drop at once."""
        ...


@runtime_checkable
class Capture(Protocol):
    """A digitiser that takes one waveform of voltage and current at a time."""

    def arm(self) -> None:
        """Begin to wait for the trigger."""
        ...

    def done(self) -> bool:
        """Whether the capture is complete; one short transaction."""
        ...

    def cancel(self) -> None:
        """Disarm."""
        ...

    def fetch(self) -> Waveform:
        """The samples; may take seconds, so never on a source's connection."""
        ...


@runtime_checkable
class Listening(Protocol):
    """A stream of samples of voltage and current; the recorder makes readings and waveforms of it."""

    audio: AudioSetup

    def open(self) -> Identity:
        """Open the stream and say which device it is."""
        ...

    def listen(self) -> Sequence[SampleBlock | SampleGap]:
        """What came since, in order; waits a few milliseconds at most.

        Raises `InstrumentTimeout` when nothing comes, `LinkLost` when the device is gone.
        """
        ...

    def close(self) -> None:
        """Close the stream; never raises."""
        ...


Opener = Callable[[InstrumentConfig, Clock], object]
"""Makes an adaptor (not yet opened) for an instrument of the bench file. The recorder is given one."""
