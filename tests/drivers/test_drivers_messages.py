"""Errors as a technician reads them: each says what happened, where, and what to do next."""

import grp
import os
import time
from types import SimpleNamespace

import pytest
import serial
from serial.tools import list_ports

from benchlog.bench.adaptor import Openable
from benchlog.bench.file import InstrumentConfig
from benchlog.model.clock import RealClock
from benchlog.model.errors import InstrumentFault, PortRefused, ProtocolFault, WrongInstrument
from benchlog.model.role import Role
from benchlog_drivers import registry

DIRECT = ("serial-text", "simulated-handheld", "{port}")
BY_VISA = ("scpi", "simulated-bench-meter", "ASRL{port}::INSTR")
WAYS = pytest.mark.parametrize("way", [DIRECT, BY_VISA], ids=["pyserial", "VISA"])


def instrument(way: tuple[str, str, str], port: str) -> object:
    adaptor, profile, connection = way
    return registry.make(
        InstrumentConfig(
            name="clamp", adaptor=adaptor, roles=(Role.SOURCE_CURRENT,), profile=profile,
            connection=connection.format(port=port), timeout_s=0.2,
        ),
        RealClock(),
    )  # fmt: skip


def told(way: tuple[str, str, str], port: str) -> str:
    """What is said when it can't be opened."""
    made = instrument(way, port)
    assert isinstance(made, Openable)
    with pytest.raises(PortRefused) as caught:
        made.open()
    made.close()
    text = str(caught.value)
    assert text.startswith("clamp (")
    assert "\n" not in text
    assert "Errno" not in text
    return text


@WAYS
def test_a_busy_port(way: tuple[str, str, str], pty_peer) -> None:
    with serial.Serial(pty_peer.path, exclusive=True):
        assert "the port is busy: another program holds it. Close that program" in told(way, pty_peer.path)


@WAYS
@pytest.mark.parametrize("group", ["dialout", "uucp", "root"])
def test_no_permission(
    way: tuple[str, str, str], group: str, pty_peer, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened = os.open

    def deny(path: object, *more: object, **words: object) -> int:
        if path == pty_peer.path:
            raise PermissionError(13, "Permission denied", path)
        return opened(path, *more, **words)  # type: ignore[call-overload]

    monkeypatch.setattr(os, "open", deny)
    monkeypatch.setattr(grp, "getgrgid", lambda number: SimpleNamespace(gr_name=group))
    text = told(way, pty_peer.path)
    if group == "root":
        assert "udev rule" in text
        assert "usermod" not in text, "nobody is told to join root"
    else:
        assert (
            f"add yourself to the group '{group}' (sudo usermod -aG {group} $USER) and log in again" in text
        )


@WAYS
def test_no_such_port(way: tuple[str, str, str], monkeypatch: pytest.MonkeyPatch) -> None:
    there = [SimpleNamespace(device=name) for name in ("/dev/ttyUSB1", "/dev/ttyACM0")]
    monkeypatch.setattr(list_ports, "comports", lambda: there)
    assert "no such port. Serial ports there now: /dev/ttyACM0, /dev/ttyUSB1" in told(way, "/dev/ttyUSB77")
    there.clear()
    assert "No serial port is there now" in told(way, "/dev/ttyUSB77")


@pytest.mark.parametrize("sent", [b"\xfe\xe6\x98\x00", b"\x00\x00\x00"])
def test_a_wrong_baud_rate_shows_the_bytes(sent: bytes, pty_peer) -> None:
    meter = instrument(DIRECT, pty_peer.path)
    meter.open()
    with pytest.raises(ProtocolFault, match=rf"none make sense .*{sent.hex(' ')}.*another baud rate, parity"):
        until = time.monotonic() + 3.0
        while time.monotonic() < until:
            pty_peer.send(sent)
            meter.read()
    meter.close()


def test_a_wrong_baud_rate_at_an_instrument_that_is_asked_shows_the_bytes(scpi_peer) -> None:
    scpi_peer.trouble = lambda query, reply: b"\xfe\x86\x9e\n"
    meter = instrument(("scpi", "simulated-bench-meter", scpi_peer.resource), "")
    with pytest.raises(InstrumentFault, match=r"no text \(fe 86 9e\)\. Check baud rate and parity"):
        meter.open()
    meter.close()


def test_a_wrong_instrument_names_both(scpi_peer) -> None:
    meter = instrument(("scpi", "simulated-bench-meter", scpi_peer.resource), "")
    meter.open()
    scpi_peer.break_off()
    scpi_peer.identity = "INVENTED,OTHER,S2,1.0"
    with pytest.raises(
        WrongInstrument,
        match=r"'INVENTED METER', serial number S1 was there before, "
        r"'INVENTED OTHER', serial number S2 answers now\. Connect the right one",
    ):
        meter.open()
    meter.close()


@pytest.mark.filterwarnings("ignore::ResourceWarning")  # the libraries leave their socket to the collector
@pytest.mark.parametrize(
    ("connection", "says"),
    [
        ("USB0::0x1234::0x5678::A1::INSTR", "PyUSB|nothing answers there"),
        ("GPIB0::5::INSTR", "gpib|nothing answers there"),
        ("@ivi TCPIP0::127.0.0.1::inst0::INSTR", "no such VISA library on this machine|nobody listens"),
        ("TCPIP0::127.0.0.1::hislip0,1::INSTR", "nothing answers there. Switch the instrument on"),
        ("TCPIP0::127.0.0.1::1::SOCKET", "nobody listens there. Switch the instrument on"),
        ("the meter", "that is no VISA resource string. They look like"),
    ],
)
def test_other_ways_that_do_not_open(connection: str, says: str) -> None:
    made = instrument(("scpi", "simulated-bench-meter", connection), "")
    with pytest.raises(PortRefused, match=says):
        made.open()
    made.close()
