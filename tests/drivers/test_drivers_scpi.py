"""The SCPI adaptors over a real TCP socket, and every fault that a link or an instrument can have."""

import socket
import threading
import time
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest

from benchlog.bench.adaptor import SourceState
from benchlog.bench.file import InstrumentConfig
from benchlog.model.clock import RealClock
from benchlog.model.errors import (
    InstrumentTimeout,
    LinkLost,
    PortRefused,
    ProtocolFault,
    WrongInstrument,
)
from benchlog.model.instrument import MeterSheet
from benchlog.model.reading import Measured, Reading, Status, Unusable
from benchlog.model.role import Role
from benchlog_drivers import registry
from benchlog_drivers.adaptors.scpi_meter import ScpiMeter
from benchlog_drivers.adaptors.scpi_source import ScpiSource

METER_ROLES = (Role.SOURCE_CURRENT, Role.INLET_VOLTAGE, Role.OUTPUT_DC)


def meter_of(peer: object, clock: RealClock, **changes: object) -> ScpiMeter:
    facts: dict[str, object] = {
        "name": "bench meter", "adaptor": "scpi", "roles": METER_ROLES, "profile": "simulated-bench-meter",
        "connection": peer.resource, "timeout_s": 0.1,
    }  # fmt: skip
    made = registry.make(InstrumentConfig(**{**facts, **changes}), clock)  # type: ignore[arg-type]
    assert isinstance(made, ScpiMeter)
    return made


def source_of(
    peer: object,
    clock: RealClock,
    roles: tuple[Role, ...] = (Role.SOURCE,),
    profile: str = "simulated-ac-source",
) -> ScpiSource:
    made = registry.make(
        InstrumentConfig(
            name="source", adaptor="scpi", roles=roles, profile=profile,
            connection=peer.resource, timeout_s=0.1,
        ),
        clock,
    )  # fmt: skip
    assert isinstance(made, ScpiSource)
    return made


def take(meter: ScpiMeter, sets: int, patience_s: float = 5.0) -> list[Reading]:
    found: list[Reading] = []
    until = time.monotonic() + patience_s
    while len(found) < sets * len(meter.channels) and time.monotonic() < until:
        found.extend(meter.read())
    return found


# ---- a meter ----------------------------------------------------------------------------------------


def test_a_set_is_consistent_and_each_is_given_once(scpi_peer, clock) -> None:
    meter = meter_of(scpi_peer, clock)
    assert meter.open().description == "INVENTED METER"
    readings = take(meter, 5)
    meter.close()
    sets = [readings[i : i + 3] for i in range(0, len(readings), 3)]
    for current, inlet, output in sets:
        k = current.value - 0.25
        assert (inlet.value, output.value) == (1000 + k + 0.5, 5000 + k)
        assert current.start_us == inlet.start_us
        assert current.end_us - current.start_us == 100_000
    numbers = [s[0].value for s in sets]
    assert numbers == sorted(set(numbers))


def test_a_count_that_stands_still_is_no_new_reading_and_a_jump_is_counted(scpi_peer, clock) -> None:
    scpi_peer.autocount = False
    scpi_peer.count = 7
    meter = meter_of(scpi_peer, clock)
    meter.open()
    until = time.monotonic() + 0.3
    while time.monotonic() < until:
        assert list(meter.read()) == [], "the set was there before, or is the same"
    scpi_peer.count = 12
    readings = take(meter, 1)
    meter.close()
    assert [r.value for r in readings] == [12.25, 1012.5, 5012]
    assert meter.sampler.missed == 4


def test_special_numbers_are_a_status(scpi_peer, clock) -> None:
    k = iter(range(1, 10_000))
    scpi_peer.trouble = lambda query, reply: (
        b"%d,9.9E37,9.91E37,1,2,3,1_0\n" % next(k) if query == "FETC?" else reply
    )
    meter = meter_of(scpi_peer, clock)
    meter.open()
    readings = take(meter, 1)
    meter.close()
    assert [r.status for r in readings if isinstance(r, Unusable)] == [
        Status.OVERLOAD,
        Status.NOT_A_NUMBER,
        Status.GARBLED,
    ]
    assert readings[0].setting.range == 50.0


def test_turns_through_the_clamp_are_divided_out(scpi_peer, clock) -> None:
    meter = meter_of(scpi_peer, clock, sheet=MeterSheet(turns=5))
    meter.open()
    current, inlet, _ = take(meter, 1)
    meter.close()
    assert isinstance(current, Measured)
    k = inlet.value - 1000.5
    assert current.value == pytest.approx((k + 0.25) / 5)
    assert (current.setting.turns, current.setting.range) == (5, 10.0)
    assert inlet.setting.turns == 1


