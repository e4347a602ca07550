"""The one seam where errors of pyvisa, pyvisa-py, pyserial, pymodbus and the operating system become ours.

Inside ``with translated(link): …`` stands nothing but calls of those libraries, so that a mistake of the
program's own is never taken for a fault of an instrument.
"""

import errno
import os
import socket
import struct
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import serial
from pymodbus.exceptions import ConnectionException, ModbusException, ModbusIOException
from pyvisa import errors as visa_errors
from pyvisa.constants import StatusCode
from pyvisa_py.protocols.rpc import RPCError
from pyvisa_py.protocols.vxi11 import Vxi11Error
from pyvisa_py.protocols.xdrlib import Error as XdrError

from benchlog.model.errors import (
    InstrumentFault,
    InstrumentTimeout,
    LinkLost,
    PortRefused,
    ProtocolFault,
)
from benchlog_drivers.transports.line import PortLink
from benchlog_drivers.transports.ports import canonical_port, ports_there

if sys.platform == "win32":
    TERMIOS_ERRORS: tuple[type[Exception], ...] = ()
else:
    import termios

    TERMIOS_ERRORS = (termios.error,)

Kind = type[InstrumentFault]

_ADVICE: dict[Kind, str] = {
    InstrumentTimeout: "Check that it is switched on and not busy; it is tried again",
    LinkLost: "Check its cable and power; the program goes on trying to reach it",
    ProtocolFault: "Check the profile, baud rate and parity in the bench file",
    PortRefused: "Check the connection in the bench file",
}

_VISA_KIND: dict[int, Kind] = {
    StatusCode.error_timeout: InstrumentTimeout,
    StatusCode.error_resource_busy: PortRefused,
    StatusCode.error_resource_locked: PortRefused,
    StatusCode.error_resource_not_found: PortRefused,
    StatusCode.error_invalid_resource_name: PortRefused,
    StatusCode.error_library_not_found: PortRefused,
    StatusCode.error_interface_number_not_configured: PortRefused,
    StatusCode.error_no_permission: PortRefused,
    StatusCode.error_machine_not_available: PortRefused,
    StatusCode.error_serial_framing: ProtocolFault,
    StatusCode.error_serial_parity: ProtocolFault,
    StatusCode.error_serial_overrun: ProtocolFault,
    StatusCode.error_output_protocol_violation: ProtocolFault,
    StatusCode.error_input_protocol_violation: ProtocolFault,
    StatusCode.error_raw_read_protocol_violation: ProtocolFault,
    StatusCode.error_raw_write_protocol_violation: ProtocolFault,
}

_NO_HOST = (
    "Name or service not known",
    "nodename nor servname",
    "getaddrinfo failed",
    "No address associated",
)
_NOTHING_THERE = (
    "nothing answers there. Switch the instrument on and check cable and address; "
    "'benchlog instruments --scan --visa' lists what VISA finds"
)
_NO_LIBRARY = (
    "there is no such VISA library on this machine. Install it, or leave out the '@…' before the address"
)

_NO_PORT = {errno.ENOENT, errno.ENXIO, errno.ENODEV, errno.EHOSTUNREACH, errno.ENETUNREACH, errno.ENOTTY}


@contextmanager
def translated(link: PortLink, opening: bool = False) -> Iterator[None]:
    """Turn any error of a library into an `InstrumentFault` that names the connection and what to do.

    ``opening`` tells "the port is refused" from "the link is lost".
    """
    try:
        yield
    except InstrumentFault:
        raise
    except tuple(TABLE) as error:
        raise fault_of(error, link, opening) from error
    except Exception as error:
        if opening and type(error) is Exception:  # pyvisa-py raises the bare class when it can't connect
            raise fault_of(error, link, opening) from error
        raise


def fault_of(error: BaseException, link: PortLink, opening: bool) -> InstrumentFault:
    """The fault that an error of a library stands for."""
    kind: Kind = PortRefused
    said = ""
    for known, judge in TABLE.items():
        if isinstance(error, known):
            kind, said = judge(error, link, opening)
            break
    detail = said or f"{_sentence(kind)}: {_text(error)}"
    return kind(f"{link.where}: {detail}. {'' if said else _ADVICE.get(kind, '')}".strip().rstrip(".") + ".")


def _sentence(kind: Kind) -> str:
    return {
        InstrumentTimeout: "no answer in time",
        LinkLost: "the connection is gone",
        ProtocolFault: "the answer can't be what was asked for",
    }.get(kind, "it can't be opened")


def _text(error: BaseException) -> str:
    return " ".join(str(error).split()) or type(error).__name__


def _visa(error: BaseException, link: PortLink, opening: bool) -> tuple[Kind, str]:
    code = getattr(error, "error_code", 0)
    if code == StatusCode.error_invalid_resource_name:
        return PortRefused, (
            "that is no VISA resource string. They look like TCPIP0::192.168.1.5::5025::SOCKET, "
            "USB0::0x1234::0x5678::serial::INSTR, GPIB0::5::INSTR or ASRL/dev/ttyUSB0::INSTR"
        )
    if opening and code in (StatusCode.error_resource_not_found, StatusCode.error_library_not_found):
        return PortRefused, _NO_LIBRARY if code == StatusCode.error_library_not_found else _NOTHING_THERE
    kind = _VISA_KIND.get(code, LinkLost)
    if opening and kind is InstrumentTimeout:
        return PortRefused, ""
    if opening and kind is LinkLost:
        return PortRefused, ""
    return kind, ""


