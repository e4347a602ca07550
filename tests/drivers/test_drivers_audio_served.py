"""The simulated audio interface over TCP: samples, troubles as gaps, a real interface's refusals."""

import time
from collections.abc import Callable, Iterator

import msgspec
import numpy as np
import numpy.typing as npt
import pytest

from benchlog.bench.file import InstrumentConfig
from benchlog.model.audio import AudioSetup, SampleBlock, SampleGap
from benchlog.model.clock import RealClock
from benchlog.model.errors import LinkLost, PortRefused, UsageError
from benchlog.model.role import Role
from benchlog.model.wave import Waveform
from benchlog_drivers import registry
from benchlog_drivers.adaptors.audio import AudioAdaptor
from benchlog_drivers.simulated.feed import SoundFeed, stated_inputs
from benchlog_drivers.simulated.link import Outlet
from benchlog_drivers.simulated.make import make_bench
from benchlog_drivers.simulated.options import make_options
from benchlog_drivers.simulated.sound_server import SoundServer
from benchlog_drivers.simulated.trouble import TroubleBox, parse_trouble

RATE, BLOCK = 48_000, 480
SETUP = stated_inputs(RATE, 50.0)


class Served:
    """A feed behind a server, given a 50 Hz sine a block at a time."""

    def __init__(self, *troubles: str) -> None:
        self.box = TroubleBox(tuple(parse_trouble(one) for one in troubles))
        self.feed = SoundFeed(RATE, 3, self.box)
        self.server = SoundServer("ears", self.feed, Outlet(self.box, lambda: self.given / RATE))
        self.given = 0
        self.server.start()
        self.adaptors: list[AudioAdaptor] = []

    def adaptor(self, audio: AudioSetup = SETUP) -> AudioAdaptor:
        roles = (Role.SOURCE_CURRENT, Role.INLET_VOLTAGE)
        config = InstrumentConfig("ears", "audio", roles, self.server.connection(), audio=audio)
        made = registry.make(config, RealClock())
        assert isinstance(made, AudioAdaptor)
        self.adaptors.append(made)
        return made

    def give(self, blocks: int = 1) -> None:
        for _ in range(blocks):
            t = (self.given + np.arange(1, BLOCK + 1)) / RATE
            self.given += BLOCK
            v = 300.0 * np.sin(2.0 * np.pi * 50.0 * t)
            self.feed.take(Waveform(v, 0.1 * v, RATE))

    def close(self) -> None:
        for one in self.adaptors:
            one.close()
        self.server.stop()


@pytest.fixture
def serve() -> Iterator[Callable[..., Served]]:
    made: list[Served] = []

    def begin(*troubles: str) -> Served:
        made.append(Served(*troubles))
        return made[-1]

    yield begin
    for one in made:
        one.close()


def hear(adaptor: AudioAdaptor, count: int) -> list[SampleBlock | SampleGap]:
    found: list[SampleBlock | SampleGap] = []
    until = time.monotonic() + 20.0
    while sum(len(one.samples) for one in found if isinstance(one, SampleBlock)) < count:
        assert time.monotonic() < until, "the samples did not come"
        found += adaptor.listen()
    return found


def test_every_sample_comes_once_and_in_order(serve: Callable[..., Served]) -> None:
    served = serve()
    adaptor = served.adaptor()
    assert adaptor.open().description == "simulated: simulated interface (invented)"
    served.give(100)
    found = hear(adaptor, 100 * BLOCK - 8)
    assert all(isinstance(one, SampleBlock) for one in found)
    blocks = [one.samples for one in found if isinstance(one, SampleBlock)]
    samples: npt.NDArray[np.float32] = np.concatenate(blocks)
    late = samples[-20 * 960 :].astype(np.float64)
    assert np.sqrt(2.0) * late[:, 0].std() * 400.0 == pytest.approx(300.0, rel=0.02)  # 3 Hz corner: −0.2 %
    assert np.sqrt(2.0) * late[:, 1].std() * 100.0 == pytest.approx(30.0, rel=0.03)
    assert np.abs(np.diff(samples[:, 0])).max() < 1.1 * 2.0 * np.pi * 50.0 / RATE * 0.75
    assert adaptor.gaps == 0