def test_silence_is_a_timeout_within_the_deadline_although_bytes_dribble(scpi_peer, clock) -> None:
    meter = meter_of(scpi_peer, clock)
    meter.open()
    stop = threading.Event()

    def dribble(query: str, reply: bytes) -> bytes | None:
        if query != "FETC?":
            return reply
        for byte in reply * 3:
            if stop.wait(0.04):
                break
            scpi_peer._open[0].send(bytes([byte]).replace(b"\n", b"x"))
        return None

    scpi_peer.trouble = dribble
    begun = time.monotonic()
    with pytest.raises(InstrumentTimeout, match="no answer in time"):
        take(meter, 1)
    took = time.monotonic() - begun
    stop.set()
    meter.close()
    assert took < 1.0, "the deadline counts from the question, not from the last byte"


def test_after_a_late_answer_the_line_is_found_again_and_no_reading_is_wrong(scpi_peer, clock) -> None:
    # nothing done, 331 of 400 readings with 24 late answers were wrong (measured, pyvisa-py, loopback)
    generator = np.random.default_rng(1)
    late = iter(generator.random(100_000) < 0.06)
    wrong = taken = late_count = 0
    config = {"profile": "tests", "timeout_s": 0.03}

    def trouble(query: str, reply: bytes) -> bytes:
        nonlocal late_count
        if query == "FETC?" and next(late):
            late_count += 1
            time.sleep(0.045)
        return reply

    meter = meter_of(scpi_peer, clock, timeout_s=config["timeout_s"])
    meter.sampler.period_s = 0.002
    meter.open()
    scpi_peer.trouble = trouble
    while taken < 400:
        try:
            readings = meter.read()
        except InstrumentTimeout:
            continue
        if readings:
            taken += 1
            k = int(readings[0].value)
            asked_us = (scpi_peer.taken_s[k] - time.monotonic()) * 1e6 + clock.now()
            wrong += not (readings[0].end_us - 30_000 <= asked_us <= readings[0].end_us + 1000)
    meter.close()
    assert late_count >= 15
    assert meter.talk.resyncs >= late_count
    assert wrong == 0


def test_half_an_answer_is_discarded(scpi_peer, clock) -> None:
    meter = meter_of(scpi_peer, clock)
    meter.open()
    scpi_peer.trouble = lambda query, reply: reply[: len(reply) // 2] if query == "FETC?" else reply
    with pytest.raises(InstrumentTimeout):
        take(meter, 1)
    scpi_peer.trouble = lambda query, reply: reply
    readings = take(meter, 2)
    meter.close()
    assert [type(r) for r in readings] == [Measured] * 6
    assert all(r.value == int(r.value) + 0.25 for r in readings[::3])


def test_an_answer_without_being_asked_makes_the_line_suspect(scpi_peer, clock) -> None:
    meter = meter_of(scpi_peer, clock)
    meter.open()
    take(meter, 1)
    before = meter.talk.resyncs
    scpi_peer._open[0].send(b"99,99,99,99,99,99,99\n")
    readings = take(meter, 1)
    meter.close()
    assert meter.talk.resyncs == before + 1
    assert readings[0].value != 99


def test_garbage_is_no_reading(scpi_peer, clock) -> None:
    meter = meter_of(scpi_peer, clock)
    meter.open()
    scpi_peer.trouble = lambda query, reply: b"\xff\x00\xfe;!\n" if query == "FETC?" else reply
    with pytest.raises(ProtocolFault, match="no text"):
        take(meter, 1)
    scpi_peer.trouble = lambda query, reply: (
        b"hello,there,you,all,of,you,now\n" if query == "FETC?" else reply
    )
    assert take(meter, 1, 0.3) == []
    assert meter.sampler.garbled > 0
    meter.close()


def test_a_connection_that_is_closed_is_lost_at_once_and_does_not_spin(scpi_peer, clock) -> None:
    meter = meter_of(scpi_peer, clock)
    meter.open()
    take(meter, 1)
    scpi_peer.break_off()
    cpu, begun = time.process_time(), time.monotonic()
    with pytest.raises(LinkLost, match=r"bench meter \(TCPIP0.*closed the connection.*Check its power"):
        while time.monotonic() - begun < 2.0:
            meter.read()
    assert time.process_time() - cpu < 0.1
    with pytest.raises(LinkLost, match="not open"):
        meter.close()
        meter.sampler.restart()
        meter.read()


def test_opening_again_finds_the_same_instrument(scpi_peer, clock) -> None:
    meter = meter_of(scpi_peer, clock)
    first = meter.open()
    scpi_peer.break_off()
    assert meter.open() == first
    assert len(take(meter, 2)) == 6
    scpi_peer.break_off()
    scpi_peer.identity = "INVENTED,METER,S2,1.0"
    with pytest.raises(
        WrongInstrument, match=r"serial number S1 was there before.*serial number S2 answers now"
    ):
        meter.open()
    meter.close()


def test_the_serial_number_of_the_bench_file_is_checked(scpi_peer, clock) -> None:
    meter = meter_of(scpi_peer, clock, serial_number="S9")
    with pytest.raises(WrongInstrument, match="S9 is in the bench file"):
        meter.open()
    meter.close()


def test_two_meters_in_one_process_do_not_close_each_other(scpi_peer, clock) -> None:
    one, other = meter_of(scpi_peer, clock), meter_of(scpi_peer, clock)
    one.open()
    other.open()
    one.close()
    assert len(take(other, 2)) == 6
    other.close()


def test_a_peer_that_does_not_read_ends_in_a_timeout(clock) -> None:
    listener = socket.create_server(("127.0.0.1", 0))
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 2048)

    class Deaf:
        resource = f"TCPIP0::127.0.0.1::{listener.getsockname()[1]}::SOCKET"

    meter = meter_of(Deaf, clock)
    meter.talk.line.open()
    begun = time.monotonic()
    with pytest.raises((InstrumentTimeout, LinkLost)):
        for _ in range(10_000):
            meter.talk.line.write(b"x" * 4000, 0.1)
    assert time.monotonic() - begun < 5.0
    meter.close()
    listener.close()


