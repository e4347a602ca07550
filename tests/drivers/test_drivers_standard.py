"""The adaptors, with the standards' own words, against a device written from the standards alone."""

import struct
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest
from standard_device import ERRORS, INFINITY, NAN, NUMBERS, Device, HislipPeer, SocketPeer, Vxi11Peer

from benchlog.bench.file import InstrumentConfig
from benchlog.bench.profilefile import parse_profile
from benchlog.model.clock import RealClock
from benchlog.model.errors import InstrumentTimeout, ProtocolFault, UsageError
from benchlog.model.instrument import Accuracy, MeterSheet
from benchlog.model.quantity import Quantity
from benchlog.model.reading import Measured, Reading, Status, Unusable
from benchlog.model.role import Role
from benchlog_drivers import registry
from benchlog_drivers.adaptors.digitiser import Digitiser
from benchlog_drivers.adaptors.scpi_meter import ScpiMeter
from benchlog_drivers.adaptors.scpi_source import ScpiSource
from benchlog_drivers.codecs.number import register_int, scpi_value
from benchlog_drivers.codecs.scpi import parse_error, parse_identity, parse_switch

PEERS = {
    "socket": SocketPeer,
    "socket CRLF": lambda d: SocketPeer(d, b"\r\n"),
    "HiSLIP": HislipPeer,
    "VXI-11": Vxi11Peer,
}


@pytest.fixture
def device() -> Device:
    return Device()


@pytest.fixture(params=list(PEERS))
def peer(request: pytest.FixtureRequest, device: Device) -> Iterator[SocketPeer]:
    made = PEERS[request.param](device)
    yield made
    made.close()


@pytest.fixture
def plain(device: Device) -> Iterator[SocketPeer]:
    made = SocketPeer(device)
    yield made
    made.close()


def adaptor(
    peer: SocketPeer,
    clock: RealClock,
    profile: str,
    roles: tuple[Role, ...],
    kind: str = "scpi",
    timeout_s: float = 0.5,
):
    config = InstrumentConfig(
        name="instrument",
        adaptor=kind,
        roles=roles,
        profile=profile,
        connection=peer.resource,
        timeout_s=timeout_s,
    )
    return registry.make(config, clock)


def written(folder: Path, text: str) -> str:
    path = folder / "own.toml"
    path.write_text(f'name = "own"\norigin = "IEEE 488.2, SCPI-1999"\n{text}', encoding="utf-8")
    return str(path)


def take(meter: ScpiMeter | ScpiSource, count: int) -> list[Reading]:
    found: list[Reading] = []
    until = time.monotonic() + 5.0
    while len(found) < count and time.monotonic() < until:
        found.extend(meter.read())
    return found


# ---- a multimeter, with the shipped profile ----------------------------------------------------------


def test_a_multimeter_over_every_transport(peer: SocketPeer, device: Device, clock: RealClock) -> None:
    meter = adaptor(peer, clock, "scpi-multimeter:resistance", (Role.PROBE,))
    identity = meter.open()
    assert (identity.description, identity.serial_number) == ("INVENTED WORKS MODEL ONE", "SN-0042")
    meter.sampler.pace.period_s = 0.01
    (reading,) = take(meter, 1)
    device.value = INFINITY
    (over,) = take(meter, 1)
    device.value = NAN
    (none,) = take(meter, 1)
    meter.close()
    assert isinstance(reading, Measured)
    assert reading.value == 1.5
    assert [r.status for r in (over, none)] == [Status.OPEN_LEADS, Status.NOT_A_NUMBER]
    assert "CONF:RES" in device.heard


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


@pytest.mark.parametrize("quantity", [w.quantity for w in parse_profile(
    (Path(registry.__file__).parent / "profiles/scpi-multimeter.toml").read_text(), "").channel])  # fmt: skip
def test_every_function_of_the_shipped_multimeter_can_be_chosen(
    plain: SocketPeer, device: Device, clock: RealClock, quantity: Quantity
) -> None:
    meter = adaptor(plain, clock, f"scpi-multimeter:{quantity.value}", (Role.PROBE,))
    meter.open()
    assert meter.channels[0].quantity is quantity
    assert sum(line.startswith("CONF:") for line in device.heard) == 1
    meter.close()


