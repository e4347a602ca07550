"""The simulated bench over real transports, through the adaptors that serve real instruments."""

import itertools
import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import AbstractContextManager
from typing import Any

import msgspec
import pytest

from benchlog.bench.adaptor import Dial, Meter
from benchlog.model.errors import (
    EnvironmentFault,
    InstrumentFault,
    InstrumentTimeout,
    LinkLost,
    PortRefused,
    UsageError,
    WrongInstrument,
)
from benchlog.model.reading import Measured, Reading, Status, Unusable
from benchlog.model.role import Role
from benchlog_drivers.simulated.options import make_options
from benchlog_drivers.simulated.process import spawn

pytestmark = pytest.mark.alone

Running = Callable[..., AbstractContextManager[Any]]


def gather(meter: Meter, count: int, within_s: float = 10.0) -> list[Reading]:
    """At least ``count`` readings; faults end it."""
    until, found = time.monotonic() + within_s, list[Reading]()
    while len(found) < count and time.monotonic() < until:
        found += meter.read()
    return found


def numbers(readings: list[Reading], role: Role) -> list[float]:
    return [r.value for r in readings if isinstance(r, Measured) and r.channel.role is role]


def test_a_programmed_source_feeds_a_unit_that_bench_meters_read(running: Running) -> None:
    with running(time_scale=5.0) as there:
        source, meter = there.source(), there.meter()
        state = source.set_limit(2.4, 5.0)
        assert (state.limit_a, state.trip_delay_s, state.output_on) == (2.4, 5.0, False)
        assert source.set_voltage(60.0).set_v == 60.0
        assert source.output(True).output_on
        time.sleep(0.5)  # 2.5 s on the bench: past the inrush
        readings = gather(meter, 120)
        assert {channel.role for channel in meter.channels} >= {
            Role.RAIL_PLUS,
            Role.OUTPUT_DC,
            Role.SOURCE_POWER,
        }
        assert numbers(readings, Role.INLET_VOLTAGE)[-1] == pytest.approx(60.0, abs=0.5)
        # a 300 VA unit at half its mains draws 0.20 A (0.142/1.30 of rated: handbook model of such a unit)
        assert 0.1 < numbers(readings, Role.SOURCE_CURRENT)[-1] < 0.4
        assert numbers(readings, Role.RAIL_MINUS)[-1] < -10.0 < 10.0 < numbers(readings, Role.RAIL_PLUS)[-1]
        ends = [r.end_us for r in readings if r.channel.role is Role.SOURCE_CURRENT]
        assert all(b > a for a, b in itertools.pairwise(ends))


def test_off_takes_voltage_and_current_away_at_once(running: Running) -> None:
    with running() as there:
        source = there.source()
        source.set_voltage(120.0)
        source.output(True)
        time.sleep(0.3)
        before_ns = time.monotonic_ns()
        assert not source.off().output_on
        until = time.monotonic() + 10.0
        while (seen := there.control.ask(type="status"))["zero_current_ns"] is None:
            assert time.monotonic() < until, "the current did not go"
        assert before_ns <= seen["off_received_ns"] <= seen["zero_voltage_ns"] <= seen["monotonic_ns"]
        assert seen["zero_voltage_ns"] - seen["off_received_ns"] < 5_000_000
        assert abs(seen["zero_current_ns"] - seen["zero_voltage_ns"]) < 2_000_000
        assert (seen["source_on"], seen["inlet_v"], seen["set_v"]) == (False, 0.0, 0.0)
        assert seen["first_power_ns"] < before_ns


def test_the_standby_s_bytes_switch_off_over_a_connection_of_their_own(running: Running) -> None:
    with running() as there:
        source = there.source()
        source.set_voltage(60.0)
        source.output(True)
        order = source.standby()
        assert order is not None
        with socket.create_connection((order.host, order.port)) as second:
            second.sendall(order.off)
            until = time.monotonic() + 5.0
            while source.state().output_on and time.monotonic() < until:  # type: ignore[attr-defined]
                pass
        assert there.control.ask(type="status")["source_on"] is False


def test_a_fault_begins_after_power_was_first_applied(running: Running) -> None:
    with running(fault="rail-short", fault_at_s=1.0) as there:
        source, meter = there.source(), there.meter()
        assert there.control.ask(type="status")["fault_onset_ns"] is None
        source.set_voltage(36.0)
        source.output(True)
        readings = gather(meter, 25 * 6, 4.0)
        seen = there.control.ask(type="status")
        assert seen["fault_onset_ns"] - seen["first_power_ns"] == pytest.approx(1e9, abs=1e3)
        currents = numbers(readings, Role.SOURCE_CURRENT)
        assert currents[-1] > 5.0 * currents[5]


