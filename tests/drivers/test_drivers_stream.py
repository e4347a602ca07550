"""Streaming meters over a real pseudo-terminal and over socket://, and every fault of theirs."""

import select
import socket
import threading
import time

import pytest

from benchlog.bench.file import InstrumentConfig
from benchlog.bench.profilefile import parse_profile
from benchlog.model.clock import RealClock
from benchlog.model.errors import InstrumentTimeout, LinkLost, PortRefused, UsageError, WrongInstrument
from benchlog.model.instrument import MeterSheet
from benchlog.model.quantity import Quantity
from benchlog.model.reading import Measured, Reading, Status, Unusable
from benchlog.model.role import Role
from benchlog_drivers import registry
from benchlog_drivers.adaptors.stream_meter import StreamMeter

LINE = b"AC +%.3f A R6 ---\r\n"


def meter_of(connection: str, clock: RealClock, **changes: object) -> StreamMeter:
    facts: dict[str, object] = {
        "name": "clamp", "adaptor": "serial-text", "roles": (Role.SOURCE_CURRENT,),
        "profile": "simulated-handheld", "connection": connection, "timeout_s": 0.3,
    }  # fmt: skip
    made = registry.make(InstrumentConfig(**{**facts, **changes}), clock)  # type: ignore[arg-type]
    assert isinstance(made, StreamMeter)
    return made


def take(meter: StreamMeter, count: int, patience_s: float = 2.0) -> list[Reading]:
    found: list[Reading] = []
    until = time.monotonic() + patience_s
    while len(found) < count and time.monotonic() < until:
        found.extend(meter.read())
    return found


@pytest.fixture
def meter(pty_peer, clock):
    made = meter_of(pty_peer.path, clock)
    made.open()
    yield made
    made.close()


def test_a_reading_is_stamped_when_it_arrived(pty_peer, meter, clock) -> None:
    before = clock.now()
    pty_peer.send(LINE % 0.125)
    (reading,) = take(meter, 1)
    assert isinstance(reading, Measured)
    assert (reading.value, reading.channel.quantity) == (0.125, Quantity.AC_CURRENT)
    assert before <= reading.end_us <= clock.now()
    assert reading.end_us - reading.start_us == 400_000
    assert (reading.setting.range, reading.setting.resolution) == (6.0, 0.001)


def test_the_partial_line_at_the_start_is_dropped_quietly(pty_peer, clock) -> None:
    meter = meter_of(pty_peer.path, clock)
    meter.open()
    pty_peer.send(b"125 A R6 ---\r\n" + LINE % 0.5)
    readings = take(meter, 1)
    assert [r.value for r in readings] == [0.5]
    assert meter.counts["garbled"] == 0
    meter.close()


def test_a_line_in_pieces_is_put_together(pty_peer, meter) -> None:
    line = LINE % 0.25
    for i in range(0, len(line), 5):
        pty_peer.send(line[i : i + 5])
        assert len(take(meter, 1, 0.0)) == 0 or i + 5 >= len(line)
    readings = take(meter, 1, 0.5)
    assert [r.value for r in readings] in ([0.25], [])


def test_of_several_lines_at_once_only_the_last_is_fresh(pty_peer, meter) -> None:
    pty_peer.send(LINE % 0.1 + LINE % 0.2 + LINE % 0.3)
    readings = take(meter, 3, 0.2)
    assert [r.value for r in readings] == [0.3]
    assert meter.counts["stale"] == 2


def test_after_a_stall_old_lines_are_flushed_and_the_gap_is_marked(pty_peer, meter) -> None:
    pty_peer.send(LINE % 0.1)
    take(meter, 1)
    for i in range(5):
        pty_peer.send(LINE % (0.2 + i / 100))
    pty_peer.send(b"AC +0.9")
    meter._left -= 2.0  # as if nobody had read for two seconds
    readings = take(meter, 1, 0.2)
    assert [(type(r), r.status) for r in readings if isinstance(r, Unusable)] == [(Unusable, Status.STALE)]
    assert readings[0].end_us - readings[0].start_us >= 2_000_000
    pty_peer.send(b"99 A R6 ---\r\n" + LINE % 0.4)
    assert [r.value for r in take(meter, 1)] == [0.4], "the rest of a line that was cut is no line"
    assert meter.counts["gaps"] == 1