@pytest.mark.parametrize(("full", "sent"), [(3.0, "CONF:CURR:AC 3"), (None, "CONF:CURR:AC")])
def test_the_range_of_the_sheet_is_fixed_before_arming(
    plain: SocketPeer, device: Device, clock: RealClock, full: float | None, sent: str
) -> None:
    config = InstrumentConfig(
        "ammeter", "scpi", (Role.SOURCE_CURRENT,), plain.resource, "scpi-multimeter", timeout_s=0.5,
        sheet=MeterSheet((Accuracy(Quantity.AC_CURRENT, 0.001, 10.0, 1e-5, full),), turns=5),
    )  # fmt: skip
    meter = registry.make(config, clock)
    assert isinstance(meter, ScpiMeter)
    meter.open()
    meter.sampler.pace.period_s = 0.01
    (reading,) = take(meter, 1)
    meter.close()
    assert sent in device.heard
    assert reading.setting.range == (None if full is None else full / 5)


def test_a_function_that_it_lacks_is_told_from_its_error_queue(
    plain: SocketPeer, device: Device, clock: RealClock
) -> None:
    device.knows = lambda header: "DIODe" not in header
    meter = adaptor(plain, clock, "scpi-multimeter:junction-voltage", (Role.PROBE,))
    with pytest.raises(ProtocolFault, match="did not take 'CONF:DIOD': -113 Undefined header"):
        meter.open()
    meter.close()


def test_one_without_an_error_queue_is_told_what_to_write(
    plain: SocketPeer, device: Device, clock: RealClock
) -> None:
    device.knows = lambda header: not header.startswith("SYST")
    meter = adaptor(plain, clock, "scpi-multimeter", (Role.OUTPUT_DC,), timeout_s=0.15)
    with pytest.raises(InstrumentTimeout, match=r"no answer in time to 'SYST:ERR\?'.*write error = \"\""):
        meter.open()
    meter.close()


def test_what_stood_in_the_error_queue_before_is_not_blamed_on_us(
    plain: SocketPeer, device: Device, clock: RealClock
) -> None:
    device.queue += [(-350, "Queue overflow"), (-410, "Query INTERRUPTED")]
    meter = adaptor(plain, clock, "scpi-multimeter", (Role.OUTPUT_DC,))
    meter.open()
    meter.close()


def test_one_that_knows_no_marker_is_found_by_silence(
    plain: SocketPeer, device: Device, clock: RealClock, tmp_path: Path
) -> None:
    device.knows = lambda header: not header.startswith("*ES")
    text = """family = "scpi"
[measure]
fetch = "READ?"
[[channel]]
quantity = "dc-voltage"
"""
    meter = adaptor(plain, clock, written(tmp_path, text), (Role.OUTPUT_DC,), timeout_s=0.15)
    meter.open()
    meter.sampler.pace.period_s = 0.01
    assert isinstance(take(meter, 1)[0], Measured)
    plain.delay = lambda message: 0.25 if message == "READ?" else 0.0
    device.value = 77.0
    with pytest.raises(InstrumentTimeout):
        take(meter, 1)
    plain.delay = lambda message: 0.0
    device.value = 5.0
    (reading,) = take(meter, 1)
    meter.close()
    assert reading.value == 5.0, "the late answer is none of this question's"
    assert not any("*ESE" in line for line in device.heard[5:]), "the marker is tried once"


@pytest.mark.parametrize("kind", [HislipPeer, Vxi11Peer])
def test_late_answers_where_messages_are_kept_apart(
    kind: type[SocketPeer], device: Device, clock: RealClock, tmp_path: Path
) -> None:
    text = """family = "scpi"
[measure]
fetch = "READ?"
[[channel]]
quantity = "dc-voltage"
"""
    with closing(kind(device)) as peer:
        meter = adaptor(peer, clock, written(tmp_path, text), (Role.OUTPUT_DC,), timeout_s=0.15)
        meter.open()
        meter.sampler.pace.period_s = 0.001
        timeouts, taken = 0, []
        for i in range(12):
            device.value = float(i)
            peer.delay = lambda message, late=i % 4 == 1: 0.25 if late and message == "READ?" else 0.0
            try:
                taken += [(i, reading.value) for reading in take(meter, 1)]
            except InstrumentTimeout:
                timeouts += 1
        meter.close()
    assert timeouts == 3
    assert taken == [(i, float(i)) for i in range(12) if i % 4 != 1]


