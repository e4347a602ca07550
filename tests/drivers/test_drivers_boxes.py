"""Contactors and digitiser among the practice instruments, with every trouble that can strike them."""

import time
from collections.abc import Callable, Iterator

import numpy as np
import pytest

from benchlog.bench.adaptor import Capture, Contactor, Openable
from benchlog.bench.file import InstrumentConfig
from benchlog.model.clock import RealClock
from benchlog.model.errors import InstrumentFault, InstrumentTimeout, LinkLost, ProtocolFault, WrongInstrument
from benchlog.model.role import Role
from benchlog_drivers import registry
from benchlog_drivers.adaptors.digitiser import Digitiser
from benchlog_drivers.practice.boxes import PracticeBox, PracticeContactor, PracticeDigitiser
from benchlog_drivers.practice.run import PracticeOptions, practice_instrument
from benchlog_drivers.simulated.trouble import Ordered, Trouble

CONTACTORS = ("simulated-contactor-line", "simulated-contactor-scpi", "simulated-contactor-modbus")
TIMEOUT_S = 0.2


def made(box: PracticeBox, profile: str, adaptor: str, role: Role, clock: RealClock) -> object:
    return registry.make(
        InstrumentConfig(
            name="box", adaptor=adaptor, roles=(role,), connection=box.connection, profile=profile,
            timeout_s=TIMEOUT_S,
        ),
        clock,
    )  # fmt: skip


def within(seconds: float, holds: Callable[[], bool]) -> bool:
    until = time.monotonic() + seconds
    while not holds() and time.monotonic() < until:
        time.sleep(0.002)
    return holds()


# ---- contactors --------------------------------------------------------------------------------------

pytestmark = pytest.mark.filterwarnings(
    "ignore:set(Daemon|Name):DeprecationWarning"
)  # pyserial 3.5, RFC 2217


@pytest.fixture(params=CONTACTORS)
def contactor(request: pytest.FixtureRequest, clock: RealClock) -> Iterator[tuple[PracticeContactor, object]]:
    box = practice_instrument(PracticeOptions(request.param))
    assert isinstance(box, PracticeContactor)
    box.start()
    adaptor = made(box, request.param, "contactor", Role.CUT_OFF, clock)
    assert isinstance(adaptor, Openable)
    adaptor.open()
    yield box, adaptor
    adaptor.close()
    box.stop()


def beaten(adaptor: object, seconds: float) -> InstrumentFault | None:
    """Beat ten times a second; the fault that ended it."""
    assert isinstance(adaptor, Contactor)
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        try:
            adaptor.beat()
        except InstrumentFault as fault:
            return fault
        time.sleep(0.1)
    return None


def test_beats_hold_it_in_and_silence_drops_it(contactor) -> None:
    box, adaptor = contactor
    assert beaten(adaptor, 0.35) is None
    assert within(0.5, lambda: box.is_closed)
    assert within(2.0, lambda: not box.is_closed), "no beat came"
    adaptor.beat()
    assert not box.is_closed, "it is armed by hand"


def test_it_drops_at_once_when_told(contactor) -> None:
    box, adaptor = contactor
    assert beaten(adaptor, 0.25) is None
    assert within(0.5, lambda: box.is_closed)
    dropped = time.monotonic()
    adaptor.drop()
    assert within(1.0, lambda: not box.is_closed)
    if not isinstance(adaptor, registry_line_contactor()):
        assert time.monotonic() - dropped < 0.4, "sooner than its timer"


def registry_line_contactor() -> type:
    from benchlog_drivers.adaptors.contactor import LineContactor

    return LineContactor


@pytest.mark.parametrize("kind", [Trouble.SILENT, Trouble.CLOSED, Trouble.RESET])
def test_a_box_that_is_not_reached_drops_by_itself(contactor, kind: Trouble) -> None:
    box, adaptor = contactor
    beaten(adaptor, 0.25)
    assert within(0.5, lambda: box.is_closed)
    box.troubles.order(Ordered("practice", kind))
    fault = beaten(adaptor, 1.0)
    assert fault is None or isinstance(fault, LinkLost | InstrumentTimeout)
    assert within(2.0, lambda: not box.is_closed)


