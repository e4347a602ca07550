"""Forms of numbers, errors and blocks as the standards have them, read from a device written from them."""

import struct
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest
from standard_bench import adaptor, take, written
from standard_device import ERRORS, INFINITY, NUMBERS, Device, HislipPeer, SocketPeer, Vxi11Peer

from benchlog.model.clock import RealClock
from benchlog.model.errors import ProtocolFault
from benchlog.model.reading import Measured, Status, Unusable
from benchlog.model.role import Role
from benchlog_drivers.adaptors.digitiser import Digitiser
from benchlog_drivers.codecs.number import register_int, scpi_value
from benchlog_drivers.codecs.scpi import parse_error, parse_identity, parse_switch


@pytest.mark.parametrize("number", list(NUMBERS))
@pytest.mark.parametrize("error", list(ERRORS))
def test_every_form_of_number_and_error(
    plain: SocketPeer, device: Device, clock: RealClock, number: str, error: str
) -> None:
    device.number, device.error = number, error
    meter = adaptor(plain, clock, "scpi-multimeter", (Role.OUTPUT_DC,))
    meter.open()
    meter.sampler.pace.period_s = 0.001
    for value in (0.0, 12.0, -3.25, 0.001234, 401.5):
        device.value = value
        (reading,) = take(meter, 1)
        assert isinstance(reading, Measured)
        assert reading.value == pytest.approx(value, abs=1e-6)
    with pytest.raises(ProtocolFault, match="did not take 'VOLT 1000': -222 Data out of range"):
        meter.talk.configure("VOLT 1000")
    meter.close()


def test_unusable_readings_carry_why(plain: SocketPeer, device: Device, clock: RealClock) -> None:
    device.value = INFINITY
    meter = adaptor(plain, clock, "scpi-multimeter", (Role.OUTPUT_DC,))
    meter.open()
    (reading,) = take(meter, 1)
    meter.close()
    assert isinstance(reading, Unusable)
    assert reading.status is Status.OVERLOAD


# ---- a digitiser: every block form -------------------------------------------------------------------

CAPTURE = """family = "digitiser"
[capture]
arm = ["ABOR", "INIT"]
busy = "STAT:OPER:COND?"
busy_bit = 4
cancel = ["ABOR"]
preamble = "WAV:PRE? {{channel}}"
data = "WAV:DATA? {{channel}}"
code = "{code}"
little_endian = {little}
"""
FORMS = {
    "int8": "b", "uint8": "B", "int16": "h", "uint16": "H", "int32": "i", "uint32": "I",
    "float32": "f", "float64": "d",
}  # fmt: skip
WAVE = [10, 35, 35, 10, 10, 0, 100, 10]
"""Holds the bytes of line feed (10) and of the number sign (35), which a block may."""


def definite(data: bytes) -> bytes:
    """IEEE 488.2, 8.7.9."""
    length = str(len(data)).encode()
    return b"#" + str(len(length)).encode() + length + data


@pytest.mark.parametrize("code", list(FORMS))
@pytest.mark.parametrize("little", ["false", "true"])
def test_every_binary_form_as_definite_block(
    plain: SocketPeer, device: Device, clock: RealClock, tmp_path: Path, code: str, little: str
) -> None:
    packed = struct.pack(f"{'<' if little == 'true' else '>'}{len(WAVE)}{FORMS[code]}", *WAVE)
    assert fetched(plain, device, clock, tmp_path, definite(packed), code, little) == WAVE


@pytest.mark.parametrize(
    ("sent", "code"),
    [
        (b",".join(b"%+.3E" % x for x in WAVE), "ascii"),
        (b", ".join(b"%d" % x for x in WAVE), "ascii"),
        (definite(b",".join(b"%d" % x for x in WAVE)), "ascii"),
    ],
)
def test_lists_of_numbers(
    peer: SocketPeer, device: Device, clock: RealClock, tmp_path: Path, sent: bytes, code: str
) -> None:
    assert fetched(peer, device, clock, tmp_path, sent, code) == WAVE


@pytest.mark.parametrize("kind", [SocketPeer, HislipPeer, Vxi11Peer])
@pytest.mark.parametrize("code", ["int16", "float32"])
def test_a_block_of_indefinite_length_ends_at_a_line_feed_with_nothing_behind_it(
    kind: type[SocketPeer], device: Device, clock: RealClock, tmp_path: Path, code: str
) -> None:
    # IEEE 488.2, 8.7.10: #0, data, NL^END
    with closing(kind(device, b"\n")) as peer:
        sent = b"#0" + struct.pack(f">8{FORMS[code]}", *WAVE)
        assert fetched(peer, device, clock, tmp_path, sent, code) == WAVE


