"""The audio adaptor: ring, sample clock, gaps, refusals in words; one stream through a real sound server."""

import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).parent))

from sound_server import sound_server, why_not

from benchlog.bench.adaptor import Listening
from benchlog.bench.file import InstrumentConfig
from benchlog.model.audio import AudioInput, AudioSetup, SampleBlock, SampleGap
from benchlog.model.errors import (
    InstrumentFault,
    LinkLost,
    PortRefused,
    ProtocolFault,
    UsageError,
)
from benchlog.model.role import Role
from benchlog_drivers import registry
from benchlog_drivers.adaptors.audio import AudioAdaptor
from benchlog_drivers.adaptors.audio_clock import SampleClock
from benchlog_drivers.transports.audio import (
    Device,
    Put,
    check_channels,
    choose,
    devices_of,
    refusal,
    stable_name,
)
from benchlog_drivers.transports.audio_ring import BlockRing

RATE = 48_000
Samples = npt.NDArray[np.float32]
SETUP = AudioSetup(AudioInput(2, 100.0), AudioInput(1, 400.0), rate_hz=RATE, block=480)


def config(audio: AudioSetup | None = SETUP, connection: str = "Bench Interface") -> InstrumentConfig:
    roles = (Role.SOURCE_CURRENT, Role.INLET_VOLTAGE)
    return InstrumentConfig("ears", "audio", roles, connection, audio=audio)


class Clock:
    scale = 1.0

    def __init__(self) -> None:
        self.us = 0

    def now(self) -> int:
        return self.us

    def wall(self) -> object:
        raise NotImplementedError


class Wire:
    """A line that is fed by hand."""

    def __init__(self) -> None:
        self.put: Put | None = None
        self.lost = False

    def open(self, put: Put) -> Device:
        self.put = put
        return Device(0, "Bench Interface", "ALSA", 2, 48_000.0)

    def check(self) -> None:
        if self.lost:
            raise self.gone()

    def gone(self) -> InstrumentFault:
        return LinkLost("gone")

    def close(self) -> None:
        self.put = None


class Stand:
    def __init__(self, rate_hz: float = RATE) -> None:
        self.clock, self.wire, self.seconds = Clock(), Wire(), 0.0
        self.adaptor = AudioAdaptor(config(), self.wire, self.clock, lambda: self.seconds)  # type: ignore[arg-type]
        self.adaptor.open()
        self.given = 0
        self.rate_hz = rate_hz
        self.late_us = 2000

    def give(self, count: int = 480, lost: int = 0, flagged: bool = True, adc: bool = True) -> None:
        """A block whose samples count up; ``lost`` ones before it never come."""
        self.given += lost
        numbers = np.arange(self.given, self.given + count, dtype=np.float32)
        adc_s = 5.0 + self.given / self.rate_hz if adc else 0.0
        self.given += count
        self.clock.us = round(self.given / self.rate_hz * 1e6) + self.late_us
        assert self.wire.put is not None
        self.wire.put(np.stack([numbers, -numbers], axis=1), 0, adc_s, bool(lost) and flagged, 0)


def test_it_listens_and_puts_voltage_first() -> None:
    stand = Stand()
    assert isinstance(stand.adaptor, Listening)
    stand.give()
    (block,) = stand.adaptor.listen()
    assert isinstance(block, SampleBlock)
    assert block.first == 0
    assert block.samples.shape == (480, 2)
    assert block.samples[3].tolist() == [3.0, -3.0]
    assert block.end_us == 12_000


@settings(max_examples=12, deadline=None, phases=[Phase.explicit, Phase.generate])
@given(st.lists(st.tuples(st.integers(1, 1500), st.integers(0, 3000)), min_size=1, max_size=12))
def test_whatever_is_lost_every_sample_keeps_its_number(blocks: list[tuple[int, int]]) -> None:
    stand = Stand()
    stand.give()
    for count, lost in blocks:
        stand.give(count, lost)
    at = 0
    for one in stand.adaptor.listen():
        assert one.first == at
        if isinstance(one, SampleGap):
            at += one.missing
        else:
            assert np.array_equal(one.samples[:, 0], np.arange(at, at + len(one.samples)))
            at += len(one.samples)
    assert at == stand.given
    assert stand.adaptor.missing == sum(lost for _, lost in blocks)


def test_samples_that_are_lost_without_a_word_are_found_by_the_clock() -> None:
    stand = Stand()
    found: list[SampleBlock | SampleGap] = []
    for k in range(501):
        stand.give(lost=9600 if k == 250 else 0, flagged=False)
        found += stand.adaptor.listen()
    gaps = [one for one in found if isinstance(one, SampleGap)]
    assert [gap.missing for gap in gaps] == [pytest.approx(9600, abs=5)]


def test_a_machine_that_was_held_up_has_lost_nothing() -> None:
    stand = Stand()
    for k in range(800):
        stand.late_us = 302_000 if k > 450 else 2000
        stand.give()
        assert isinstance(stand.adaptor.listen()[0], SampleBlock)
    assert stand.adaptor.gaps == 0


def test_a_program_that_was_held_up_goes_on_with_what_is_new() -> None:
    stand = Stand()
    for _ in range(300):
        stand.give()
    held, *blocks = stand.adaptor.listen()
    assert isinstance(held, SampleGap)
    assert "held up" in held.reason
    assert held.missing == pytest.approx(2.5 * RATE, abs=960)
    assert all(isinstance(one, SampleBlock) for one in blocks)
    assert held.first + held.missing == blocks[0].first


