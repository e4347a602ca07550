"""What is connected: serial ports at once, VISA resources when asked for, and who answers at a chosen one.

Nothing here is called while a window waits; nothing is ever written to a port that the user did not choose.
"""

import msgspec

from benchlog.bench.adaptor import Identity
from benchlog.bench.file import InstrumentConfig
from benchlog.bench.profile import Profile
from benchlog.model.clock import Clock
from benchlog.model.errors import UsageError
from benchlog.model.instrument import Coupling, Response
from benchlog_drivers import registry
from benchlog_drivers.transports.ports import canonical_port, found_ports
from benchlog_drivers.transports.visa import list_visa


class FoundPort(msgspec.Struct, frozen=True):
    """One serial port or VISA resource."""

    connection: str
    """As it is written in a bench file."""
    description: str
    usb: str = ""
    """``vendor:product:serial`` of a USB adaptor, hexadecimal."""


def scan_ports() -> list[FoundPort]:
    """Serial ports there now; 0.5 ms, opens none of them."""
    return [
        FoundPort(
            canonical_port(port.device),
            port.description if port.description not in (None, "n/a") else "serial port",
            f"{port.vid:04x}:{port.pid:04x}:{port.serial_number or ''}" if port.vid is not None else "",
        )
        for port in found_ports()
    ]


def scan_visa(backend: str = "@py") -> list[FoundPort]:
    """Resources that VISA finds; scans every bus and asks on the local network, one to two seconds.

    `PortRefused` where the backend is not installed.
    """
    return [FoundPort(name, "VISA resource") for name in list_visa(backend)]


def profile_notes(profile: Profile) -> tuple[str, ...]:
    """What an instrument can't do, in words, by what its profile states."""
    traits = profile.traits
    notes = [f"can't {what}" for what in profile.cannot]
    if traits.response is Response.AVERAGE:
        notes.append("responds to the average: right for sine waves only")
    if traits.coupling is Coupling.AC:
        notes.append("does not see DC")
    if traits.crest_factor is not None:
        notes.append(f"crest factor up to {traits.crest_factor:g}")
    if traits.least_current_a is not None:
        notes.append(f"specified from {traits.least_current_a:g} A on")
    if traits.autorange:
        notes.append("changes its range by itself: fix it before arming")
    if traits.auto_power_off_min is not None:
        notes.append(f"switches itself off after {traits.auto_power_off_min:g} min unless told not to")
    return tuple(notes)


def identify(config: InstrumentConfig, clock: Clock) -> Identity:
    """Who answers at the connection that the user chose. An `InstrumentFault` says why nobody does."""
    adaptor = registry.make(config, clock)
    opened, closed = getattr(adaptor, "open", None), getattr(adaptor, "close", None)
    if opened is None or closed is None:
        raise UsageError(f"The adaptor {config.adaptor!r} of {config.name!r} has no port to ask.")
    try:
        identity: Identity = opened()
    finally:
        closed()
    return identity