def test_a_block_without_a_line_end_behind_it(device: Device, clock: RealClock, tmp_path: Path) -> None:
    class Abrupt(SocketPeer):
        """Ends lines, but no block."""

        def _serve(self, connection) -> None:
            device.message, plain = self._message, device.message
            self._plain = plain
            super()._serve(connection)

        def _message(self, text: str) -> bytes | None:
            answer = self._plain(text)
            self.end = b"" if answer is not None and answer.startswith(b"#") else b"\n"
            return answer

    with closing(Abrupt(device)) as peer:
        assert fetched(peer, device, clock, tmp_path, definite(struct.pack(">8h", *WAVE)), "int16") == WAVE


@pytest.mark.parametrize("kind", [HislipPeer, Vxi11Peer])
def test_a_long_block_comes_in_parts(
    kind: type[SocketPeer], device: Device, clock: RealClock, tmp_path: Path
) -> None:
    wave = list(range(-30_000, 30_000))
    packed = struct.pack(f">{len(wave)}h", *wave)
    with closing(kind(device, b"\n")) as peer:
        assert fetched(peer, device, clock, tmp_path, definite(packed), "int16") == wave


def fetched(
    peer: SocketPeer, device: Device, clock: RealClock, folder: Path, sent: bytes, code: str, little="false"
) -> list[float]:
    """The voltage channel as the adaptor has it; the line is clean afterwards."""
    device.samples = sent
    device.preamble = f"{len(WAVE) if len(sent) < 1000 else 60_000},1E-4,0.5,0,0"
    text = CAPTURE.format(code=code, little=little)
    digitiser = adaptor(peer, clock, written(folder, text), (Role.WAVEFORM,), "digitiser")
    assert isinstance(digitiser, Digitiser)
    with closing(digitiser):
        digitiser.open()
        digitiser.arm()
        assert digitiser.wait(1.0)
        wave = digitiser.fetch()
        assert digitiser.done()
    assert wave.rate_hz == pytest.approx(10_000.0)
    return (2.0 * np.asarray(wave.v_v)).tolist()


# ---- the words alone ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "value"),
    [
        # IEEE 488.2, 8.7.2 NR1, 8.7.3 NR2, 8.7.4 NR3
        ("12", 12.0), ("+12", 12.0), ("-0", 0.0), ("12.50", 12.5), ("-.5", -0.5), ("+1.25E+01", 12.5),
        ("1.25e1", 12.5), ("1.25E-003", 0.00125), (" 1.5 ", 1.5),
        # SCPI-1999 vol. 1, 7.2.1.4 and 7.2.1.5
        ("9.9E37", Status.OVERLOAD), ("-9.9E+37", Status.OVERLOAD), ("+9.90000000E+37", Status.OVERLOAD),
        ("99000000000000000000000000000000000000", Status.OVERLOAD), ("9.91E37", Status.NOT_A_NUMBER),
        ("+9.91000000E+37", Status.NOT_A_NUMBER), ("INF", Status.OVERLOAD), ("NINF", Status.OVERLOAD),
        ("NAN", Status.NOT_A_NUMBER), ("nan", Status.GARBLED), ("Infinity", Status.GARBLED),
        ("1_0", Status.GARBLED), ("0x10", Status.GARBLED), ("", Status.GARBLED), ("1.2V", Status.GARBLED),
        ("1E38", Status.GARBLED), ("٣", Status.GARBLED),
    ],
)  # fmt: skip
def test_numbers(text: str, value: float | Status) -> None:
    assert scpi_value(text) == value


def test_registers_switches_identities_and_errors() -> None:
    # IEEE 488.2, 8.7.5 to 8.7.7: #H, #Q, #B
    assert [register_int(t) for t in ("16", "+16", "#H1F", "#h1f", "#Q17", "#B101", "1.600000E+01")] == [
        16, 16, 31, 31, 15, 5, 16,
    ]  # fmt: skip
    assert [register_int(t) for t in ("-1", "#HG", "#X1", "#Q8", "#", "1.5", "0x1F")] == [None] * 7
    assert [parse_switch(t) for t in ("1", "0", "+1", "ON", "off", "1.0E0", "2", "YES", "")] == [
        True, False, True, True, False, True, None, None, None,
    ]  # fmt: skip
    # IEEE 488.2, 10.14: four fields; "0" where there is no serial number
    assert parse_identity("A,B,0,0").serial_number == ""
    assert parse_identity("A, B, S1, 1.0, option 3").firmware == "1.0,option 3"
    assert parse_identity("A").description == "A"
    for text in ('0,"No error"', '+0,"No error"', "0", '0, "No error"', "0,No error"):
        found = parse_error(text)
        assert found is not None
        assert found.number == 0
    assert parse_error("No error") is None