def test_another_relay_after_a_reconnect_is_found_out(clock: RealClock) -> None:
    box = practice_instrument(PracticeOptions("simulated-contactor-scpi"))
    box.start()
    adaptor = made(box, "simulated-contactor-scpi", "contactor", Role.CUT_OFF, clock)
    assert isinstance(adaptor, Openable)
    adaptor.open()
    box.troubles.order(Ordered("practice", Trouble.WRONG_INSTRUMENT))
    with pytest.raises(WrongInstrument, match="was there before"):
        adaptor.open()
    adaptor.close()
    box.stop()


# ---- digitiser ---------------------------------------------------------------------------------------


@pytest.fixture
def digitiser(clock: RealClock) -> Iterator[tuple[PracticeDigitiser, Digitiser]]:
    box = practice_instrument(PracticeOptions("simulated-digitiser"))
    assert isinstance(box, PracticeDigitiser)
    box.start()
    adaptor = made(box, "simulated-digitiser", "digitiser", Role.WAVEFORM, clock)
    assert isinstance(adaptor, Digitiser)
    assert isinstance(adaptor, Capture)
    adaptor.open()
    yield box, adaptor
    adaptor.close()
    box.stop()


def test_the_inrush_of_a_switch_on_is_captured(digitiser) -> None:
    _, adaptor = digitiser
    adaptor.arm()
    assert not adaptor.done()
    assert adaptor.wait(5.0)
    wave = adaptor.fetch()
    # 0.4 + 30·exp(-t/0.04) A at the first peak of 60 Hz, 4.17 ms: 27.4 A; 170 V peak
    assert np.abs(wave.i_a).max() == pytest.approx(27.4, rel=0.03)
    assert wave.v_v.max() == pytest.approx(170.0, rel=0.02)


def is_open(adaptor: Digitiser) -> bool:
    try:
        adaptor.open()
    except InstrumentFault:
        return False
    return True


@pytest.mark.parametrize(
    ("kind", "faults"),
    [
        (Trouble.SILENT, (InstrumentTimeout,)),
        (Trouble.LATE, (InstrumentTimeout,)),
        (Trouble.HALF_A_REPLY, (InstrumentTimeout, ProtocolFault)),
        (Trouble.GARBAGE, (InstrumentTimeout, ProtocolFault)),
        (Trouble.CLOSED, (LinkLost,)),
        (Trouble.RESET, (LinkLost,)),
    ],
)
def test_trouble_gives_no_waveform_and_the_next_is_right(
    digitiser, kind: Trouble, faults: tuple[type[InstrumentFault], ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("benchlog_drivers.adaptors.digitiser._FETCH_S", 1.0)
    box, adaptor = digitiser
    adaptor.arm()
    assert adaptor.wait(5.0)
    before = adaptor.fetch()
    box.troubles.order(Ordered("practice", kind, delay_s=0.3 if kind is Trouble.LATE else None))
    with pytest.raises(faults):
        within(1.0, lambda: not adaptor.done() and adaptor.fetch() is None)
        adaptor.fetch()
    box.troubles.clear()
    assert within(10.0, lambda: is_open(adaptor)), "a server that was closed listens again"
    again = adaptor.fetch()
    assert np.array_equal(again.i_a, before.i_a), "whole, and the same record"


@pytest.mark.parametrize("kind", [Trouble.SLOW, Trouble.DRIBBLING])
def test_slow_and_dribbling_answers_are_right_or_none(digitiser, kind: Trouble) -> None:
    box, adaptor = digitiser
    adaptor.arm()
    assert adaptor.wait(5.0)
    box.troubles.order(Ordered("practice", kind, delay_s=0.02))
    begun = time.monotonic()
    try:
        assert adaptor.done()
    except InstrumentTimeout:
        assert kind is Trouble.DRIBBLING
    assert time.monotonic() - begun < 10.0 * TIMEOUT_S
    box.troubles.clear()
    assert adaptor.fetch().i_a.size > 1000
