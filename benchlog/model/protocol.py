"""Messages between the recorder and its window: one JSON object a line, each with its ``type``.

The recorder writes to the window's standard input, the window answers on its (private copy of) standard
output. Messages to the window may be dropped when it does not read; `Live.dropped` says how many were.
"""

import msgspec

from benchlog.model.event import Key, Said
from benchlog.model.history import Payload
from benchlog.model.job import Job
from benchlog.model.quantity import Quantity
from benchlog.model.reading import Status
from benchlog.model.reference import Reference
from benchlog.model.role import Role
from benchlog.model.step import Outcome, Step
from benchlog.model.unit import Unit


class Hello(msgspec.Struct, frozen=True, tag="hello"):
    """First message: what this run is. Sent again to a window that was started again."""

    session_path: str
    job: Job
    steps: tuple[Step, ...]
    mains_v: float
    programmed: bool
    simulated: bool
    time_scale: float
    now_us: int
    contactor: bool = False
    takes_requests: bool = False
    """Whether another bench, job or bring-up can be asked for: the window was opened by itself."""
    bench_path: str = ""
    """Bench file in use; empty without one."""
    benches: tuple[str, ...] = ()
    """Bench files used before, the latest first."""


class Probe(msgspec.Struct, frozen=True, array_like=True):
    """How the meter in the technician's hand read: hands-free taking needs more than the value."""

    instrument: str
    quantity: Quantity
    start_us: int
    end_us: int
    range: float | None = None
    resolution: float | None = None


class Point(msgspec.Struct, frozen=True, array_like=True):
    """One reading on the live path: channel name, middle of its aperture, value or status."""

    channel: str
    t_us: int
    value: float | None
    status: Status | None = None
    probe: Probe | None = None
    """How it was read, for the meter in the technician's hand only."""


class Live(msgspec.Struct, frozen=True, tag="live"):
    """Readings since the last message."""

    now_us: int
    points: tuple[Point, ...]
    dropped: int = 0
    """Messages dropped so far because the window did not keep up."""


class LimitsNow(msgspec.Struct, frozen=True, tag="limits"):
    """The limits at the present inlet voltage."""

    fraction: float
    acceptance_a: float
    acceptance_source: str
    stop_a: float
    stop_source: str


class SaidNow(msgspec.Struct, frozen=True, tag="said-now"):
    """Something the limit watch said."""

    t_us: int
    said: Said


class PowerState(msgspec.Struct, frozen=True, tag="power"):
    """Whether power is on, and whether the cut-off is latched and confirmed."""

    on: bool
    latched: bool
    confirmed: bool
    detail: str = ""


class StorageState(msgspec.Struct, frozen=True, tag="storage-state"):
    """Whether readings reach the disk."""

    storing: bool
    detail: str = ""


class RunClosed(msgspec.Struct, frozen=True, tag="run-closed"):
    """The run is over and the session is closed or stays open for entries."""

    outcome: Outcome
    reason: str
    document: str = ""


class InstrumentNow(msgspec.Struct, frozen=True):
    """How one instrument of the bench stands."""

    name: str
    adaptor: str
    roles: tuple[Role, ...]
    up: bool | None
    """Whether it answers; None for one without a port (a dial, readings that are typed)."""
    identity: str = ""
    """Who answered, in its own words."""
    fault: str = ""


class InstrumentsNow(msgspec.Struct, frozen=True, tag="instruments-now"):
    """How all instruments stand; sent when it changes."""

    instruments: tuple[InstrumentNow, ...]


class Raw(msgspec.Struct, frozen=True, tag="raw"):
    """What went over the lines of the instruments since the last such message, oldest first."""

    lines: tuple[tuple[str, str, str], ...]
    """Instrument, ``>`` to it or ``<`` from it, and the bytes as text with escapes."""


class Answered(msgspec.Struct, frozen=True, tag="answered"):
    """What came of something that the window asked for."""

    text: str
    refused: bool = False
    question: bool = False
    """Ask again with the technician's answer to this."""


class ReferenceNow(msgspec.Struct, frozen=True, tag="reference-now"):
    """What was found for the reference units that the window named."""

    names: tuple[str, ...]
    reference: Reference | None = None
    fault: str = ""
    """Why there is none; empty where there is, or none was named."""


class Closing(msgspec.Struct, frozen=True, tag="closing"):
    """The recorder is about to close the session; the window closes its reader and answers `Closed`.

    A `Hello` that follows begins another sitting; the end of the pipe is the end.
    """