def test_a_silence_is_a_gap_as_long_as_it_was(serve: Callable[..., Served]) -> None:
    served = serve("ears:silent@0.5+0.25")
    adaptor = served.adaptor()
    adaptor.open()
    served.give(100)
    gaps = [one for one in hear(adaptor, 70 * BLOCK) if isinstance(one, SampleGap)]
    assert [gap.missing for gap in gaps] == [pytest.approx(0.25 * RATE, abs=2 * BLOCK)]


def test_it_serves_one_program_at_a_time_and_the_next_once_that_has_gone(
    serve: Callable[..., Served],
) -> None:
    served = serve()
    first, second = served.adaptor(), served.adaptor()
    first.open()
    with pytest.raises(PortRefused, match="busy: another program has it"):
        second.open()
    first.close()
    until = time.monotonic() + 20.0
    while True:
        try:
            second.open()
            break
        except PortRefused:
            assert time.monotonic() < until
    served.give(4)
    assert hear(second, BLOCK)


def test_another_rate_and_a_missing_input_are_refused_in_words(serve: Callable[..., Served]) -> None:
    served = serve()
    slower = msgspec.structs.replace(SETUP, rate_hz=44_100)
    with pytest.raises(PortRefused, match=r"does not run at 44100.*write rate_hz = 48000"):
        served.adaptor(slower).open()
    third = msgspec.structs.replace(SETUP, current=msgspec.structs.replace(SETUP.current, channel=3))
    with pytest.raises(PortRefused, match=r"has 2 inputs, and input 3 is asked for"):
        served.adaptor(third).open()


def test_a_server_that_ends_is_a_lost_link_and_one_that_is_not_there_is_told(
    serve: Callable[..., Served],
) -> None:
    served = serve()
    adaptor = served.adaptor()
    adaptor.open()
    served.give(4)
    hear(adaptor, BLOCK)
    served.server.stop()
    with pytest.raises(LinkLost, match="stream has ended"):
        for _ in range(2000):
            adaptor.listen()
    with pytest.raises(PortRefused, match="Start the simulated bench"):
        adaptor.open()
    with pytest.raises(UsageError, match="socket://HOST:PORT"):
        registry.make(InstrumentConfig("ears", "audio", (), "socket://nowhere", audio=SETUP), RealClock())


def test_traces_join_whatever_pieces_they_are_taken_in() -> None:
    options = make_options(meters="audio", seed=2)
    whole, pieces = (make_bench(options, served=True).physics for _ in range(2))
    for unit in (whole, pieces):
        unit.set_source(60.0, True, 0.0)
    expected = whole.trace(1.5)
    random, found, left_s = np.random.default_rng(4), [], 1.5
    while left_s > 0.0:
        piece_s = min(left_s, float(random.uniform(0.0002, 0.02)))
        found.append(pieces.trace(piece_s))
        left_s -= piece_s
    i_a, v_v = (np.concatenate(x) for x in zip(*((one.i_a, one.v_v) for one in found), strict=True))
    assert np.array_equal(v_v, expected.v_v)
    assert i_a == pytest.approx(expected.i_a, abs=1e-3 * float(np.abs(expected.i_a).max()))
    assert np.abs(np.diff(v_v)).max() < 1.05 * 85.0 * 2.0 * np.pi / 256
    assert expected.rate_hz == pytest.approx(256 * 60.0)


def test_a_bench_that_is_heard_gives_its_other_meters_their_readings() -> None:
    made = make_bench(make_options(meters="audio", seed=2), served=True)
    assert made.bench.source is not None and made.bench.sound is not None
    made.bench.source.set_voltage(24.0, 0.0)
    made.bench.source.switch(True, 0.0)
    finished = made.bench.advance(0.4)
    assert {one.instrument for one in finished} == {"bench-meter"}
    assert made.bench.witness.inlet_v == pytest.approx(24.0, rel=0.05)
