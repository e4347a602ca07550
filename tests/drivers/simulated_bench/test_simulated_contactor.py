"""The cut-off contactor: the box, and its modem-control line through pyserial's own RFC 2217 client."""

import time
from collections.abc import Callable
from contextlib import AbstractContextManager
from typing import Any

import pytest
import serial
from hypothesis import given
from hypothesis import strategies as st

from benchlog.model.role import Role
from benchlog_drivers.simulated.contactor import SimulatedContactor
from benchlog_drivers.simulated.modem import DO, IAC, SB, SE, WILL, ModemTalk

pytestmark = pytest.mark.alone


def test_it_holds_while_beats_come_and_drops_on_silence() -> None:
    box = SimulatedContactor(0.5)
    assert not box.is_closed(0.0)
    for k in range(50):
        box.beat(0.1 * k)
        assert box.is_closed(0.1 * k + 0.09)
    assert box.is_closed(4.9 + 0.49)
    assert not box.is_closed(4.9 + 0.51)


def test_once_dropped_it_stays_out_until_it_is_armed_by_hand() -> None:
    box = SimulatedContactor(0.5)
    box.beat(0.0)
    box.beat(1.0)
    assert not box.is_closed(1.01)
    box.beat(1.1)
    assert not box.is_closed(1.11)
    box.rearm(2.0)
    assert not box.is_closed(2.0)
    box.beat(2.1)
    assert box.is_closed(2.2)
    box.drop(2.3)
    box.beat(2.35)
    assert not box.is_closed(2.36)


def test_modem_lines_are_told_and_acknowledged() -> None:
    # RFC 2217, section 3: SET-CONTROL 8 DTR on, 9 off, 11 RTS on, 12 off; the server answers command + 100
    told: list[tuple[str, bool]] = []
    sent = bytearray()
    talk = ModemTalk(lambda name, state: told.append((name, state)))
    for value in (8, 9, 11, 12):
        talk.take(bytes([IAC, SB, 44, 5, value, IAC, SE]), sent.extend)
    assert told == [("dtr", True), ("dtr", False), ("rts", True), ("rts", False)]
    assert bytes([IAC, SB, 44, 105, 9, IAC, SE]) in sent


def test_options_it_does_not_know_are_refused_once() -> None:
    # RFC 855: an option is refused by WONT or DONT; no acknowledgement of an acknowledgement (RFC 854)
    sent = bytearray()
    talk = ModemTalk(lambda name, state: None)
    for _ in range(3):
        talk.take(bytes([IAC, WILL, 44, IAC, DO, 1]), sent.extend)
    assert bytes(sent) == bytes([IAC, DO, 44, IAC, 252, 1])


@given(st.binary(max_size=200), st.integers(1, 7))
def test_no_bytes_make_it_fail(data: bytes, cut: int) -> None:
    whole, pieces = bytearray(), bytearray()
    first, second = (ModemTalk(lambda name, state: None) for _ in range(2))
    first.take(data, whole.extend)
    for k in range(0, len(data), cut):
        second.take(data[k : k + cut], pieces.extend)
    assert whole == pieces


@pytest.mark.filterwarnings("ignore:set(Daemon|Name):DeprecationWarning")  # inside pyserial's client
def test_a_heartbeat_on_rts_holds_the_source_in_and_silence_takes_it_away(
    running: Callable[..., AbstractContextManager[Any]],
) -> None:
    with running(contactor="line") as there:
        entry = there.bench.playing(Role.CUT_OFF)
        assert entry is not None
        source = there.source()
        source.set_voltage(60.0)
        source.output(True)
        assert there.control.ask(type="status")["contactor_closed"] is False
        with serial.serial_for_url(entry.connection, timeout=1.0) as port:
            for k in range(8):
                port.rts = bool(k % 2)
                time.sleep(0.05)
            seen = there.control.ask(type="status")
            assert seen["contactor_closed"] is True
            assert seen["inlet_v"] > 50.0
            last_ns = time.monotonic_ns()
            port.rts = False
            time.sleep(0.7)
            seen = there.control.ask(type="status")
            assert seen["contactor_closed"] is False
            assert (seen["zero_voltage_ns"] - last_ns) * 1e-9 == pytest.approx(0.5, abs=0.1)
            assert seen["inlet_v"] == 0.0
            assert seen["source_on"] is True
            port.rts = True
            assert there.control.ask(type="status")["contactor_closed"] is False
            assert there.control.ask(type="rearm") == {"type": "done"}
            port.rts = False
            time.sleep(0.1)
            assert there.control.ask(type="status")["contactor_closed"] is True
