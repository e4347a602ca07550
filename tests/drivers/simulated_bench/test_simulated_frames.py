"""What the simulated serial meters send, read by the codecs of the adaptors and by libraries of others."""

import socket
import struct
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.client import ModbusTcpClient
from pymodbus.framer import FramerRTU
from pymodbus.framer.rtu import FramerRTU as Rtu

from benchlog.model.quantity import Quantity
from benchlog.model.reading import Measured, Status
from benchlog.model.role import Role
from benchlog_drivers.codecs.decoded import Decoded
from benchlog_drivers.codecs.frames import FrameCodec
from benchlog_drivers.codecs.parity import seven_bits
from benchlog_drivers.codecs.segments import SegmentCodec
from benchlog_drivers.codecs.text import TextCodec
from benchlog_drivers.shelf import find_profile
from benchlog_drivers.simulated.encode import encoder, modbus_crc
from benchlog_drivers.simulated.link import Outlet
from benchlog_drivers.simulated.meters import Finished, Indication, SimulatedMeter
from benchlog_drivers.simulated.modbus import ModbusTalk, no_coil
from benchlog_drivers.simulated.power_meter import PowerMeterRegisters
from benchlog_drivers.simulated.server import Server
from benchlog_drivers.simulated.sheets import InstrumentSheet, MeterKind, ProbeKind, instruments, probe
from benchlog_drivers.simulated.trouble import Ordered, Trouble, TroubleBox

STREAMING = [
    (MeterKind.HANDHELD, 0, 10.0, 1e-3),
    (MeterKind.HANDHELD, 1, 600.0, 0.1),
    (MeterKind.CLAMP, 0, 40.0, 0.01),
    (MeterKind.AUTORANGING, 0, 0.4, 1e-4),
    (MeterKind.SEGMENTS, 0, 0.6, 1e-4),
    (MeterKind.SEGMENTS, 0, 6.0, 1e-3),
    (MeterKind.SEGMENTS, 1, 600.0, 0.1),
    (MeterKind.PACKED_BCD, 0, 5.99999, 1e-5),
    (MeterKind.PACKED_BCD, 1, 599.999, 1e-3),
]


def codec(sheet: InstrumentSheet) -> Any:
    profile = find_profile(sheet.profile)
    if profile.segments is not None:
        return SegmentCodec(profile.segments)
    if profile.frame is not None:
        return FrameCodec(profile.frame)
    assert profile.text is not None
    return TextCodec(profile.text, profile.link.terminator.encode("ascii"))


def finished(sheet: InstrumentSheet, *shown: Indication) -> Finished:
    return Finished(sheet.name, 1, 0.0, sheet.aperture_s, shown)


def read(sheet: InstrumentSheet, *shown: Indication) -> Decoded:
    data = encoder(sheet)(finished(sheet, *shown))
    if sheet.profile == "simulated-esr-meter":
        data, failed = seven_bits(data, "E")
        assert failed == 0
    used, result = codec(sheet).decode(data)
    assert used == len(data)
    assert isinstance(result, Decoded), result
    return result


@pytest.mark.parametrize(("kind", "place", "full", "count"), STREAMING)
@given(share=st.floats(0.0, 1.0))
def test_what_is_shown_is_what_is_read(
    kind: MeterKind, place: int, full: float, count: float, share: float
) -> None:
    sheet = instruments(kind)[place]
    channel = sheet.channels[0]
    value = round(share * full / count) * count
    result = read(sheet, Indication(channel.role, channel.quantity, value, None, full, count))
    assert result.quantity is channel.quantity
    assert result.value == pytest.approx(value, abs=0.01 * count)
    assert result.status is None


@pytest.mark.parametrize(("kind", "place", "full", "count"), STREAMING)
def test_beyond_the_range_is_an_overload(kind: MeterKind, place: int, full: float, count: float) -> None:
    sheet = instruments(kind)[place]
    channel = sheet.channels[0]
    over = Indication(channel.role, channel.quantity, None, Status.OVERLOAD, full, count)
    assert read(sheet, over).status in (Status.OVERLOAD, Status.OPEN_LEADS)