@pytest.mark.parametrize(
    ("line", "status"),
    [
        (b"AC OL A R6 ---\r\n", Status.OVERLOAD),
        (b"AC ---- A R6 A--\r\n", Status.AUTORANGING),
        (b"AC +0.123 A R6 -H-\r\n", Status.STALE),
        (b"AC +120.1 V R600 ---\r\n", Status.REFUSED),
        (b"AC +0.x23 A R6 ---\r\n", Status.GARBLED),
        (b"\x80\x81\x82\x83\r\n", Status.GARBLED),
    ],
)
def test_what_is_no_number_is_a_status(pty_peer, meter, line: bytes, status: Status) -> None:
    pty_peer.send(LINE % 0.1)
    take(meter, 1)
    meter._told_garbled = 0.0
    pty_peer.send(line)
    (reading,) = take(meter, 1)
    assert isinstance(reading, Unusable)
    assert reading.status is status


def test_a_low_battery_is_noted_in_the_setting(pty_peer, meter) -> None:
    pty_peer.send(b"AC +0.123 A R6 A-B\r\n")
    (reading,) = take(meter, 1)
    assert isinstance(reading, Measured)
    assert reading.setting.note == "low-battery"


def test_noise_is_counted_but_shown_once_a_period(pty_peer, meter) -> None:
    pty_peer.send(LINE % 0.1)
    take(meter, 1)
    for _ in range(20):
        pty_peer.send(b"\x01\x02\r\n")
        meter.read()
    assert meter.counts["garbled"] == 20
    assert "01 02" in meter.last_garbled


def test_turns_are_divided_out(pty_peer, clock) -> None:
    meter = meter_of(pty_peer.path, clock, sheet=MeterSheet(turns=5))
    meter.open()
    pty_peer.send(LINE % 1.0)
    (reading,) = take(meter, 1)
    meter.close()
    assert isinstance(reading, Measured)
    assert (reading.value, reading.setting.range, reading.setting.turns) == (0.2, 1.2, 5)


def test_a_probe_takes_whatever_the_meter_is_set_to(pty_peer, clock) -> None:
    meter = meter_of(pty_peer.path, clock, roles=(Role.PROBE,))
    meter.open()
    pty_peer.send(b"DC -12.3 mV R600 ---\r\n")
    (reading,) = take(meter, 1)
    meter.close()
    assert isinstance(reading, Measured)
    assert (reading.channel.quantity, reading.value) == (Quantity.DC_VOLTAGE, -0.0123)


def test_silence_is_a_timeout(pty_peer, meter) -> None:
    begun = time.monotonic()
    with pytest.raises(InstrumentTimeout, match=r"clamp .*silent for 0\.3 s.*switched itself off"):
        take(meter, 1, 5.0)
    assert 0.25 < time.monotonic() - begun < 2.0


def test_nobody_waits_longer_than_a_slice(pty_peer, meter) -> None:
    begun = time.monotonic()
    assert list(meter.read()) == []
    assert time.monotonic() - begun < 0.5


def test_an_unplugged_port_is_lost_and_can_come_back(pty_peer, meter, clock) -> None:
    pty_peer.send(LINE % 0.1)
    take(meter, 1)
    pty_peer.unplug()
    begun = time.monotonic()
    with pytest.raises(LinkLost, match=r"clamp .*gone.*Check its cable"):
        take(meter, 1)
    assert time.monotonic() - begun < 2.0
    with pytest.raises((PortRefused, LinkLost)):
        meter.open()
        take(meter, 1)


def test_a_busy_port_is_said(pty_peer, meter, clock) -> None:
    other = meter_of(pty_peer.path, clock)
    with pytest.raises(PortRefused, match="the port is busy: another program holds it"):
        other.open()


def test_a_missing_port_lists_those_there_are(clock) -> None:
    with pytest.raises(PortRefused, match=r"no such port\..*(Serial ports there now|No serial port)"):
        meter_of("/dev/ttyNOTHERE", clock).open()


def test_over_a_tcp_stream_and_back_after_a_restart(clock) -> None:
    listener = socket.create_server(("127.0.0.1", 0))
    address = listener.getsockname()
    meter = meter_of(f"socket://127.0.0.1:{address[1]}", clock)
    meter.open()
    connection, _ = listener.accept()
    connection.sendall(LINE % 0.125)
    assert [r.value for r in take(meter, 1)] == [0.125]
    connection.close()
    with pytest.raises(LinkLost):
        take(meter, 1)
    meter.open()
    connection, _ = listener.accept()
    connection.sendall(LINE % 0.25)
    assert [r.value for r in take(meter, 1)] == [0.25]
    meter.close()
    connection.close()
    listener.close()


