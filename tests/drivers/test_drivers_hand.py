"""The dial of a hand-set source, and readings typed by the technician."""

import json
import socket
import threading
import time

import pytest

from benchlog.bench.adaptor import Dial
from benchlog.bench.file import InstrumentConfig
from benchlog.model.clock import RealClock
from benchlog.model.errors import UsageError
from benchlog.model.instrument import MeterSheet
from benchlog.model.quantity import Quantity
from benchlog.model.reading import Measured, Status, Unusable
from benchlog.model.role import Role
from benchlog_drivers import registry
from benchlog_drivers.adaptors.hand_set import HandSet
from benchlog_drivers.adaptors.typed import TypedMeter


class Control:
    """The control line of a simulated bench: keeps what it is told."""

    def __init__(self) -> None:
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._listener.getsockname()[1])
        self.told: list[dict[str, object]] = []
        self._connection: socket.socket | None = None
        self._thread = threading.Thread(target=self._work)
        self._thread.start()

    def _work(self) -> None:
        while True:
            try:
                self._connection, _ = self._listener.accept()
                with self._connection.makefile("rb") as lines:
                    self.told += [json.loads(line) for line in iter(lines.readline, b"")]
                self._connection.close()
            except OSError:
                return

    def close(self) -> None:
        self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        self._thread.join(5)


def hand(connection: str, clock: RealClock) -> HandSet:
    made = registry.make(
        InstrumentConfig(name="dial", adaptor="hand-set", roles=(Role.SOURCE,), connection=connection), clock
    )
    assert isinstance(made, HandSet)
    assert isinstance(made, Dial)
    return made


def test_a_simulated_hand_is_told_in_json_lines(clock: RealClock) -> None:
    control = Control()
    dial = hand(f"127.0.0.1:{control.port}", clock)
    dial.open()
    dial.instruct("Turn to 12 V.", 12.0, False)
    dial.instruct("Bench switch off. Dial to zero. Unplug.", 0.0, True)
    dial.close()
    control.close()
    assert control.told == [
        {"type": "instruct", "text": "Turn to 12 V.", "target_v": 12.0, "urgent": False},
        {
            "type": "instruct",
            "text": "Bench switch off. Dial to zero. Unplug.",
            "target_v": 0.0,
            "urgent": True,
        },
    ]


@pytest.mark.parametrize("connection", ["", "127.0.0.1:1"])
def test_without_a_simulated_hand_nothing_is_raised_and_nobody_waits(
    clock: RealClock, connection: str
) -> None:
    dial = hand(connection, clock)
    dial.open()
    begun = time.monotonic()
    dial.instruct("Turn to 12 V.", 12.0, False)
    assert time.monotonic() - begun < 0.5
    dial.close()


def test_a_connection_that_is_no_address_is_refused(clock: RealClock) -> None:
    with pytest.raises(UsageError, match="is not host:port"):
        hand("nonsense", clock)


def typed_meter(clock: RealClock, role: Role = Role.PROBE, profile: str = "", turns: int = 1) -> TypedMeter:
    made = registry.make(
        InstrumentConfig(
            name="typed", adaptor="typed", roles=(role,), profile=profile, sheet=MeterSheet(turns=turns)
        ),
        clock,
    )
    assert isinstance(made, TypedMeter)
    made.open()
    return made


def test_typed_readings_become_readings(clock: RealClock) -> None:
    meter = typed_meter(clock)
    assert list(meter.read()) == []
    meter.enter("7R6")
    meter.enter("220u", Quantity.CAPACITANCE)
    meter.enter("OL")
    first, second, third = (meter.read()[0] for _ in range(3))
    assert isinstance(first, Measured)
    assert isinstance(second, Measured)
    assert (first.value, first.channel.quantity, first.setting.note) == (7.6, Quantity.RESISTANCE, "typed")
    assert (second.value, second.channel.quantity) == (220e-6, Quantity.CAPACITANCE)
    assert isinstance(third, Unusable)
    assert third.status is Status.OVERLOAD


def test_what_can_not_be_read_is_refused_and_gives_no_reading(clock: RealClock) -> None:
    meter = typed_meter(clock)
    with pytest.raises(UsageError):
        meter.enter("7.6 V")
    assert list(meter.read()) == []


def test_turns_are_divided_out_of_typed_amperes_too(clock: RealClock) -> None:
    meter = typed_meter(clock, Role.SOURCE_CURRENT, turns=5)
    meter.enter("1.0")
    (reading,) = meter.read()
    assert isinstance(reading, Measured)
    assert (reading.value, reading.setting.turns) == (0.2, 5)