def test_nobody_listening_is_said(clock) -> None:
    class Nobody:
        resource = "TCPIP0::127.0.0.1::1::SOCKET"

    with pytest.raises(PortRefused, match=r"bench meter .*nobody listens there\. Switch the instrument on"):
        meter_of(Nobody, clock).open()


def test_nagle_is_off(scpi_peer, clock) -> None:
    meter = meter_of(scpi_peer, clock)
    meter.open()
    inner = meter.talk.line._socket
    assert inner.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)
    times = []
    for _ in range(50):
        begun = time.perf_counter()
        meter.talk.tell("INIT")
        meter.talk.ask("*IDN?")
        times.append(time.perf_counter() - begun)
    meter.close()
    assert np.median(times) < 0.01, "write then query takes 44 ms with Nagle's delay"


def test_a_refused_configuration_is_reported_from_the_error_queue(scpi_peer, clock) -> None:
    meter = meter_of(scpi_peer, clock)
    meter.open()
    with pytest.raises(ProtocolFault, match=r"did not take 'CONF:TEMP'.*-113 Undefined header"):
        meter.talk.configure("CONF:TEMP")
    assert meter.talk.drain_errors() == []
    meter.close()


# ---- a source ---------------------------------------------------------------------------------------


def test_a_source_is_set_and_read_back(scpi_peer, clock) -> None:
    source = source_of(scpi_peer, clock)
    source.open()
    assert source.set_limit(2.5, 4.0) == SourceState(0.0, False, 2.5, 4.0)
    assert source.set_voltage(12.0) == SourceState(12.0, False, 2.5, 4.0)
    assert source.output(True) == SourceState(12.0, True, 2.5, 4.0)
    assert source.off() == SourceState(0.0, False, 2.5, 4.0)
    source.close()


def test_a_voltage_that_is_not_taken_is_reported(scpi_peer, clock) -> None:
    source = source_of(scpi_peer, clock)
    source.open()
    with pytest.raises(ProtocolFault, match=r"set to 400 V but reads back 0 V \(-222 Data out of range\)"):
        source.set_voltage(400.0)
    source.close()


def test_opening_again_sets_the_limit_and_never_the_output(scpi_peer, clock) -> None:
    source = source_of(scpi_peer, clock)
    source.open()
    source.set_limit(2.5, 4.0)
    source.set_voltage(60.0)
    source.output(True)
    scpi_peer.break_off()
    scpi_peer.state.update(VOLT="0", OUTP="0", PROT="5", DEL="1")  # it was switched off and on
    before = len(scpi_peer.asked)
    source.open()
    sent = [line for _, line in scpi_peer.asked[before:]]
    source.close()
    assert scpi_peer.state["PROT"] == "2.5"
    assert not any("OUTP ON" in line or line.startswith("VOLT ") for line in sent)