def test_a_full_ring_is_a_gap_with_its_length() -> None:
    ring = BlockRing(4, 100, 1)
    for k in range(7):
        ring.put(np.full((100, 1), k, np.float32), k, 0.0, False)
    assert [block.samples[0, 0] for block in ring.take()] == [0.0, 1.0, 2.0, 3.0]
    ring.put(np.full((100, 1), 9.0, np.float32), 9, 0.0, False)
    (after,) = ring.take()
    assert after.dropped == 300
    assert ring.lost == 300


def test_silence_and_a_dead_stream_are_a_lost_link() -> None:
    stand = Stand()
    stand.give()
    stand.adaptor.listen()
    assert stand.adaptor.listen() == ()
    stand.seconds = 1.0
    with pytest.raises(LinkLost):
        stand.adaptor.listen()
    stand.wire.lost = True
    with pytest.raises(LinkLost):
        stand.adaptor.listen()


def test_away_and_back_is_one_gap_as_long_as_it_was() -> None:
    stand = Stand()
    stand.give()
    stand.adaptor.listen()
    stand.adaptor.close()
    stand.adaptor.open()
    stand.give(lost=96_000, flagged=False)
    gap, block = stand.adaptor.listen()
    assert isinstance(gap, SampleGap)
    assert gap.missing == pytest.approx(96_000, abs=100)
    assert isinstance(block, SampleBlock)
    assert block.first == gap.first + gap.missing


@pytest.mark.parametrize("ppm", [-120.0, 0.0, 40.0])
def test_drift_against_the_machines_clock(ppm: float) -> None:
    random = np.random.default_rng(8)
    clock = SampleClock(RATE)
    for k in range(1, 3000):
        end = 480 * k
        true_s = end / RATE * (1.0 + ppm * 1e-6)
        assert clock.hear(end, round((true_s + 0.004 + random.exponential(0.002)) * 1e6)) == 0
    found = clock.drift()
    assert found is not None
    assert found[0] == pytest.approx(ppm, abs=max(found[1], 3.0))
    assert found[1] < 20.0


def test_a_device_that_runs_at_another_rate_is_told() -> None:
    stand = Stand(rate_hz=44_100)
    with pytest.raises(ProtocolFault, match=r"44\d\d\d samples a second come where 48000"):
        for _ in range(20 * 100):
            stand.give(441)
            stand.adaptor.listen()


def test_names_stay_when_a_card_gets_another_number() -> None:
    assert stable_name("USB Box: Audio (hw:2,0)") == "USB Box: Audio"
    listed = [
        {
            "name": "USB Box: Audio (hw:1,0)",
            "hostapi": 0,
            "max_input_channels": 2,
            "default_samplerate": 48e3,
        },
        {"name": "Loudspeakers", "hostapi": 0, "max_input_channels": 0, "default_samplerate": 48e3},
        {"name": "USB Box: Audio", "hostapi": 1, "max_input_channels": 2, "default_samplerate": 44.1e3},
    ]
    found = devices_of(listed, [{"name": "MME"}, {"name": "Windows WASAPI"}])
    assert [device.index for device in found] == [2, 0]
    assert choose(found, "USB Box: Audio (hw:7,0)").index == 2
    assert choose(found, "MME: USB Box: Audio").index == 0
    assert choose(found, "usb box").index == 2
    with pytest.raises(PortRefused, match=r"is not there\. Inputs that are there: USB Box: Audio"):
        choose(found, "Other")
    with pytest.raises(PortRefused, match="none at all"):
        choose((), "Other")


@pytest.mark.parametrize(
    ("code", "says"),
    [
        (-9985, "busy: another program has it"),
        (-9997, "rate_hz = 44100"),
        (-9998, "not give as many inputs"),
        (-9996, "not there any more"),
        (-9999, "can't be opened: odd"),
    ],
)
def test_refusals_in_words(code: int, says: str) -> None:
    device = Device(0, "Box", "ALSA", 2, 44_100.0)
    assert says in str(refusal(device, RATE, code, "odd"))


def test_mono_is_refused() -> None:
    with pytest.raises(PortRefused, match=r"one input \(mono\).*one clock"):
        check_channels(Device(0, "Box", "ALSA", 1, 48_000.0), 2)


@pytest.mark.parametrize(
    ("made", "says"),
    [
        (config(None), r"\[instrument.audio\]"),
        (config(connection=""), "names no device"),
        (config(AudioSetup(AudioInput(1, 1.0), AudioInput(1, 1.0))), "an input each"),
        (config(AudioSetup(AudioInput(1, 0.0), AudioInput(2, 1.0))), "above zero"),
        (config(AudioSetup(AudioInput(1, 1.0), AudioInput(2, 1.0), rate_hz=9)), "can't be meant"),
    ],
)
def test_a_bench_file_that_does_not_say_enough(made: InstrumentConfig, says: str) -> None:
    with pytest.raises(UsageError, match=says):
        registry.make(made, Clock())  # type: ignore[arg-type]


SERVER = pytest.mark.skipif(bool(why_not()), reason=why_not() or "there is a sound server")


@SERVER
@pytest.mark.alone
def test_a_stream_through_a_sound_server(tmp_path: Path) -> None:
    """In a process of its own: the sound library keeps its environment for good."""
    child = Path(__file__).parent / "sound_stream.py"
    with sound_server(tmp_path) as server:
        words = [
            sys.executable,
            str(child),
            "--samples",
            "36000",
            "--seconds",
            "30",
            "--folder",
            str(tmp_path),
        ]
        environment = {**os.environ, **server.environment}
        done = subprocess.run(words, env=environment, capture_output=True, timeout=60, check=False)
    assert done.returncode == 0, done.stderr.decode()
    found = json.loads(done.stdout)
    assert found["identity"] == "ALSA: bench_in"
    assert found["exact"] >= 36_000, found
    assert found["joined"] == 0, found