def test_polling_for_the_end_of_an_operation(
    peer: SocketPeer, device: Device, clock: RealClock, tmp_path: Path
) -> None:
    # IEEE 488.2, 10.18: *OPC sets bit 0 of the event status register when all is done
    text = """family = "scpi"
[measure]
period_s = 0.02
aperture_s = 0.05
initiate = "INIT;*OPC"
busy = "*ESR?"
done_bit = 0
fetch = "FETC?"
[[channel]]
quantity = "dc-voltage"
"""
    device.measure_s = 0.08
    meter = adaptor(peer, clock, written(tmp_path, text), (Role.OUTPUT_DC,))
    meter.open()
    longest = 0.0
    readings: list[Reading] = []
    while len(readings) < 2:
        begun = time.monotonic()
        readings.extend(meter.read())
        longest = max(longest, time.monotonic() - begun)
    meter.close()
    assert [r.value for r in readings] == [1.5, 1.5]
    assert device.heard.count("*ESR?") >= 2


# ---- a source ----------------------------------------------------------------------------------------

SOURCE = """family = "scpi"
[source]
limit = "CURR:PROT {value}"
frequency = "FREQ {value}"
range = "VOLT:RANG {value}"
frequency_hz = 60.0
range_v = 135.0
[source.read]
limit_a = "CURR:PROT?"
frequency_hz = "FREQ?"
range_v = "VOLT:RANG?"
tripped = "STAT:QUES:COND?"
tripped_bit = 9
limiting = "STAT:QUES:COND?"
limiting_bit = 1
[measure]
period_s = 0.02
[[channel]]
quantity = "peak-current"
fetch = "FETC:CURR:AMPL:MAX?"
[[channel]]
quantity = "apparent-power"
fetch = "FETC:POW:AC:APP?"
"""


def test_a_source_with_the_standards_own_words(
    peer: SocketPeer, device: Device, clock: RealClock, tmp_path: Path
) -> None:
    source = adaptor(peer, clock, written(tmp_path, SOURCE), (Role.SOURCE,))
    assert isinstance(source, ScpiSource)
    source.open()
    assert (device.state["FREQ"], device.state["RANG"]) == (60.0, 135.0)
    assert source.set_limit(2.5, 4.0).limit_a == 2.5
    assert source.set_voltage(12.5).set_v == 12.5
    assert source.output(True).output_on
    device.questionable = 1 << 1
    assert (source.state().limiting, source.state().tripped) == (True, False)
    device.questionable = 1 << 9 | 1
    assert (source.state().limiting, source.state().tripped) == (False, True)
    device.questionable = 0
    with pytest.raises(ProtocolFault, match="is on; it is not set to 50 Hz under power"):
        source.set_frequency(50.0)
    with pytest.raises(ProtocolFault, match="-222 Data out of range"):
        source.set_voltage(400.0)
    off = source.off()
    assert (off.set_v, off.output_on) == (0.0, False)
    with pytest.raises(ProtocolFault, match="did not take 'FREQ 1000'"):
        source.set_frequency(1000.0)
    source.close()


def test_frequency_and_range_are_left_alone_when_it_is_found_on(
    plain: SocketPeer, device: Device, clock: RealClock, tmp_path: Path
) -> None:
    device.state.update(OUTP=1, VOLT=24.0, FREQ=50.0)
    source = adaptor(plain, clock, written(tmp_path, SOURCE), (Role.SOURCE,))
    source.open()
    source.close()
    assert (device.state["FREQ"], device.state["OUTP"], device.state["VOLT"]) == (50.0, 1, 24.0)


@pytest.mark.parametrize(("name", "value"), [("peak-current", 7.25), ("apparent-power", 31.0)])
def test_peak_and_apparent_power_beside_the_source(
    plain: SocketPeer, clock: RealClock, tmp_path: Path, name: str, value: float
) -> None:
    source = adaptor(plain, clock, f"{written(tmp_path, SOURCE)}:{name}", (Role.SOURCE, Role.PROBE))
    source.open()
    (reading,) = take(source, 1)
    source.close()
    assert (reading.channel.quantity.value, reading.value) == (name, value)


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


def test_a_frequency_without_a_command_for_it_is_refused_with_its_line() -> None:
    text = f'name = "x"\norigin = "y"\n{SOURCE}'.replace('frequency = "FREQ {value}"\n', "")
    with pytest.raises(UsageError, match=r"line \d+: there is no command 'frequency'"):
        parse_profile(text, "x.toml")


def test_unusable_readings_carry_why(plain: SocketPeer, device: Device, clock: RealClock) -> None:
    device.value = INFINITY
    meter = adaptor(plain, clock, "scpi-multimeter", (Role.OUTPUT_DC,))
    meter.open()
    (reading,) = take(meter, 1)
    meter.close()
    assert isinstance(reading, Unusable)
    assert reading.status is Status.OVERLOAD
