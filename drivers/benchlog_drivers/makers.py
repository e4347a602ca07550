"""Makes the adaptors of this package from an instrument of the bench file."""

from benchlog.bench.file import InstrumentConfig
from benchlog.bench.profile import Family, Profile
from benchlog.model.clock import Clock
from benchlog.model.errors import UsageError
from benchlog.model.quantity import Quantity
from benchlog.model.role import Role
from benchlog_drivers.shelf import find_profile
from benchlog_drivers.transports.line import PortLink


def make_scpi(config: InstrumentConfig, clock: Clock) -> object:
    """A source where that is its role, else a meter, over VISA."""
    from benchlog_drivers.adaptors.scpi_meter import ScpiMeter
    from benchlog_drivers.adaptors.scpi_source import ScpiSource
    from benchlog_drivers.transports.visa import VisaLine

    profile, quantity = chosen_profile(config, Family.SCPI)
    line = VisaLine(port_link(config, profile))
    if Role.SOURCE in config.roles:
        return ScpiSource(config, profile, line, clock)
    return ScpiMeter(config, profile, line, clock, quantity)


def make_serial_text(config: InstrumentConfig, clock: Clock) -> object:
    """A meter with text lines, over pyserial."""
    from benchlog_drivers.adaptors.stream_meter import StreamMeter
    from benchlog_drivers.codecs.text import TextCodec
    from benchlog_drivers.transports.serial_port import SerialLine

    profile, quantity = chosen_profile(config, Family.SERIAL_TEXT)
    if profile.text is None:
        raise _lacks(config, profile, "[text]")
    link = port_link(config, profile)
    codec = TextCodec(profile.text, link.terminator)
    return StreamMeter(config, profile, SerialLine(link), codec, clock, quantity)


def make_typed(config: InstrumentConfig, clock: Clock) -> object:
    """Readings typed by the technician."""
    from benchlog_drivers.adaptors.typed import TypedMeter

    return TypedMeter(config, clock)


def make_hand_set(config: InstrumentConfig, clock: Clock) -> object:
    """The dial of a hand-set source."""
    from benchlog_drivers.adaptors.hand_set import HandSet

    return HandSet(config)


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
        timeout_s=config.timeout_s or link.timeout_s, baud=link.baud,
        bits=8 if link.software_parity else link.bits, parity="N" if link.software_parity else link.parity,
        stop=link.stop, dtr=link.dtr, rts=link.rts,
    )  # fmt: skip


def _lacks(config: InstrumentConfig, profile: Profile, part: str) -> UsageError:
    return UsageError(
        f"The profile {profile.name!r} of {config.name!r} has no part {part}. Add it to the profile."
    )