def _system(error: BaseException, link: PortLink, opening: bool) -> tuple[Kind, str]:
    number = getattr(error, "errno", None)
    words = str(error)
    if opening and "VISA library" in words:
        return PortRefused, _NO_LIBRARY
    if isinstance(error, socket.gaierror) or any(said in words for said in _NO_HOST):
        return PortRefused, "no such host; check the address in the bench file"
    if number in (errno.EACCES, errno.EPERM) or ("PermissionError" in words and sys.platform != "win32"):
        return PortRefused, _permission(link)
    if number in (errno.EBUSY, errno.EAGAIN) or "exclusively lock" in words or "Access is denied" in words:
        return PortRefused, "the port is busy: another program holds it. Close that program, then try again"
    if number == errno.ECONNREFUSED or "Connection refused" in words:
        return PortRefused, "nobody listens there. Switch the instrument on, check address and port number"
    if opening and (number in _NO_PORT or "FileNotFoundError" in words):
        return PortRefused, _no_such_port()
    if isinstance(error, TimeoutError | serial.SerialTimeoutException):
        return (PortRefused if opening else InstrumentTimeout), ""
    return (PortRefused if opening else LinkLost), ""


def _permission(link: PortLink) -> str:
    """Says which group or driver is missing, not a bare number."""
    advice = "run the program as a user who may open it"
    if sys.platform.startswith("linux"):
        group = _group_of(link.address)
        advice = (
            f"add yourself to the group '{group}' (sudo usermod -aG {group} $USER) and log in again"
            if group
            else "install a udev rule that lets your user open this instrument, and plug it in again"
        )
    elif sys.platform == "darwin":
        advice = "install the USB-serial adaptor's driver and allow it in the system settings"
    return f"no permission to open it: {advice}"


def _group_of(address: str) -> str:
    """The group that may open a serial port; empty where joining one would not help, or be too much."""
    import grp

    port = canonical_port(address)
    if "/dev/" not in port:
        return "" if port.upper().startswith(("USB", "GPIB")) else "dialout"
    try:
        group = grp.getgrgid(os.stat(port).st_gid).gr_name  # noqa: PTH116 - a device, not a file
    except (OSError, KeyError, ValueError):
        return "dialout"
    return "" if group in ("root", "wheel") else group


def _no_such_port() -> str:
    there = ports_there()
    listed = "Serial ports there now: " + ", ".join(there) if there else "No serial port is there now"
    return f"no such port. {listed}. Plug the instrument in or mend the bench file"


def _refused(error: BaseException, link: PortLink, opening: bool) -> tuple[Kind, str]:
    """A ValueError: pyvisa-py's for an optional library that is missing, pyserial's for a bad setting."""
    if opening and "install" in str(error):
        wanted = _text(error).partition(" No module")[0].rstrip(".")
        return PortRefused, (
            f"a part of the VISA library is missing. {wanted}, or install another VISA and write '@ivi ' "
            "before the address"
        )
    return (PortRefused if opening else ProtocolFault), ""


def _lost(error: BaseException, link: PortLink, opening: bool) -> tuple[Kind, str]:
    """What the libraries do when their port was closed under them: attributes of None, sessions unknown."""
    return (PortRefused if opening else LinkLost), ""


def _garbled(error: BaseException, link: PortLink, opening: bool) -> tuple[Kind, str]:
    return ProtocolFault, ""


def _modbus(error: BaseException, link: PortLink, opening: bool) -> tuple[Kind, str]:
    if isinstance(error, ConnectionException):
        return (PortRefused if opening else LinkLost), ""
    if isinstance(error, ModbusIOException):
        return InstrumentTimeout, ""
    return ProtocolFault, ""


Judge = Callable[[BaseException, PortLink, bool], tuple[Kind, str]]

TABLE: dict[type[BaseException], Judge] = {
    visa_errors.VisaIOError: _visa,
    visa_errors.InvalidSession: _lost,
    visa_errors.VisaTypeError: _garbled,
    visa_errors.UnknownHandler: _lost,
    visa_errors.OSNotSupported: _refused,
    visa_errors.InvalidBinaryFormat: _garbled,
    visa_errors.LibraryError: _refused,
    visa_errors.Error: _lost,
    RPCError: _garbled,
    Vxi11Error: _lost,
    XdrError: _garbled,
    ModbusException: _modbus,
    UnicodeError: _garbled,
    OSError: _system,
    **dict.fromkeys(TERMIOS_ERRORS, _system),
    NotImplementedError: _refused,
    ValueError: _refused,
    TypeError: _lost,
    AttributeError: _lost,
    KeyError: _lost,
    IndexError: _garbled,
    EOFError: _lost,
    OverflowError: _garbled,
    MemoryError: _garbled,
    struct.error: _garbled,
    ImportError: _refused,
    RuntimeError: _lost,
}
"""Every class of error that a library may raise, the more special before the more general."""