def test_measuring_is_begun_and_asked_after_in_short_transactions(scpi_peer, clock, tmp_path) -> None:
    scpi_peer.measure_s = 0.6
    roles = (Role.SOURCE, Role.INLET_VOLTAGE, Role.SOURCE_CURRENT, Role.SOURCE_POWER)
    source = source_of(scpi_peer, clock, roles, slow_profile(tmp_path, 0.55))
    source.open()
    longest, readings = 0.0, []
    until = time.monotonic() + 5.0
    while len(readings) < 3 and time.monotonic() < until:
        begun = time.monotonic()
        readings.extend(source.read())
        longest = max(longest, time.monotonic() - begun)
    source.close()
    assert [r.value for r in readings[:3]] == [120.5, 0.25, 17.5]
    assert longest < 0.4, "no call waits for the measurement"


def slow_profile(folder: Path, aperture_s: float = 2.0) -> str:
    """The shipped source's dialect, with a measurement that takes long."""
    shipped = files("benchlog_drivers") / "profiles" / "simulated-ac-source.toml"
    text = shipped.read_text(encoding="utf-8").replace("aperture_s = 0.1", f"aperture_s = {aperture_s}")
    path = folder / "slow.toml"
    path.write_text(text, encoding="utf-8")
    return str(path)


def test_off_goes_first_behind_a_slow_measurement(scpi_peer, clock, tmp_path) -> None:
    scpi_peer.measure_s = 2.0
    source = source_of(scpi_peer, clock, (Role.SOURCE, Role.SOURCE_CURRENT), slow_profile(tmp_path))
    source.open()
    wanted, ordered, done = threading.Event(), [0.0], []

    def work() -> None:
        while len(done) < 30:
            if wanted.is_set():
                source.off()
                done.append(ordered[0])
                wanted.clear()
            source.read()

    worker = threading.Thread(target=work)
    worker.start()
    generator = np.random.default_rng(2)
    latencies = []
    for i in range(30):
        time.sleep(0.01 + 0.02 * generator.random())
        ordered[0] = time.monotonic()
        wanted.set()
        while len(done) <= i and worker.is_alive():
            time.sleep(0.0005)
        latencies.append([t for t, line in scpi_peer.asked if line.startswith("OUTP OFF")][-1] - ordered[0])
    worker.join(5)
    source.close()
    assert np.median(latencies) < 0.025, "tests/bench/adaptor_cost.py measures the 99th percentile"


def test_off_is_sent_at_once_over_a_line_that_lost_the_thread(scpi_peer, clock) -> None:
    source = source_of(scpi_peer, clock)
    source.open()
    scpi_peer.state["OUTP"] = "1"
    scpi_peer.trouble = lambda query, reply: None
    with pytest.raises(InstrumentTimeout):
        source.state()
    begun = time.monotonic()
    with pytest.raises(InstrumentTimeout):
        source.off()
    sent = [t for t, line in scpi_peer.asked if line.startswith("OUTP OFF")]
    source.close()
    assert sent
    assert sent[0] - begun < 0.09
    assert scpi_peer.state["OUTP"] == "0"


def test_a_second_connection_and_the_standby_order(scpi_peer, clock) -> None:
    source = source_of(scpi_peer, clock)
    source.open()
    order = source.standby()
    assert order is not None
    assert (order.off, order.host, order.port) == (b"OUTP OFF;:VOLT 0\n", "127.0.0.1", scpi_peer.port)
    scpi_peer.state["OUTP"] = "1"
    second = source.second()
    assert second is not None
    second.open()
    assert second.off().output_on is False
    assert second.second() is None
    second.close()
    scpi_peer.state.update(OUTP="1", VOLT="50")
    with socket.create_connection((order.host, order.port)) as raw:
        raw.sendall(order.off)
        until = time.monotonic() + 2.0
        while scpi_peer.state["OUTP"] == "1" and time.monotonic() < until:
            time.sleep(0.001)
    source.close()
    assert (scpi_peer.state["OUTP"], scpi_peer.state["VOLT"]) == ("0", "0")


def test_a_serial_port_opened_by_visa_is_held_exclusively(pty_peer, clock) -> None:
    class Serial:
        resource = f"ASRL{pty_peer.path}::INSTR"

    one, other = meter_of(Serial, clock), meter_of(Serial, clock)
    one.talk.line.open()
    with pytest.raises(PortRefused, match="the port is busy"):
        other.talk.line.open()
    one.close()
    other.close()


def test_instruments_are_opened_side_by_side(scpi_peer, clock) -> None:
    meters = [meter_of(scpi_peer, clock) for _ in range(8)]
    faults: list[Exception] = []

    def work(meter: ScpiMeter) -> None:
        try:
            meter.open()
        except Exception as fault:  # noqa: BLE001 - whatever it is, the test tells
            faults.append(fault)

    threads = [threading.Thread(target=work, args=(meter,)) for meter in meters]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(10)
    for meter in meters:
        meter.close()
    assert faults == []
