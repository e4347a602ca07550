"""Makes the adaptors of this package from an instrument of the bench file."""

from collections.abc import Callable
from typing import TYPE_CHECKING

import msgspec

from benchlog.bench.file import InstrumentConfig
from benchlog.bench.profile import Family, Profile
from benchlog.model.clock import Clock
from benchlog.model.errors import UsageError
from benchlog.model.quantity import Quantity
from benchlog.model.role import Role
from benchlog_drivers.shelf import find_profile
from benchlog_drivers.transports.line import Line, PortLink

if TYPE_CHECKING:
    from benchlog_drivers.codecs.decoded import Codec
    from benchlog_drivers.transports.modbus import ModbusLine


Wrap = Callable[[Line], Line]
"""Puts something around, or in the place of, the line that an adaptor talks over."""


def as_it_is(line: Line) -> Line:
    """The line itself."""
    return line


def make_scpi(config: InstrumentConfig, clock: Clock, wrap: Wrap = as_it_is) -> object:
    """A source where that is its role, else a meter, over VISA."""
    from benchlog_drivers.adaptors.scpi_meter import ScpiMeter
    from benchlog_drivers.adaptors.scpi_source import ScpiSource
    from benchlog_drivers.transports.visa import VisaLine

    profile, quantity = chosen_profile(config, Family.SCPI)
    line = wrap(VisaLine(port_link(config, profile)))
    if Role.SOURCE in config.roles:
        return ScpiSource(config, profile, line, clock, quantity)
    return ScpiMeter(config, profile, line, clock, quantity)


def make_serial_text(config: InstrumentConfig, clock: Clock, wrap: Wrap = as_it_is) -> object:
    """A meter with text lines, over pyserial."""
    from benchlog_drivers.codecs.text import TextCodec

    profile, quantity = chosen_profile(config, Family.SERIAL_TEXT)
    if profile.text is None:
        raise _lacks(config, profile, "[text]")
    codec = TextCodec(profile.text, (profile.link.ends or profile.link.terminator).encode("ascii"))
    return _stream_meter(config, profile, codec, clock, quantity, wrap)


def make_serial_segments(config: InstrumentConfig, clock: Clock, wrap: Wrap = as_it_is) -> object:
    """A meter that sends its display segment by segment, over pyserial."""
    from benchlog_drivers.codecs.segments import SegmentCodec

    profile, quantity = chosen_profile(config, Family.SERIAL_SEGMENTS)
    if profile.segments is None:
        raise _lacks(config, profile, "[segments]")
    return _stream_meter(config, profile, SegmentCodec(profile.segments), clock, quantity, wrap)


def make_serial_frame(config: InstrumentConfig, clock: Clock, wrap: Wrap = as_it_is) -> object:
    """A meter with frames and a checksum, over pyserial."""
    from benchlog_drivers.codecs.frames import FrameCodec

    profile, quantity = chosen_profile(config, Family.SERIAL_FRAME)
    if profile.frame is None:
        raise _lacks(config, profile, "[frame]")
    return _stream_meter(config, profile, FrameCodec(profile.frame), clock, quantity, wrap)


def make_modbus(config: InstrumentConfig, clock: Clock, wrap: Wrap = as_it_is) -> object:
    """A meter read by Modbus, RTU or (``tcp://host:port``) TCP."""
    from benchlog_drivers.adaptors.modbus_meter import ModbusMeter

    profile, quantity = chosen_profile(config, Family.MODBUS)
    if profile.modbus is None:
        raise _lacks(config, profile, "[modbus]")
    line = _modbus_line(config, profile, profile.modbus.unit, wrap)
    return ModbusMeter(config, profile, profile.modbus, line, clock, quantity)


def make_contactor(config: InstrumentConfig, clock: Clock) -> object:
    """A cut-off contactor on a modem-control line, told by SCPI, or by Modbus; the profile decides."""
    from benchlog_drivers.adaptors.contactor import LineContactor, ModbusContactor, ScpiContactor
    from benchlog_drivers.adaptors.conversation import Conversation
    from benchlog_drivers.transports.serial_port import SerialLine
    from benchlog_drivers.transports.visa import VisaLine

    profile, _ = chosen_profile(config, Family.CONTACTOR)
    words = profile.contactor
    if words is None:
        raise _lacks(config, profile, "[contactor]")
    if words.line:
        return LineContactor(config, profile, words, SerialLine(port_link(config, profile)))
    if words.coil is not None:
        return ModbusContactor(profile, words.coil, _modbus_line(config, profile, words.unit, as_it_is))
    return ScpiContactor(config, words, Conversation(VisaLine(port_link(config, profile)), profile.scpi))