class Ping(msgspec.Struct, frozen=True, tag="ping"):
    """The recorder's heartbeat, ten times a second."""

    n: int


ToWindow = (
    Hello
    | Live
    | LimitsNow
    | SaidNow
    | PowerState
    | StorageState
    | RunClosed
    | InstrumentsNow
    | Raw
    | Answered
    | ReferenceNow
    | Closing
    | Ping
)


class Painted(msgspec.Struct, frozen=True, tag="painted"):
    """The first frame is on the screen."""


class Pong(msgspec.Struct, frozen=True, tag="pong"):
    """The window's answer to `Ping`, from its event loop."""

    n: int
    input_age_s: float
    """Real seconds since the last key, click or movement in the window."""


class Pressed(msgspec.Struct, frozen=True, tag="pressed"):
    """The technician's word to the run."""

    key: Key
    reason: str = ""
    fuse_intact: bool | None = None


class EntryAdded(msgspec.Struct, frozen=True, tag="entry"):
    """A line for the history."""

    payload: Payload


class Closed(msgspec.Struct, frozen=True, tag="closed"):
    """The window has closed its reader of the session."""


class WantsToClose(msgspec.Struct, frozen=True, tag="wants-to-close"):
    """The technician closed the window (after being asked, when power was on)."""

    power_off: bool


class Trouble(msgspec.Struct, frozen=True, tag="trouble"):
    """A fault inside the window, for the crash log."""

    text: str


class RunAsked(msgspec.Struct, frozen=True, tag="run-asked"):
    """Begin a bring-up on the bench in use."""

    unit: Unit
    lamp_w: float | None = None
    """Watts of a series lamp in circuit; None: as the bench file says."""
    soak_min: float = 0.0
    ask: bool = False
    """Step up at the key only."""
    plan: str = ""
    """Text of a plan file (TOML); empty for the usual plan of the unit."""
    checked: str = ""
    """Answer to the questions before power, where there are any; recorded."""
    references: tuple[str, ...] = ()
    """Reference units: numbers of finished jobs, or paths of sessions and reference files."""


class BenchAsked(msgspec.Struct, frozen=True, tag="bench-asked"):
    """Read the instruments of this bench file from now on; empty for none."""

    path: str


class RehearsalAsked(msgspec.Struct, frozen=True, tag="rehearsal-asked"):
    """Start a simulated bench, and a job of its own on it."""

    words: dict[str, str] = {}
    """Options of the simulated bench, by the names of ``benchlog simulate``: ``fault``, ``meters`` …"""


class JobAsked(msgspec.Struct, frozen=True, tag="job-asked"):
    """Go on with another session; empty for a new job."""

    path: str


class RolesGiven(msgspec.Struct, frozen=True, tag="roles-given"):
    """Other parts for the instruments of the bench in use; written into its file, the old one kept."""

    roles: dict[str, tuple[Role, ...]]


class RawAsked(msgspec.Struct, frozen=True, tag="raw-asked"):
    """Whether `Raw` is wanted."""

    on: bool


class ReferenceAsked(msgspec.Struct, frozen=True, tag="reference-asked"):
    """What these reference units drew, before a bring-up is begun with them; named as in `RunAsked`."""

    names: tuple[str, ...]


Inquiry = RawAsked | ReferenceAsked
"""What the present sitting answers and goes on."""

Request = RunAsked | BenchAsked | RehearsalAsked | JobAsked | RolesGiven
"""What begins another sitting."""

FromWindow = (
    Painted
    | Pong
    | Pressed
    | EntryAdded
    | Closed
    | WantsToClose
    | Trouble
    | RunAsked
    | BenchAsked
    | RehearsalAsked
    | JobAsked
    | RolesGiven
    | RawAsked
    | ReferenceAsked
)

_encoder = msgspec.json.Encoder()
_to_window: msgspec.json.Decoder[ToWindow] = msgspec.json.Decoder(ToWindow)
_from_window: msgspec.json.Decoder[FromWindow] = msgspec.json.Decoder(FromWindow)


def encode(message: ToWindow | FromWindow) -> bytes:
    """One line, newline included."""
    return _encoder.encode(message) + b"\n"


def decode_to_window(line: bytes) -> ToWindow:
    """A message of the recorder. Raises `msgspec.DecodeError` for anything else."""
    return _to_window.decode(line)


def decode_from_window(line: bytes) -> FromWindow:
    """A message of the window. Raises `msgspec.DecodeError` for anything else."""
    return _from_window.decode(line)
