"""Half-cycle readings, inrushes and waveforms out of a stream, of a bench heard by an interface."""

import itertools
import math
import threading

import numpy as np
import numpy.typing as npt
import pytest

from benchlog.bench.adaptor import Identity, Meter
from benchlog.bench.audiosheet import audio_sheet
from benchlog.bench.file import InstrumentConfig
from benchlog.model.audio import AudioInput, AudioSetup, SampleBlock, SampleGap
from benchlog.model.clock import RealClock
from benchlog.model.instrument import Accuracy, MeterSheet
from benchlog.model.quantity import Quantity
from benchlog.model.reading import Channel, Measured, Reading, Status, Unusable
from benchlog.model.role import Role
from benchlog.recorder.audio import AudioWorker, HalfCycleMeter
from benchlog_drivers.simulated.sound import SimulatedInput, SoundInterface

RATE, BLOCK = 48_000, 256
SETUP = AudioSetup(
    AudioInput(2, 100.0, 0.01, (7.0,), 0.01), AudioInput(1, 400.0, 0.01, (3.0,), 0.01), RATE, BLOCK, 50.0
)
CONFIG = InstrumentConfig(
    "ears", "audio", (Role.SOURCE_CURRENT, Role.INLET_VOLTAGE, Role.SOURCE_POWER), "Box",
    sheet=audio_sheet(SETUP), audio=SETUP,
)  # fmt: skip
Floats = npt.NDArray[np.float64]


def switch_on(seconds: float = 4.5, on_s: float = 1.0, times: float = 1.0) -> tuple[Floats, Floats]:
    t = np.arange(round(seconds * RATE)) / RATE - on_s
    v = 170.0 * np.sin(2.0 * np.pi * 50.0 * t) * (t >= 0.0)
    pulses = np.sign(v) * np.abs(v / 170.0) ** 3
    first = 30.0 * np.exp(-np.maximum(t, 0.0) / 0.03) * np.maximum(pulses, 0.0)
    return v, times * (t >= 0.0) * (first + 0.8 * pulses)


class Stream:
    """Everything at once, then nothing more."""

    audio = SETUP

    def __init__(self, v: Floats, i: Floats, **amperes: float) -> None:
        interface = SoundInterface(
            SimulatedInput(400.0, (3.0,)), SimulatedInput(100.0, (7.0,), **amperes), clock_ppm=50.0
        )  # type: ignore[arg-type]
        samples = interface.hear(v, i, RATE)
        self.left: list[SampleBlock | SampleGap] = [
            SampleBlock(at, samples[at : at + BLOCK], round((at + BLOCK) / RATE * 1e6))
            for at in range(0, len(samples) - BLOCK, BLOCK)
        ]

    def open(self) -> Identity:
        return Identity("Box")

    def close(self) -> None:
        pass

    def listen(self) -> list[SampleBlock | SampleGap]:
        some, self.left = self.left[:40], self.left[40:]
        return some


class Heard:
    def __init__(self, stream: Stream) -> None:
        self.told: list[str] = []
        self.meter = HalfCycleMeter(stream, CONFIG, 120.0, self.told.append)
        assert isinstance(self.meter, Meter)
        self.meter.open()
        self.readings: list[Reading] = []
        while stream.left:
            self.readings += self.meter.read()

    def of(self, role: Role) -> list[Reading]:
        return [one for one in self.readings if one.channel.role is role]


def test_readings_inrush_and_waveform_of_an_arrival() -> None:
    v, i = switch_on()
    heard = Heard(Stream(v, i))
    settled = [one.value for one in heard.of(Role.SOURCE_CURRENT)[-20:] if isinstance(one, Measured)]
    true_a = math.sqrt(float(np.mean(i[-RATE:] ** 2)))
    assert settled == pytest.approx([true_a] * 20, rel=0.02)
    (wave,) = heard.meter.waves
    assert len(wave.v_v) == pytest.approx(3.2 * RATE, abs=500)
    assert wave.start_us == pytest.approx(800_000, abs=12_000)
    assert wave.i_a.max() == pytest.approx(i.max(), rel=0.02)
    last = heard.meter.inrushes[-1]
    assert last.peak_a == pytest.approx(float(i.max()), rel=0.02)
    assert last.u_a is not None
    assert abs(last.peak_a - float(i.max())) <= last.u_a
    assert not last.lower_bound
    true_a2s = float(np.sum(i[RATE : RATE + round(0.16 * RATE)] ** 2)) / RATE
    assert last.i2t_a2s == pytest.approx(true_a2s, rel=0.03)
    early = heard.meter.inrushes[:-1]
    assert early
    assert early[0].i2t_a2s > 0.5 * true_a2s  # told within the first half cycles
    assert heard.told == []


def test_readings_are_half_cycles_one_after_another() -> None:
    heard = Heard(Stream(*switch_on(2.0)))
    found = heard.of(Role.SOURCE_CURRENT)
    assert 95 <= len(found) / 2.0 <= 105
    late = found[-40:]
    assert all(abs(a.end_us - b.start_us) <= 2 for a, b in itertools.pairwise(late))
    assert all(9_900 <= one.end_us - one.start_us <= 10_100 for one in late)
    assert len({one.setting for one in found}) == 1


