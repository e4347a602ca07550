"""Waveform capture: blocks and preambles, and the whole way over a socket."""

import struct
import threading
import time

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlog.bench.adaptor import Capture
from benchlog.bench.file import InstrumentConfig
from benchlog.model.clock import RealClock
from benchlog.model.errors import InstrumentTimeout, ProtocolFault
from benchlog.model.role import Role
from benchlog_drivers import registry
from benchlog_drivers.adaptors.digitiser import Digitiser
from benchlog_drivers.codecs.block import parse_preamble, samples, scaled_samples, take_block


@given(st.binary(max_size=2000), st.binary(max_size=20))
def test_a_definite_block_comes_back_whatever_is_in_it(content: bytes, behind: bytes) -> None:
    length = str(len(content))
    sent = b"#%d%s" % (len(length), length.encode()) + content + b"\n"
    assert take_block(sent + behind) == (len(sent), content)
    for cut in (1, 2, len(sent) // 2, len(sent) - 1):
        assert take_block(sent[:cut]) == (0, None)


def test_forms_of_the_standard() -> None:
    # IEEE 488.2-1992, 8.7.9 (definite) and 8.7.10 (indefinite length)
    assert take_block(b"#15ABCDE\n") == (9, b"ABCDE")
    assert take_block(b"#0ABCDE\n") == (0, None), "the line feed may be one of its bytes"
    assert take_block(b"#0ABCDE\n", is_over=True) == (8, b"ABCDE")
    assert take_block(b"#0ABCDE", is_over=True) == (0, None)
    assert take_block(b"#15ABCDE", is_over=True) == (8, b"ABCDE")
    assert take_block(b"1,2,3\r\n", b"\n") == (7, b"1,2,3")
    assert take_block(b"#1x") == (0, None)


@pytest.mark.parametrize(("code", "form"), [("int8", "b"), ("int16", "h"), ("float32", "f")])
@pytest.mark.parametrize("little", [True, False])
def test_samples_in_every_form(code: str, form: str, little: bool) -> None:
    values = [0, 1, -1, 100, -128]
    packed = struct.pack(("<" if little else ">") + form * len(values), *values)
    found = samples(packed, code, little)
    assert found is not None
    assert found.tolist() == values
    assert samples(packed[:-1] if form != "b" else b"", code, little) is None


def test_lists_are_strict_and_no_number_is_no_waveform() -> None:
    found = samples(b"1.5,-2E-3, 7", "ascii", False)
    assert found is not None
    assert found.tolist() == [1.5, -0.002, 7.0]
    assert samples(b"1.5,nan", "ascii", False) is None
    assert samples(struct.pack(">2f", 1.0, float("nan")), "float32", False) is None


def test_the_preamble_scales() -> None:
    preamble = parse_preamble("4,1E-4,0.5,10,2", ("points", "interval_s", "scale", "offset", "reference"))
    assert preamble is not None
    assert scaled_samples(np.array([2.0, 3.0, 0.0]), preamble).tolist() == [10.0, 10.5, 9.0]
    assert parse_preamble("4,1E-4,0.5", ("points", "interval_s", "scale", "offset", "reference")) is None
    assert parse_preamble("4,x,1,0,0", ("points", "interval_s", "scale", "offset", "reference")) is None


POINTS = 50_000


@pytest.fixture
def digitiser(scpi_peer, clock: RealClock):
    """The peer with the words of the shipped dialect put on; both channels hold a known sine."""
    t = np.arange(POINTS) / 20_000.0
    raw = np.round(20_000.0 * np.sin(2.0 * np.pi * 50.0 * t)).astype(">i2").tobytes()
    armed = threading.Event()
    plain = scpi_peer._word

    def word(unit: str) -> str | None:
        if unit in ("ABOR", "INIT"):
            (armed.clear if unit == "ABOR" else armed.set)()
            return None
        if unit == "STAT:OPER:COND?":
            return "32" if armed.is_set() else "0"
        if unit.startswith("WAV:PRE?"):
            return f"{POINTS},5E-5,{'1E-4' if unit.endswith('1') else '2E-4'},0,0"
        if unit.startswith("WAV:DATA?"):
            return "BLOCK"
        return plain(unit)

    scpi_peer._word = word
    head = b"#6%06d" % len(raw)
    scpi_peer.trouble = lambda query, reply: head + raw + b"\n" if reply == b"BLOCK\n" else reply
    made = registry.make(
        InstrumentConfig(
            name="digitiser", adaptor="digitiser", roles=(Role.WAVEFORM,), connection=scpi_peer.resource,
            profile="simulated-digitiser", timeout_s=0.2,
        ),
        clock,
    )  # fmt: skip
    assert isinstance(made, Digitiser)
    assert isinstance(made, Capture)
    made.open()
    made.armed = armed
    yield made
    made.close()


def test_armed_triggered_and_fetched(digitiser) -> None:
    digitiser.arm()
    assert not digitiser.done()
    threading.Timer(0.05, digitiser.armed.clear).start()
    assert digitiser.wait(2.0)
    wave = digitiser.fetch()
    assert (wave.v_v.size, wave.i_a.size, wave.rate_hz) == (POINTS, POINTS, pytest.approx(20_000.0))
    # 20000 counts × 1e-4 × 100 V and × 2e-4 × 10 A
    assert wave.v_v.max() == pytest.approx(200.0)
    assert wave.i_a.max() == pytest.approx(40.0)


def test_it_can_be_cancelled_and_gives_up_in_time(digitiser) -> None:
    digitiser.arm()
    begun = time.monotonic()
    assert not digitiser.wait(0.1)
    assert time.monotonic() - begun < 0.5
    assert digitiser.done(), "disarmed"
    digitiser.arm()
    assert not digitiser.wait(5.0, lambda: True)


def test_half_a_waveform_is_none(digitiser, scpi_peer, monkeypatch) -> None:
    whole = scpi_peer.trouble
    scpi_peer.trouble = lambda query, reply: whole(query, reply)[:40_000]
    monkeypatch.setattr("benchlog_drivers.adaptors.digitiser._FETCH_S", 0.2)
    with pytest.raises(InstrumentTimeout, match="did not come whole"):
        digitiser.fetch()
    scpi_peer.trouble = whole
    assert digitiser.fetch().v_v.size == POINTS, "the line was found again"


def test_a_waveform_that_is_not_what_its_preamble_says_is_refused(digitiser, scpi_peer) -> None:
    whole = scpi_peer.trouble
    scpi_peer.trouble = lambda query, reply: b"#14abcd\n" if reply == b"BLOCK\n" else whole(query, reply)
    with pytest.raises(ProtocolFault, match="not what its preamble says"):
        digitiser.fetch()
