"""Check a profile, try it on an instrument, and save a conversation that is its test from then on."""

import re
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import msgspec

from benchlog.bench.adaptor import Meter
from benchlog.bench.file import InstrumentConfig
from benchlog.bench.profile import Family, Profile
from benchlog.bench.profilefile import load_profile
from benchlog.model.clock import Clock, RealClock
from benchlog.model.errors import InstrumentFault, LinkLost, UsageError
from benchlog.model.reading import Measured, Reading
from benchlog.model.role import Role
from benchlog_drivers import makers
from benchlog_drivers.adaptors.channels import NOT_MEASURING
from benchlog_drivers.shelf import shipped_text
from benchlog_drivers.transports.line import Line
from benchlog_drivers.transports.recorded import (
    RecordingLine,
    ReplayLine,
    Saved,
    Taken,
    load_conversation,
    save_conversation,
)

_MAKERS: dict[Family, Callable[..., object]] = {
    Family.SCPI: makers.make_scpi,
    Family.SERIAL_TEXT: makers.make_serial_text,
    Family.SERIAL_SEGMENTS: makers.make_serial_segments,
    Family.SERIAL_FRAME: makers.make_serial_frame,
    Family.MODBUS: makers.make_modbus,
}
_TEMPLATE = """\
# A meter with text lines: mend what differs, then try it on the meter.
name = "my-meter"
family = "serial-text"
origin = "seen on the port with 'benchlog profile try'"

[link]
terminator = "\\r\\n"
baud = 9600

[measure]
period_s = 0.5

[text]
# A regular expression for one line. (?P<value>…) is the number, (?P<unit>…) its unit of measure with its
# prefix, (?P<kind>…) what tells AC from DC, (?P<flags>…) letters such as hold and low battery.
pattern = '(?P<value>[+-]?\\d+\\.\\d+) (?P<unit>[mu]?[AV])'
overload = ["OL"]

[text.quantities]
A = "dc-current"
V = "dc-voltage"
"""
_REPLAY_SCALE = 50.0
_LONGEST_REPLAY_S = 60.0


class Checked(msgspec.Struct, frozen=True):
    """What a check found."""

    profile: Profile
    conversation: str
    """The saved conversation, or empty where there is none beside the profile."""
    readings: int
    """Readings of the conversation that came out as they were saved."""
    faults: tuple[str, ...]


class Tried(msgspec.Struct, frozen=True):
    """What one look at the instrument brought."""

    t_s: float
    sent: bytes
    received: bytes
    readings: tuple[Reading, ...]
    fault: str = ""
    """Why there was no reading, in words."""


def begin_profile(path: Path, like: str = "") -> None:
    """Write a profile to start from, named after its file: a text meter's, or as the shipped one ``like``.

    `UsageError` where the file is there already, can't be written, or ``like`` is not known.
    """
    if path.suffix != ".toml":
        raise UsageError(f"A profile is a TOML file; {path} is none by its name. Call it {path.stem}.toml.")
    text = shipped_text(like) if like else _TEMPLATE
    text = re.sub(r'(?m)^name = ".*"$', f'name = "{path.stem}"', text, count=1)
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError as error:
        raise UsageError(f"{path} is there already and is left as it is. Choose another name.") from error
    except OSError as error:
        raise UsageError(f"{path} can't be written: {error.strerror}. Choose another place.") from error


def conversation_beside(path: Path) -> Path:
    """Where the saved conversation of a profile file is looked for."""
    return path.with_suffix(".conversation.json")


def check_profile(path: Path, conversation: Path | None = None) -> Checked:
    """Check schema and sense of a profile, then play its saved conversation through it.

    `UsageError` names the line of what is wrong in the profile; what the conversation shows is in ``faults``.
    """
    profile = load_profile(path)
    saved = conversation or conversation_beside(path)
    if conversation is None and not saved.exists():
        return Checked(profile, "", 0, ())
    came, faults = replay(path, load_conversation(saved))
    return Checked(profile, str(saved), came, faults)


