"""The map of library errors is complete: every class that the libraries define or raise is in it."""

import ast
import builtins
import errno
import importlib
import inspect
import pkgutil
import socket
from pathlib import Path
from types import ModuleType

import pymodbus.client
import pymodbus.exceptions
import pymodbus.framer
import pytest
import pyvisa.errors
import pyvisa_py
import serial
import serial.rfc2217
from pyvisa.constants import StatusCode

from benchlog.model.errors import (
    InstrumentFault,
    InstrumentTimeout,
    LinkLost,
    PortRefused,
    ProtocolFault,
)
from benchlog_drivers.transports.line import PortLink
from benchlog_drivers.transports.seam import TABLE, fault_of, translated

LINK = PortLink("clamp", "/dev/ttyUSB0")


def modules_of(package: ModuleType) -> list[ModuleType]:
    found = [package]
    for info in pkgutil.walk_packages(package.__path__, package.__name__ + "."):
        if info.name.startswith(("serial.tools", "serial.__main__", "pyvisa_py.testsuite")):
            continue
        try:
            found.append(importlib.import_module(info.name))
        except (ImportError, AttributeError, OSError):
            continue  # parts for other platforms or with optional libraries that are not here
    return found


def defined_errors(package: ModuleType) -> set[type[Exception]]:
    return {
        value
        for module in modules_of(package)
        for value in vars(module).values()
        if inspect.isclass(value)
        and issubclass(value, Exception)
        and not issubclass(value, Warning)
        and value.__module__.split(".")[0] == package.__name__.split(".")[0]
    }


def raised_names(package: ModuleType) -> set[str]:
    """Names in ``raise X(…)`` anywhere in a package's source."""
    root = Path(package.__path__[0])
    names: set[str] = set()
    for path in root.rglob("*.py"):
        if "tools" in path.parts or "testsuite" in path.parts or "server" in path.parts:
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Raise) and isinstance(node.exc, ast.Call | ast.Name | ast.Attribute):
                target = node.exc.func if isinstance(node.exc, ast.Call) else node.exc
                names.add(target.attr if isinstance(target, ast.Attribute) else getattr(target, "id", ""))
    return names


NOT_OURS = {
    # control flow inside the libraries, or a programmer's use that the adaptors do not make
    "StopIteration", "KeyboardInterrupt", "SystemExit", "CancelledError", "NoMoreData",
}  # fmt: skip


@pytest.mark.parametrize("package", [pyvisa_py, serial, pymodbus.client, pymodbus.framer, pyvisa])
def test_every_builtin_that_a_library_raises_is_in_the_table(package: ModuleType) -> None:
    raised = {getattr(builtins, name) for name in raised_names(package) - NOT_OURS if hasattr(builtins, name)}
    bare = {Exception, BaseException}
    missing = [
        kind for kind in raised - bare if not issubclass(kind, tuple(TABLE)) and not issubclass(kind, Warning)
    ]
    assert not missing


def test_every_class_that_pyserial_defines_is_in_the_table() -> None:
    errors = defined_errors(serial)
    assert serial.SerialException in errors
    assert [e for e in errors if not issubclass(e, tuple(TABLE))] == []


def test_every_class_that_pymodbus_defines_is_in_the_table() -> None:
    errors = {
        v for v in vars(pymodbus.exceptions).values() if inspect.isclass(v) and issubclass(v, Exception)
    }
    assert len(errors) > 3
    assert [e for e in errors if not issubclass(e, tuple(TABLE))] == []


def test_every_class_that_pyvisa_and_pyvisa_py_define_is_in_the_table() -> None:
    errors = {
        v
        for v in vars(pyvisa.errors).values()
        if inspect.isclass(v) and issubclass(v, pyvisa.errors.Error) and v is not pyvisa.errors.Error
    }
    ours = defined_errors(pyvisa_py) - {pyvisa.errors.Error}
    internal = {
        "OpenError",
        "UnknownAttribute",
        "USBTimeoutException",
    }  # caught inside pyvisa-py and turned into a status code
    missing = [e for e in errors | ours if not issubclass(e, tuple(TABLE)) and e.__name__ not in internal]
    assert missing == []


def test_every_status_code_of_visa_becomes_a_fault() -> None:
    for code in StatusCode:
        if code < 0:
            fault = fault_of(pyvisa.errors.VisaIOError(code), LINK, opening=False)
            assert isinstance(fault, InstrumentFault)
            assert "clamp (/dev/ttyUSB0)" in str(fault)


@pytest.mark.parametrize(
    ("error", "opening", "kind", "says"),
    [
        (pyvisa.errors.VisaIOError(StatusCode.error_timeout), False, InstrumentTimeout, "no answer in time"),
        (pyvisa.errors.VisaIOError(StatusCode.error_connection_lost), False, LinkLost, "gone"),
        (pyvisa.errors.InvalidSession(), False, LinkLost, "gone"),
        (PermissionError(errno.EACCES, "Permission denied"), True, PortRefused, "group"),
        (serial.SerialException("Could not exclusively lock port"), True, PortRefused, "busy"),
        (serial.SerialException(errno.ENOENT, "No such file"), True, PortRefused, "no such port"),
        (OSError(errno.EIO, "Input/output error"), False, LinkLost, "gone"),
        (ConnectionResetError(errno.ECONNRESET, "reset"), False, LinkLost, "gone"),
        (ConnectionRefusedError(errno.ECONNREFUSED, "refused"), True, PortRefused, "nobody listens"),
        (serial.SerialTimeoutException("Write timeout"), False, InstrumentTimeout, "no answer"),
        (socket.gaierror(-2, "unknown"), True, PortRefused, "no such host"),
        (TypeError("'NoneType' object is not callable"), False, LinkLost, "gone"),
        (AttributeError("'NoneType' object has no attribute 'recv'"), False, LinkLost, "gone"),
        (ValueError("Please install PyUSB"), True, PortRefused, "PyUSB"),
        (UnicodeDecodeError("ascii", b"\xff", 0, 1, "bad"), False, ProtocolFault, "can't be"),
        (pymodbus.exceptions.ModbusIOException("no response"), False, InstrumentTimeout, "no answer"),
        (pymodbus.exceptions.ConnectionException("closed"), False, LinkLost, "gone"),
        (pymodbus.exceptions.ParameterException("bad"), False, ProtocolFault, "can't be"),
        (Exception("could not connect: timeout"), True, PortRefused, "can't be opened"),
    ],
)
def test_errors_become_the_right_fault(error: Exception, opening: bool, kind: type, says: str) -> None:
    with pytest.raises(InstrumentFault) as caught, translated(LINK, opening):
        raise error
    assert type(caught.value) is kind
    assert says in str(caught.value)
    assert str(caught.value).count("\n") == 0
    assert caught.value.__cause__ is error


def test_termios_errors_are_in_the_table() -> None:
    termios = pytest.importorskip("termios")
    with pytest.raises(LinkLost), translated(LINK):
        raise termios.error(errno.EIO, "Input/output error")


def test_a_bug_is_not_taken_for_a_fault_of_the_instrument() -> None:
    class Bug(Exception):
        pass

    with pytest.raises(Bug), translated(LINK):
        raise Bug
    with pytest.raises(ZeroDivisionError), translated(LINK, opening=True):
        _ = 1 / 0


def test_faults_of_ours_pass_through() -> None:
    ours = LinkLost("gone")
    with pytest.raises(LinkLost) as caught, translated(LINK):
        raise ours
    assert caught.value is ours
