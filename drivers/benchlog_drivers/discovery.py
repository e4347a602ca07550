"""What is connected: serial ports at once, VISA resources when asked for, and who answers at a chosen one.

Nothing here is called while a window waits; nothing is ever written to a port that the user did not choose.
"""

import msgspec

from benchlog.bench.adaptor import Identity
from benchlog.bench.file import InstrumentConfig
from benchlog.model.clock import Clock
from benchlog.model.errors import UsageError
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