def test_a_blank_display_is_no_reading() -> None:
    for kind in (MeterKind.AUTORANGING, MeterKind.SEGMENTS, MeterKind.PACKED_BCD):
        sheet = instruments(kind)[0]
        blank = Indication(Role.SOURCE_CURRENT, Quantity.AC_CURRENT, None, Status.AUTORANGING, 0.4, 1e-4)
        data = encoder(sheet)(finished(sheet, blank))
        _, result = codec(sheet).decode(data)
        assert getattr(result, "value", None) is None


@pytest.mark.parametrize("ohms", [0.4, 7.6, 330.0, 4700.0, 47_000.0, 470_000.0, 2.2e6])
@pytest.mark.parametrize("kind", [ProbeKind.SEGMENTS, ProbeKind.PACKED_BCD])
def test_ohms_on_every_range(kind: ProbeKind, ohms: float) -> None:
    sheet = probe(kind)
    assert sheet is not None
    ranges = sheet.channels[0].ranges
    if ohms > ranges[-1][0]:
        pytest.skip("beyond this meter")
    full, count = next(r for r in ranges if ohms <= r[0])
    shown = Indication(Role.PROBE, Quantity.RESISTANCE, round(ohms / count) * count, None, full, count)
    assert read(sheet, shown).value == pytest.approx(ohms, rel=1e-3, abs=count)


@given(esr=st.integers(0, 39_999), farads=st.integers(0, 39_999))
def test_esr_and_capacitance_in_one_frame(esr: int, farads: int) -> None:
    for kind, count in ((ProbeKind.ESR, 1e-3), (ProbeKind.LCR, 1e-4)):
        sheet = probe(kind)
        assert sheet is not None
        shown = (
            Indication(Role.PROBE, Quantity.ESR, esr * count, None, 99.999, count),
            Indication(Role.PROBE, Quantity.CAPACITANCE, farads * 1e-7, None, 0.0099999, 1e-7),
        )
        result = read(sheet, *shown)
        assert result.value == pytest.approx(esr * count, abs=1e-9)
        assert result.beside[0].value == pytest.approx(farads * 1e-7, abs=1e-12)
        assert result.test_frequency_hz == 100_000.0


def test_crc_agrees_with_its_published_check_value_and_with_another_library() -> None:
    # "123456789" gives 0x4B37 (catalogue value of CRC-16/MODBUS); pymodbus computes its own.
    assert modbus_crc(b"123456789") == (0x4B37).to_bytes(2, "little")
    for data in (b"\x01\x04\x00\x00\x00\x0c", bytes(range(50))):
        assert int.from_bytes(modbus_crc(data), "big") == Rtu.compute_CRC(data)
    assert FramerRTU is Rtu


def power_meter() -> SimulatedMeter:
    from benchlog_drivers.simulated.aperture import Truth

    meter = SimulatedMeter(instruments(MeterKind.POWER_METER)[0], 4)
    truth = Truth(1.5, 1.5, 0.0, -5.25, 1.2, 118.4, 96.6, 0, 0, 0, 25, 0)
    for k in range(2):
        meter.add(truth, 0.1 * k, 0.1)
    return meter


@contextmanager
def serving(box: TroubleBox) -> Iterator[int]:
    registers = PowerMeterRegisters(power_meter(), 60.0)
    outlet = Outlet(box, time.monotonic)
    server = Server("m", lambda _: ModbusTalk(outlet, registers.words, no_coil, over_tcp=True), outlet)
    server.start()
    try:
        yield server.port
    finally:
        server.stop()


def test_a_client_written_by_others_reads_the_power_meter() -> None:
    with serving(TroubleBox()) as port:
        client = ModbusTcpClient("127.0.0.1", port=port)
        try:
            assert client.connect()
            words = client.read_input_registers(0, count=12).registers
            assert words[0] == 1
            assert words[1] * 0.1 == pytest.approx(118.4, abs=0.9)
            assert struct.unpack(">i", struct.pack(">HH", *words[2:4]))[0] * 1e-3 == pytest.approx(
                1.5, abs=0.012
            )
            assert struct.unpack(">i", struct.pack(">HH", *words[4:6]))[0] * 0.1 == pytest.approx(
                96.6, abs=1.6
            )
            assert words[8] * 1e-3 == pytest.approx(96.6 / (1.5 * 118.4), abs=0.02)
            assert words[9] == 6000
            assert struct.unpack(">f", struct.pack(">HH", *words[10:12]))[0] == 5.25
            assert client.read_input_registers(50, count=1).isError()
            assert client.read_input_registers(0, count=1).registers == [1]
            assert client.write_coil(0, True).isError()
        finally:
            client.close()