@pytest.mark.parametrize("serial", ["pty", "tcp"])
def test_a_hand_on_a_dial_and_hand_held_meters(running: Running, serial: str) -> None:
    with running(meters="handheld", source="hand-set", time_scale=10.0, serial=serial) as there:
        dial, ammeter, voltmeter = there.adaptor(Role.SOURCE), there.meter(), there.meter(Role.INLET_VOLTAGE)
        assert isinstance(dial, Dial)
        assert numbers(gather(voltmeter, 3), Role.INLET_VOLTAGE)[-1] < 0.5
        dial.instruct("Turn the dial to 60 V.", 60.0, False)
        time.sleep(1.2)  # 12 s on the bench: heard, turned, standing
        volts = numbers(gather(voltmeter, 10), Role.INLET_VOLTAGE)[-1]
        assert volts == pytest.approx(60.0, abs=0.05 * 130.0 + 0.7)
        assert 0.1 < numbers(gather(ammeter, 10), Role.SOURCE_CURRENT)[-1] < 0.4
        dial.instruct("Bench switch off. Dial to zero. Unplug.", 0.0, True)
        time.sleep(0.5)
        seen = there.control.ask(type="status")
        late_s = (seen["zero_voltage_ns"] - seen["urgent_ns"]) * 1e-9 * seen["time_scale"]
        assert 0.7 <= late_s <= 1.8
        assert seen["instruction"].startswith("Bench switch off")


def test_the_clamp_s_turns_are_divided_out(running: Running) -> None:
    with running(meters="clamp", turns=5, time_scale=10.0) as there:
        source, clamp = there.source(), there.meter()
        source.set_voltage(120.0)
        source.output(True)
        time.sleep(1.0)
        reading = [r for r in gather(clamp, 20) if isinstance(r, Measured)][-1]
        assert 0.15 < reading.value < 0.5
        assert reading.setting.turns == 5
        assert reading.setting.range == pytest.approx(8.0)
        assert reading.value * 500.0 == pytest.approx(round(reading.value * 500.0), abs=1e-6)


def test_a_shorted_unit_trips_the_source_s_own_limit(running: Running) -> None:
    with running(fault="rail-short", time_scale=5.0) as there:
        source = there.source()
        source.set_limit(2.0, 0.5)
        source.set_voltage(36.0)
        source.output(True)
        until = time.monotonic() + 5.0
        while not (state := source.state()).tripped and time.monotonic() < until:  # type: ignore[attr-defined]
            time.sleep(0.02)
        assert state.tripped
        assert not state.output_on
        assert there.control.ask(type="status")["tripped_ns"] is not None


def test_link_troubles_are_what_the_adaptor_makes_of_real_ones(running: Running) -> None:
    with running() as there:
        meter = there.meter()
        gather(meter, 6)

        def order(kind: str) -> None:
            assert there.control.ask(type="trouble", instrument="bench-meter", kind=kind) == {"type": "done"}

        def clear() -> None:
            there.control.ask(type="clear", instrument="bench-meter")
            meter.close()
            time.sleep(0.2)  # a server that was closed takes a moment to listen again
            meter.open()
            assert numbers(gather(meter, 6), Role.SOURCE_CURRENT)

        order("silent")
        with pytest.raises(InstrumentTimeout):
            gather(meter, 6, 5.0)
        clear()
        order("reset")
        with pytest.raises(LinkLost):
            gather(meter, 60, 5.0)
        clear()
        order("closed")
        with pytest.raises(InstrumentFault):
            gather(meter, 60, 5.0)
        meter.close()
        with pytest.raises((PortRefused, LinkLost, InstrumentTimeout)):
            meter.open()
        clear()
        order("wrong-instrument")
        meter.close()
        with pytest.raises(WrongInstrument):
            meter.open()
        clear()
        order("overload")
        time.sleep(0.25)
        statuses = {r.status for r in gather(meter, 12) if isinstance(r, Unusable)}
        assert Status.OVERLOAD in statuses


def test_a_port_that_was_unplugged_comes_back_under_its_name(running: Running) -> None:
    with running(meters="handheld", time_scale=5.0) as there:
        ammeter = there.meter()
        gather(ammeter, 3)
        there.control.ask(type="trouble", instrument="ammeter", kind="closed")
        with pytest.raises(LinkLost):
            gather(ammeter, 1000, 5.0)
        ammeter.close()
        with pytest.raises(PortRefused):
            ammeter.open()
        there.control.ask(type="clear", instrument="ammeter")
        time.sleep(0.2)
        ammeter.open()
        assert gather(ammeter, 2)