def replay(profile: Path, saved: Saved) -> tuple[int, tuple[str, ...]]:
    """(readings that came out as saved, what did not) of a conversation played through a profile."""
    config = InstrumentConfig(
        name=saved.profile, adaptor=load_profile(profile).family.value, roles=(Role(saved.role),),
        connection="replay", profile=str(profile),
    )  # fmt: skip
    meter = _meter(config, RealClock(_REPLAY_SCALE), lambda line: ReplayLine(line.link, saved.spoken))
    came: list[Reading] = []
    until = time.monotonic() + _LONGEST_REPLAY_S
    try:
        meter.open()
        while len(came) < len(saved.readings) and time.monotonic() < until:
            came.extend(meter.read())
    except LinkLost:
        pass
    except InstrumentFault as fault:
        return 0, (str(fault),)
    finally:
        meter.close()
    pairs = list(zip((_taken(reading) for reading in came), saved.readings, strict=False))
    faults = [f"reading {i + 1}: {got} instead of {was}" for i, (got, was) in enumerate(pairs) if got != was]
    if len(came) < len(saved.readings):
        faults.append(f"{len(came)} readings came out instead of {len(saved.readings)}")
    return sum(got == was for got, was in pairs), tuple(faults)


def try_profile(config: InstrumentConfig, clock: Clock, seconds: float) -> Iterator[Tried]:
    """Talk to an instrument for so many real seconds; raw bytes beside the readings they were decoded to.

    Raises what keeps the port from opening; a fault after that is told in `Tried.fault`.
    """
    recorder: list[RecordingLine] = []
    meter = _meter(config, clock, lambda line: _kept(recorder, line))
    meter.open()
    begun, seen = time.monotonic(), 0
    try:
        while (at_s := time.monotonic() - begun) < seconds:
            fault = ""
            readings: tuple[Reading, ...] = ()
            try:
                readings = tuple(meter.read())
            except InstrumentFault as error:
                fault = str(error)
            spoken = recorder[0].spoken[seen:]
            seen += len(spoken)
            if spoken or readings or fault:
                sent, received = (
                    b"".join(bytes.fromhex(s.hex) for s in spoken if s.way == way) for way in "><"
                )
                yield Tried(at_s, sent, received, readings, fault)
    finally:
        meter.close()


def record_conversation(config: InstrumentConfig, clock: Clock, path: Path, readings: int = 10) -> Saved:
    """Save a conversation until so many readings came. `InstrumentFault` when the instrument falls silent.

    The file does not name the port; what the instrument says of itself is in it.
    """
    recorder: list[RecordingLine] = []
    meter = _meter(config, clock, lambda line: _kept(recorder, line))
    came: list[Reading] = []
    try:
        meter.open()
        while len(came) < readings:
            came.extend(meter.read())
    finally:
        meter.close()
    role = next(role for role in config.roles if role not in NOT_MEASURING)
    taken = tuple(_taken(reading) for reading in came)
    name = Path(config.profile).stem
    saved = Saved(name, role.value, tuple(recorder[0].spoken), taken)
    save_conversation(saved, path)
    return saved


def _kept(recorder: list[RecordingLine], line: Line) -> Line:
    recorder.append(RecordingLine(line))
    return recorder[-1]


def _meter(config: InstrumentConfig, clock: Clock, wrap: makers.Wrap) -> Meter:
    make = next((make for family, make in _MAKERS.items() if family.value == config.adaptor), None)
    if make is None:
        known = ", ".join(family.value for family in _MAKERS)
        raise UsageError(f"A profile for {config.adaptor!r} can't be tried; only those for {known}.")
    made = make(config, clock, wrap)
    if not isinstance(made, Meter):
        raise UsageError(f"The profile {config.profile!r} measures nothing that can be tried.")
    return made


def _taken(reading: Reading) -> Taken:
    if isinstance(reading, Measured):
        return Taken(reading.channel.quantity.value, reading.value, None)
    return Taken(reading.channel.quantity.value, None, reading.status.value)