def test_modbus_over_a_serial_line_frame_by_frame() -> None:
    # Modbus Application Protocol V1.1b3, 6.5 and 7: the echo of a coil, and an exception's function + 128
    coils: list[tuple[int, bool]] = []

    def coil(address: int, on: bool) -> bool:
        coils.append((address, on))
        return address == 0

    sent: list[bytes] = []
    talk = ModbusTalk(Outlet(TroubleBox(), time.monotonic), dict, coil, over_tcp=False)
    order = b"\x01\x05\x00\x00\xff\x00"
    frame = order + modbus_crc(order)
    for k in range(len(frame)):
        talk.take(frame[k : k + 1], sent.append)
    assert sent == [frame]
    assert coils == [(0, True)]
    wrong = b"\x01\x05\x00\x09\xff\x00"
    talk.take(wrong + modbus_crc(wrong), sent.append)
    assert sent[1][:3] == b"\x01\x85\x02"
    talk.take(order + b"\x00\x00", sent.append)
    other = b"\x02\x05\x00\x00\xff\x00"
    talk.take(other + modbus_crc(other), sent.append)
    assert len(sent) == 2


def test_a_silent_device_answers_again_when_the_trouble_ends() -> None:
    box = TroubleBox((Ordered("m", Trouble.SILENT),))
    request = struct.pack(">HHHBBHH", 7, 0, 6, 1, 4, 0, 1)
    with serving(box) as port, socket.create_connection(("127.0.0.1", port)) as link:
        link.settimeout(0.1)
        link.sendall(request)
        with pytest.raises(TimeoutError):
            link.recv(64)
        box.clear()
        link.settimeout(5.0)
        link.sendall(request)
        assert link.recv(64)[:2] == b"\x00\x07"
    assert not [t for t in threading.enumerate() if t.name.startswith("m")]


FAMILIES = [
    {"meters": "segments", "probe": "segments"},
    {"meters": "packed-bcd", "probe": "packed-bcd", "serial": "tcp"},
    {"meters": "power-meter", "probe": "esr"},
    {"meters": "power-meter", "probe": "lcr", "serial": "tcp"},
]


@pytest.mark.parametrize("words", FAMILIES)
def test_every_family_over_its_transport(
    running: Callable[..., AbstractContextManager[Any]], words: dict[str, str]
) -> None:
    with running(time_scale=10.0, **words) as there:
        source = there.source()
        source.set_voltage(90.0)
        source.output(True)
        touched = {"resistance": 330.0, "esr": 0.2534, "capacitance": 220e-6}
        assert there.control.ask(type="touch", values=touched) == {"type": "done"}
        time.sleep(0.4)
        meters = [there.meter(Role.SOURCE_CURRENT), there.meter(Role.PROBE)]
        if words["meters"] != "power-meter":
            meters.append(there.meter(Role.INLET_VOLTAGE))
        found: dict[Quantity, float] = {}
        until = time.monotonic() + 10.0
        wanted = {Quantity.AC_VOLTAGE, Quantity.AC_CURRENT}
        while not (wanted < set(found) and len(found) > 2) and time.monotonic() < until:
            for meter in meters:
                found |= {r.channel.quantity: r.value for r in meter.read() if isinstance(r, Measured)}
        assert found[Quantity.AC_VOLTAGE] == pytest.approx(90.0, abs=0.9)
        assert 0.1 < found[Quantity.AC_CURRENT] < 0.4
        probed = {q: v for q, v in found.items() if q.value in touched}
        assert probed
        for quantity, value in probed.items():
            assert value == pytest.approx(touched[quantity.value], rel=0.08)