def test_queries_are_answered_at_once_while_the_physics_compute(running: Running) -> None:
    with running(time_scale=30.0, fault="bias-runaway") as there:
        there.source().set_voltage(60.0)
        _, host, port, _ = there.spawned.ready.connections["bench-meter"].split("::")
        taken_ms = []
        with socket.create_connection((host, int(port))) as link:
            link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            for _ in range(400):
                start_ns = time.perf_counter_ns()
                link.sendall(b"FETC?\n")
                link.recv(4096)
                taken_ms.append((time.perf_counter_ns() - start_ns) * 1e-6)
        taken_ms.sort()
        # loopback and two processes on a shared machine: the middle tells what the server does
        assert taken_ms[200] < 1.0
        assert there.control.ask(type="status")["behind_s"] < 0.5


def test_the_bench_file_says_only_what_a_technician_knows(running: Running) -> None:
    with running(fault="shorted-device", meters="digitiser", lamp_w=100.0, time_scale=2.0) as there:
        text = there.spawned.bench_path.read_text()
        assert "shorted" not in text
        assert there.bench.lamp_w == 100.0
        assert there.bench.simulated is not None
        assert there.bench.simulated.time_scale == 2.0
        assert there.bench.simulated.control == there.spawned.ready.control
        source = there.bench.playing(Role.SOURCE)
        assert source is not None
        assert (source.sheet.rated_current_a, source.sheet.rated_voltage_v) == (10.0, 150.0)


def test_control_line_refuses_what_can_t_be_meant(running: Running) -> None:
    with running() as there:
        for message in (
            {"type": "nonsense"},
            {"type": "trouble", "instrument": "bench-meter", "kind": "odd"},
        ):
            assert there.control.ask(**message)["type"] == "refused"
        assert "bench-meter" in there.control.ask(type="clear", instrument="other")["reason"]
        assert there.control.ask(type="instruct", text="Turn")["type"] == "refused"


def test_it_ends_when_its_input_closes_and_when_it_is_told_to() -> None:
    spawned = spawn(make_options())
    folder = spawned.bench_path.parent
    assert folder.exists()
    assert spawned.close() == 0
    assert not folder.exists()
    words = msgspec.json.encode(make_options()).decode()
    with subprocess.Popen(
        [sys.executable, "-m", "benchlog_drivers.simulated", words],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    ) as process:
        assert process.stdout is not None
        assert json.loads(process.stdout.readline())["pid"] == process.pid
        os.kill(process.pid, signal.SIGTERM)
        assert process.wait(10.0) == 0


@pytest.mark.parametrize(
    ("words", "named"),
    [
        ({"amplifier": "class-z"}, "class-ab, class-a, class-d, valve"),
        ({"fault": "gremlins"}, "rail-short"),
        ({"meters": "crystal-ball"}, "handheld"),
        ({"hand": "left"}, "sweeping"),
        ({"amplifier": "valve", "supply": "switch-mode"}, "class-ab"),
        ({"amplifier": "class-d", "fault": "bias-runaway"}, "rail-short"),
        ({"turns": 5}, "clamp"),
        ({"time_scale": 0.0}, "between"),
        ({"mains_v": 12.0}, "between"),
        ({"troubles": ("ammeter:silent",)}, "bench-meter"),
        ({"troubles": ("bench-meter:grumpy",)}, "dribbling"),
        ({"troubles": ("bench-meter:silent@1.2.3",)}, "1.2.3"),
    ],
)
def test_options_that_make_no_sense_say_what_there_is(words: dict[str, object], named: str) -> None:
    with pytest.raises(UsageError, match=named):
        make_options(**words)


def test_a_bench_file_that_can_t_be_written_is_told_in_one_sentence() -> None:
    words = msgspec.json.encode(make_options(write_bench="/no/such/folder/bench.toml")).decode()
    done = subprocess.run(
        [sys.executable, "-m", "benchlog_drivers.simulated", words],
        input=b"",
        capture_output=True,
        timeout=30.0,
        check=False,
    )
    assert done.returncode == 1
    assert b"can't be written: No such file" in done.stderr
    assert b"Traceback" not in done.stderr
    with pytest.raises(EnvironmentFault, match="did not come up"):
        spawn(make_options(write_bench="/no/such/folder/bench.toml"))