def make_digitiser(config: InstrumentConfig, clock: Clock) -> object:
    """One-shot capture of waveforms, over VISA."""
    from benchlog_drivers.adaptors.digitiser import Digitiser
    from benchlog_drivers.transports.visa import VisaLine

    profile, _ = chosen_profile(config, Family.DIGITISER)
    if profile.capture is None:
        raise _lacks(config, profile, "[capture]")
    return Digitiser(config, profile.capture, profile.scpi, VisaLine(port_link(config, profile)), clock)


def make_audio(config: InstrumentConfig, clock: Clock) -> object:
    """An audio interface with isolated sensors, as digitiser."""
    from benchlog_drivers.adaptors.audio import AudioAdaptor, audio_of
    from benchlog_drivers.transports.audio import AudioLine, Order
    from benchlog_drivers.transports.audio_socket import PREFIX, SocketLine

    audio = audio_of(config)
    channels = max(audio.current.channel, audio.voltage.channel)
    if config.connection.startswith(PREFIX):
        order = Order(config.name, audio.rate_hz, audio.block, channels)
        return AudioAdaptor(config, SocketLine(config.connection, order), clock)
    return AudioAdaptor(config, AudioLine(config.connection, audio.rate_hz, audio.block, channels), clock)


def make_played_back(config: InstrumentConfig, clock: Clock) -> object:
    """Recorded readings, played back."""
    from benchlog_drivers.adaptors.played_back import PlayedBack

    return PlayedBack(config, clock)


def make_typed(config: InstrumentConfig, clock: Clock) -> object:
    """Readings typed by the technician."""
    from benchlog_drivers.adaptors.typed import TypedMeter

    return TypedMeter(config, clock)


def make_hand_set(config: InstrumentConfig, clock: Clock) -> object:
    """The dial of a hand-set source."""
    from benchlog_drivers.adaptors.hand_set import HandSet

    return HandSet(config)


def _stream_meter(
    config: InstrumentConfig,
    profile: Profile,
    codec: "Codec",
    clock: Clock,
    quantity: Quantity | None,
    wrap: Wrap,
) -> object:
    from benchlog_drivers.adaptors.stream_meter import StreamMeter
    from benchlog_drivers.transports.serial_port import SerialLine

    line = wrap(SerialLine(port_link(config, profile)))
    return StreamMeter(config, profile, line, codec, clock, quantity)


def _modbus_line(config: InstrumentConfig, profile: Profile, unit: int, wrap: Wrap) -> "ModbusLine":
    from benchlog_drivers.transports.modbus import ModbusLine
    from benchlog_drivers.transports.serial_port import SerialLine

    link = port_link(config, profile)
    over_tcp = link.address.startswith("tcp://")
    if over_tcp:
        link = msgspec.structs.replace(link, address="socket://" + link.address.removeprefix("tcp://"))
    return ModbusLine(wrap(SerialLine(link)), unit, over_tcp)


def chosen_profile(config: InstrumentConfig, family: Family) -> tuple[Profile, Quantity | None]:
    """Profile, and the quantity chosen by ``profile:quantity``. `UsageError` where they don't fit."""
    name, _, wanted = config.profile.partition(":")
    if len(name) == 1 and wanted:  # a drive letter
        name, wanted = config.profile, ""
    if not name:
        raise UsageError(f"The instrument {config.name!r} names no profile. Add one in the bench file.")
    profile = find_profile(name)
    if profile.family is not family:
        raise UsageError(
            f"The profile {profile.name!r} of {config.name!r} is for the adaptor {profile.family.value!r}, "
            f"not {config.adaptor!r}. Mend the bench file."
        )
    if not wanted:
        return profile, None
    try:
        return profile, Quantity(wanted)
    except ValueError as error:
        raise UsageError(
            f"{wanted!r} in the profile of {config.name!r} is no quantity. There are: "
            f"{', '.join(q.value for q in Quantity)}."
        ) from error


def port_link(config: InstrumentConfig, profile: Profile) -> PortLink:
    """How to open the connection of an instrument. `UsageError` where it has none."""
    if not config.connection:
        raise UsageError(f"The instrument {config.name!r} has no connection. Add one in the bench file.")
    link = profile.link
    return PortLink(
        name=config.name, address=config.connection, terminator=link.terminator.encode("ascii"),
        ends=link.ends.encode("ascii"),
        timeout_s=config.timeout_s or link.timeout_s, baud=config.baud or link.baud,
        bits=8 if link.software_parity else link.bits, parity="N" if link.software_parity else link.parity,
        stop=link.stop, dtr=link.dtr, rts=link.rts,
    )  # fmt: skip


def _lacks(config: InstrumentConfig, profile: Profile, part: str) -> UsageError:
    return UsageError(
        f"The profile {profile.name!r} of {config.name!r} has no part {part}. Add it to the profile."
    )