def test_dribbling_bytes_give_no_wrong_number(pty_peer, clock) -> None:
    meter = meter_of(pty_peer.path, clock, timeout_s=5.0)  # however busy the machine is
    meter.open()
    stop = threading.Event()

    def dribble() -> None:
        for byte in LINE % 0.125 + LINE % 0.25:
            if stop.wait(0.003):
                return
            pty_peer.send(bytes([byte]))

    thread = threading.Thread(target=dribble)
    thread.start()
    readings = take(meter, 2, 8.0)
    stop.set()
    thread.join()
    meter.close()
    assert [r.value for r in readings] == [0.125, 0.25]


def test_a_change_of_range_without_a_checksum_must_be_seen_twice(pty_peer, meter) -> None:
    pty_peer.send(LINE % 0.1)
    take(meter, 1)
    pty_peer.send(b"AC +0.1234 A R60 ---\r\n")
    (first,) = take(meter, 1)
    assert isinstance(first, Unusable)
    assert first.status is Status.AUTORANGING, "a gap, not a step"
    pty_peer.send(b"AC +0.1235 A R60 ---\r\n")
    (second,) = take(meter, 1)
    assert isinstance(second, Measured)
    assert (second.value, second.setting.range) == (0.1235, 60.0)
    pty_peer.send(b"AC +0.123 A R6 ---\r\n" * 1)
    take(meter, 1)
    pty_peer.send(b"AC +0.1236 A R60 ---\r\n")
    (third,) = take(meter, 1)
    assert isinstance(third, Measured), "one line that differed was an accident"


def test_lead_resistance_is_taken_off(pty_peer, clock) -> None:
    meter = meter_of(pty_peer.path, clock, roles=(Role.PROBE,), profile="simulated-esr-meter")
    meter.open()

    def answer(ohms: bytes) -> Reading:
        from benchlog_drivers.codecs.parity import with_parity

        until = time.monotonic() + 3.0
        while time.monotonic() < until:
            found = [r for r in meter.read() if r.channel.quantity is Quantity.ESR]
            if found:
                return found[0]
            if select.select([pty_peer.master], [], [], 0)[0]:
                assert pty_peer.receive() == with_parity(b"?\r\n", "E")
                pty_peer.send(with_parity(b"Z " + ohms + b" R 100.0 uF F100k --\r\n", "E"))
        raise AssertionError("no reading")

    leads = answer(b"0.035")
    assert isinstance(leads, Measured)
    meter.zero_leads(leads)
    part = answer(b"0.285")
    meter.close()
    assert isinstance(part, Measured)
    assert part.value == pytest.approx(0.25)
    assert "leads zeroed at 0.035" in part.setting.note
    assert part.setting.test_frequency_hz == 100e3


ASKED = r"""
name = "asked"
family = "serial-text"
origin = "invented"
[link]
terminator = "\n"
[measure]
period_s = 0.05
[text]
pattern = '(?P<value>\d+\.\d+) (?P<unit>V)'
request = "V?\n"
identity = "WHO?\n"
[text.quantities]
V = "dc-voltage"
"""


def test_a_polled_meter_says_who_it_is_and_another_is_found_out(pty_peer, clock, tmp_path) -> None:
    path = tmp_path / "asked.toml"
    path.write_text(ASKED, encoding="utf-8")
    names = [b"MODEL NONE 17\n", b"MODEL NONE 17\n", b"MODEL NONE 18\n", b""]
    stop = threading.Event()

    def answer() -> None:
        buffer = b""
        while not stop.is_set():
            if not select.select([pty_peer.master], [], [], 0.02)[0]:
                continue
            buffer += pty_peer.receive()
            while b"\n" in buffer:
                line, _, buffer = buffer.partition(b"\n")
                pty_peer.send(names.pop(0) if line == b"WHO?" else b"12.50 V\n")

    thread = threading.Thread(target=answer)
    thread.start()
    meter = registry.make(
        InstrumentConfig(
            name="m", adaptor="serial-text", roles=(Role.OUTPUT_DC,), connection=pty_peer.path,
            profile=str(path), timeout_s=0.3,
        ),
        clock,
    )  # fmt: skip
    try:
        assert meter.open().description == "MODEL NONE 17"
        assert [r.value for r in take(meter, 2)] == [12.5, 12.5]
        assert meter.open().description == "MODEL NONE 17"
        with pytest.raises(
            WrongInstrument, match="'MODEL NONE 17' was there before, 'MODEL NONE 18' answers"
        ):
            meter.open()
        with pytest.raises(InstrumentTimeout, match="does not say who it is"):
            meter.open()
    finally:
        stop.set()
        thread.join()
        meter.close()
    with pytest.raises(UsageError, match="a meter that streams can't be asked"):
        parse_profile(ASKED.replace('request = "V?\\n"\n', ""), "asked.toml")