def test_readings_keep_their_order_while_the_clock_is_corrected() -> None:
    stream, random = Stream(*switch_on(1.5)), np.random.default_rng(2)
    stream.left = [
        SampleBlock(one.first, one.samples, one.end_us + int(random.integers(-9_000, 9_000)))
        for one in stream.left
        if isinstance(one, SampleBlock)
    ]
    found = Heard(stream).of(Role.SOURCE_CURRENT)
    assert all(a.end_us <= b.start_us < b.end_us for a, b in itertools.pairwise(found))


def test_a_gap_gives_up_what_was_under_way_and_is_told() -> None:
    stream = Stream(*switch_on(2.0))
    lost = stream.left[200]
    assert isinstance(lost, SampleBlock)
    stream.left[200] = SampleGap(lost.first, BLOCK, "the sound system lost them")
    heard = Heard(stream)
    gap = range(lost.end_us - round(BLOCK / RATE * 1e6) + 30, lost.end_us - 30)
    assert not any(one.start_us in gap or one.end_us in gap for one in heard.readings)
    assert not any(one.start_us < gap[0] and one.end_us > gap[-1] for one in heard.readings)
    assert "256 samples (0.005 s) are missing" in heard.told[0]


def test_a_clipped_input_counts_as_overload() -> None:
    heard = Heard(Stream(*switch_on(times=6.0)))
    over = [one for one in heard.of(Role.SOURCE_CURRENT) if isinstance(one, Unusable)]
    assert over
    assert all(
        one.status is Status.OVERLOAD and one.setting.range == pytest.approx(70.71, rel=1e-3) for one in over
    )
    assert heard.meter.inrushes[-1].lower_bound
    assert "at full scale" in heard.told[0]


def test_a_silent_input_gives_no_readings() -> None:
    v, i = switch_on(3.0)
    heard = Heard(Stream(v, 0.0 * i, noise=0.0))
    late = heard.of(Role.SOURCE_CURRENT)[-50:]
    assert all(isinstance(one, Unusable) and one.status is Status.OPEN_LEADS for one in late)
    assert any("current is silent" in text for text in heard.told)
    assert all(isinstance(one, Measured) for one in heard.of(Role.INLET_VOLTAGE))


def test_the_sheet_of_the_inputs() -> None:
    stated = audio_sheet(SETUP).find(Quantity.AC_CURRENT)
    assert stated is not None
    assert stated.per_second == 100.0
    assert stated.reading_fraction * 2.0 / math.sqrt(3.0) == pytest.approx(0.01)
    assert stated.count == pytest.approx(1e-3)


METER = MeterSheet(
    (
        Accuracy(Quantity.AC_CURRENT, 0.003, 10, 0.001),
        Accuracy(Quantity.AC_VOLTAGE, 0.005, 2, 0.1),
    )
)


def beside(heard: Heard, current_a: float, voltage_v: float) -> list[str]:
    """What a bench meter's readings beside it make the interface say."""
    heard.told.clear()
    end_us = heard.readings[-1].end_us
    for k in range(12, 0, -1):
        at_us = end_us - k * 100_000
        for role, quantity, value in (
            (Role.PROBE, Quantity.AC_CURRENT, current_a),
            (Role.RESERVOIR, Quantity.AC_VOLTAGE, voltage_v),
        ):
            channel = Channel(role, quantity, "meter")
            heard.meter.compare(Measured(channel, value, at_us - 100_000, at_us), METER)
    return heard.told


def test_a_moved_gain_and_exchanged_inputs_show_against_the_bench_meter() -> None:
    v, i = switch_on(2.6)
    true_a, true_v = (math.sqrt(float(np.mean(x[-RATE:] ** 2))) for x in (i, v))
    heard = Heard(Stream(v, i))
    assert beside(heard, true_a, true_v) == []
    moved = beside(heard, true_a / 0.8, true_v)
    assert len(moved) == 1
    assert "0.80 times what the bench's meter reads" in moved[0]
    exchanged = Heard(Stream(400.0 / 100.0 * i, 100.0 / 400.0 * v))
    assert any("look exchanged" in text for text in beside(exchanged, true_a, true_v))


def test_its_worker_tells_readings_before_the_inrush_and_stores_the_waveform() -> None:
    stream, told, stored = Stream(*switch_on(4.4)), [], []
    meter = HalfCycleMeter(stream, CONFIG, 120.0, lambda _: None)

    def tell(event: object) -> int:
        told.append(event)
        return len(told)

    done = threading.Event()

    def store(wave: object) -> None:
        stored.append(wave)
        done.set()

    worker = AudioWorker(meter, CONFIG, RealClock(), tell, lambda *_: None, None, store)
    worker.start()
    worker.wait_open(10.0)
    assert done.wait(30.0)
    assert worker.stop()
    kinds = [type(one).__name__ for one in told]
    assert kinds.count("InrushMeasured") >= 2
    assert kinds.index("ReadingTaken") < kinds.index("InrushMeasured")
    assert len(stored) == 1
